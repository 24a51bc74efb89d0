"""The star profile as imaged: an elliptical Moffat convolved with one whole pixel.

I(q) = (1 + kappa q)^-beta with kappa = 2^(1/beta) - 1 and q = (2 r / FWHM)^2 (Moffat 1969, A&A
3, 455, from memory); 1/beta -> 0 is the Gaussian. For an elliptical star q = 4 r' C^-1 r with
C = FWHM^2 exp(S), S the symmetric traceless matrix of the log-stretch vector, so FWHM is the
geometric mean of the axes and their ratio is exp(|stretch|).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, embedded, inner
from starwinnow.frame_measures import StarProfile
from starwinnow.profile.moffat_values import moffat_values, nodes_on_pixel, quadratic

__all__ = [
    "ImagedFigures",
    "fine_image",
    "imaged_figures",
    "shape_matrices",
    "shape_matrix",
    "unit_flux",
]

# For integrals over a pixel.
_NODES3, _NODES5 = nodes_on_pixel(3), nodes_on_pixel(5)
# A width is good to 1e-6 when its half was narrowed down so often to a sixteenth.
_PASSES = 3
# Rows of pixels that are worked on together.
_ROWS = 32
# Radii closer together where the star is bright, as parts of the largest; between them rings.
_RADII = np.linspace(0.0, 1.0, 65) ** 1.5
_RING_MIDDLES = np.sqrt(0.5 * (_RADII[1:] ** 2 + _RADII[:-1] ** 2))
_RING_AREAS = np.pi * (_RADII[1:] ** 2 - _RADII[:-1] ** 2)
# The image is symmetric through its centre: half a turn suffices.
_ANGLES = np.pi * (np.arange(8) + 0.5) / 8
_COSINES, _SINES = np.cos(_ANGLES), np.sin(_ANGLES)
_MEAN = np.full(len(_ANGLES), 1 / len(_ANGLES))
_MIN_RADIUS_PX = 8.0
_RADIUS_PER_FWHM = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ImagedFigures:
    """Figures of a star profile as imaged.

    Attributes
    ----------
    fwhm_px : float
        Geometric mean of the full widths at half maximum along the two axes, px.
    axis_ratio : float
        Minor over major width.
    radius_px : float
        Measuring radius R = max(8 px, 3 FWHM).
    growth : ndarray of float64, shape (n,)
        Flux inside `radii_px`, the peak of the Moffat being 1, px^2.
    radii_px : ndarray of float64, shape (n,)
        Radii of the curve of growth, up to R.
    ring_means : ndarray of float64, shape (n - 1,)
        Mean of the imaged profile between neighbouring radii, the peak of the Moffat being 1.
    nea_px : float
        Noise-equivalent area 1 / sum(P^2) for unit flux inside R, px.
    """

    fwhm_px: float
    axis_ratio: float
    radius_px: float
    radii_px: NDArray[np.float64]
    growth: NDArray[np.float64]
    ring_means: NDArray[np.float64]
    nea_px: float

    @property
    def flux(self) -> float:
        """Flux inside R for a Moffat of peak 1, px^2."""
        return float(self.growth[-1])

    @property
    def hfr_px(self) -> float:
        """Radius that encloses half of the flux inside R, px."""
        return self.radius_enclosing(0.5 * self.flux)

    def value_at(self, radius_px: float) -> float:
        """Mean of the imaged profile at a radius, the peak of the Moffat being 1."""
        middles = np.sqrt(0.5 * (self.radii_px[:-1] ** 2 + self.radii_px[1:] ** 2))
        return float(np.interp(radius_px, middles, self.ring_means))

    def radius_enclosing(self, flux: float) -> float:
        """Radius that encloses a flux on the same scale as `growth`, px."""
        # Flux rises as r^2 near the centre: interpolate in r^2.
        return float(np.sqrt(np.interp(flux, self.growth, self.radii_px**2)))


@compiled
def shape_matrix(fwhm_px, stretch1, stretch2):
    """Matrix C^-1 of the module's formula as (xx, xy, yy), px^-2."""
    matrix = np.empty(3)
    _fill_matrix(fwhm_px, stretch1, stretch2, matrix)
    return matrix


@inner
def _fill_matrix(fwhm_px, stretch1, stretch2, matrix):
    size = np.hypot(stretch1, stretch2)
    growth = np.exp(size)
    # sinh(size) / size and cosh(size).
    ratio = 0.5 * (growth - 1.0 / growth) / size if size > 1e-6 else 1.0
    diagonal = 0.5 * (growth + 1.0 / growth)
    inverse = 1.0 / (fwhm_px * fwhm_px)
    matrix[0] = inverse * (diagonal - ratio * stretch1)
    matrix[1] = -inverse * ratio * stretch2
    matrix[2] = inverse * (diagonal + ratio * stretch1)


@compiled
def shape_matrices(fwhm_px, stretch1, stretch2):
    """Rows: `shape_matrix` and its derivatives by the two stretches; shape (3, 3)."""
    h = 1e-4
    rows, less = np.empty((3, 3)), np.empty(3)
    _fill_matrix(fwhm_px, stretch1, stretch2, rows[0])
    for m in (1, 2):
        one, two = (h, 0.0) if m == 1 else (0.0, h)
        _fill_matrix(fwhm_px, stretch1 + one, stretch2 + two, rows[m])
        _fill_matrix(fwhm_px, stretch1 - one, stretch2 - two, less)
        for k in range(3):
            rows[m, k] = (rows[m, k] - less[k]) / (2 * h)
    return rows


def imaged_figures(
    fwhm_px: float, stretch1: float, stretch2: float, inverse_beta: float
) -> ImagedFigures:
    """Size, shape, curve of growth and noise-equivalent area of a profile as imaged.

    Parameters
    ----------
    fwhm_px : float
        FWHM of the Moffat alone, px.
    stretch1, stretch2 : float
        Log-stretch vector, see `StarProfile`.
    inverse_beta : float
        1 / beta, above 0.

    Returns
    -------
    ImagedFigures
        Numerical integrals, good to 1e-3 for a FWHM of 1.3 px and better above.
    """
    matrix = shape_matrix(fwhm_px, stretch1, stretch2)
    size, angle = math.hypot(stretch1, stretch2), 0.5 * math.atan2(stretch2, stretch1)
    major, minor = _full_widths(
        matrix,
        inverse_beta,
        math.cos(angle),
        math.sin(angle),
        fwhm_px * math.exp(size / 2),
        _NODES5,
    )
    width = math.sqrt(major * minor)
    radii = max(_MIN_RADIUS_PX, _RADIUS_PER_FWHM * width) * _RADII
    # At the radii that halve the rings' areas: midpoint rule in r^2.
    middles = radii[-1] * _RING_MIDDLES[:, np.newaxis]
    values = _means(matrix, inverse_beta, middles * _COSINES, middles * _SINES, _NODES3)
    values = values.reshape(len(middles), -1)
    area = radii[-1] ** 2 * _RING_AREAS
    ring_means = values @ _MEAN
    growth = np.zeros(len(radii))
    np.cumsum(area * ring_means, out=growth[1:])
    power = float(area @ (np.square(values) @ _MEAN))
    return ImagedFigures(
        fwhm_px=width,
        axis_ratio=minor / major,
        radius_px=float(radii[-1]),
        radii_px=radii,
        growth=growth,
        ring_means=ring_means,
        nea_px=float(growth[-1]) ** 2 / power,
    )


def unit_flux(
    profile: StarProfile, side_px: int, figures: ImagedFigures | None = None
) -> NDArray[np.float64]:
    """Image of a star centred on the middle pixel, unit flux inside R; shape (side, side).

    `figures` are those of the profile, where they are known already.

    Raises
    ------
    ValueError
        If `side_px` is even: it must be odd to have a middle pixel.
    """
    if side_px % 2 == 0:
        raise ValueError(f"side_px is {side_px}; it must be odd to have a middle pixel")
    matrix = shape_matrix(profile.fwhm_px, profile.stretch1, profile.stretch2)
    if figures is None:
        figures = imaged_figures(
            profile.fwhm_px, profile.stretch1, profile.stretch2, 1 / profile.beta
        )
    half = side_px // 2
    # The image is symmetric through its centre: the lower half suffices.
    x, y = np.arange(-half, half + 1.0), np.arange(-half, 1.0)
    image = np.empty((side_px, side_px))
    image[: half + 1] = _rows(matrix, 1 / profile.beta, x, y)
    image[half + 1 :] = image[:half][::-1, ::-1]
    return image / figures.flux


def fine_image(
    profile: StarProfile, half_px: float, points: int, x_px: float = 0.0, y_px: float = 0.0
) -> NDArray[np.float64]:
    """Image as imaged of a Moffat of peak 1 at (x, y) from the middle, `points` a pixel.

    Returns
    -------
    ndarray of float64, shape (2 h + 1, 2 h + 1), h = half_px * points
    """
    reach = int(half_px * points)
    matrix = shape_matrix(profile.fwhm_px, profile.stretch1, profile.stretch2)
    along = np.arange(-reach, reach + 1) / points
    return _rows(matrix, 1 / profile.beta, along - x_px, along - y_px)


def _rows(
    matrix: NDArray[np.float64],
    inverse_beta: float,
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Means of the Moffat (peak 1) over pixels at every x and y from its centre."""
    image = np.empty((len(y_px), len(x_px)))
    # Some rows at a time, so that what they need stays in the processor's cache.
    for first in range(0, len(y_px), _ROWS):
        rows = image[first : first + _ROWS]
        x, y = np.tile(x_px, len(rows)), np.repeat(y_px[first : first + _ROWS], len(x_px))
        rows[:] = _means(matrix, inverse_beta, x, y, _NODES3).reshape(rows.shape)
    return image


def _means(
    matrix: NDArray[np.float64],
    inverse_beta: float,
    dx_px: NDArray[np.float64],
    dy_px: NDArray[np.float64],
    nodes: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Means of the Moffat (peak 1) over the pixels whose centres lie at (dx, dy), all in a row."""
    x, y = dx_px.astype(np.float32).ravel(), dy_px.astype(np.float32).ravel()
    means = np.empty(len(x), np.float32)
    _fill_image(matrix, inverse_beta, x, y, nodes, means)
    return means


@compiled
def _full_widths(matrix, inverse_beta, cosine, sine, guess, nodes):
    """Full widths at half of the central value, px: along a direction and across it."""
    n = 17
    dx, dy, means = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.float32)
    widths = np.empty(2)
    for axis in range(2):
        right, up = (cosine, sine) if axis == 0 else (-sine, cosine)
        low, step, half, last, part = 0.0, (guess + 1.0) / (n - 1), np.float32(0.0), 0, 0.0
        # Each pass looks at so many places at once, the first of the first at the centre.
        for _ in range(_PASSES):
            for i in range(n):
                dx[i], dy[i] = (low + i * step) * right, (low + i * step) * up
            _fill_means(matrix, inverse_beta, dx, dy, nodes, means)
            half = half if half > 0 else np.float32(0.5) * means[0]
            last = 0
            while last < n - 2 and means[last + 1] > half:
                last += 1
            # A straight line within the last step.
            part = (means[last] - half) / (means[last] - means[last + 1])
            low += last * step
            step /= n - 1
        widths[axis] = 2.0 * (low + part * step * (n - 1))
    return widths[0], widths[1]


@embedded
def _fill_means(matrix, inverse_beta, dx, dy, nodes, means):
    n, many = len(dx), nodes.shape[1]
    c0, c1, c2 = quadratic(matrix)
    q, exponents = np.empty(many * n, np.float32), np.empty(many * n, np.float32)
    values = np.empty(many * n, np.float32)
    for k in range(many):
        here, right, up = q[k * n : (k + 1) * n], nodes[0, k], nodes[1, k]
        for i in range(n):
            x, y = dx[i] + right, dy[i] + up
            here[i] = c0 * x * x + c1 * x * y + c2 * y * y
    moffat_values(q, inverse_beta, exponents, values)
    for i in range(n):
        means[i] = nodes[2, 0] * values[i]
    for k in range(1, many):
        here, weight = values[k * n : (k + 1) * n], nodes[2, k]
        for i in range(n):
            means[i] += weight * here[i]


@compiled
def _fill_image(matrix, inverse_beta, dx, dy, nodes, means):
    _fill_means(matrix, inverse_beta, dx, dy, nodes, means)
