"""The star profile as imaged: an elliptical Moffat convolved with one whole pixel.

I(q) = (1 + kappa q)^-beta with kappa = 2^(1/beta) - 1 and q = (2 r / FWHM)^2 (Moffat 1969, A&A
3, 455, from memory); 1/beta -> 0 is the Gaussian. For an elliptical star q = 4 r' C^-1 r with
C = FWHM^2 exp(S), S the symmetric traceless matrix of the log-stretch vector, so FWHM is the
geometric mean of the axes and their ratio is exp(|stretch|).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inner
from starwinnow.frame_measures import StarProfile
from starwinnow.profile.moffat_values import moffat_values

__all__ = [
    "ImagedFigures",
    "fine_image",
    "imaged_figures",
    "shape_matrices",
    "shape_matrix",
    "unit_flux",
]

# Gauss-Legendre nodes and weights on a pixel's side, for integrals over the pixel.
_NODES3, _NODES5 = ((np.polynomial.legendre.leggauss(n)[0] / 2).astype(np.float32) for n in (3, 5))
_WEIGHTS3, _WEIGHTS5 = (
    (np.polynomial.legendre.leggauss(n)[1] / 2).astype(np.float32) for n in (3, 5)
)
# A width is good to 1e-6 when its half was narrowed down so often to a sixteenth.
_PASSES = 3
# Radii closer together where the star is bright, as parts of the largest.
_RADII = np.linspace(0.0, 1.0, 65) ** 1.5
_ANGLES = 8
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
    radii, growth, ring_means = _RADII.copy(), np.zeros(len(_RADII)), np.empty(len(_RADII) - 1)
    width, axis_ratio, nea = _measure_image(
        fwhm_px, stretch1, stretch2, inverse_beta, radii, growth, ring_means
    )
    return ImagedFigures(
        fwhm_px=width,
        axis_ratio=axis_ratio,
        radius_px=float(radii[-1]),
        radii_px=radii,
        growth=growth,
        ring_means=ring_means,
        nea_px=nea,
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
    image = np.empty((side_px, side_px))
    half = side_px // 2
    # The image is symmetric through its centre: the lower half suffices.
    _render(matrix, 1 / profile.beta, float(half), float(half), 1.0, image[: half + 1])
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
    image = np.empty((2 * reach + 1, 2 * reach + 1))
    matrix = shape_matrix(profile.fwhm_px, profile.stretch1, profile.stretch2)
    step = 1.0 / points
    _render(matrix, 1 / profile.beta, reach * step + x_px, reach * step + y_px, step, image)
    return image


@inner
def _pixel_means(matrix, inverse_beta, dx, dy, nodes, weights, means):
    """Means of the Moffat (peak 1) over the pixels whose centres lie at (dx, dy), float32 all."""
    n, side = len(dx), len(nodes)
    c0, c1, c2 = (
        np.float32(4.0 * matrix[0]), np.float32(8.0 * matrix[1]), np.float32(4.0 * matrix[2])
    )  # fmt: skip
    q, exponents = np.empty(side * side * n, np.float32), np.empty(side * side * n, np.float32)
    values = np.empty(side * side * n, np.float32)
    for k in range(side * side):
        here, right, up = q[k * n : (k + 1) * n], nodes[k % side], nodes[k // side]
        for i in range(n):
            x, y = dx[i] + right, dy[i] + up
            here[i] = c0 * x * x + c1 * x * y + c2 * y * y
    moffat_values(q, inverse_beta, exponents, values)
    means[:] = 0
    for k in range(side * side):
        here, weight = values[k * n : (k + 1) * n], weights[k % side] * weights[k // side]
        for i in range(n):
            means[i] += weight * here[i]


@compiled
def _measure_image(fwhm_px, stretch1, stretch2, inverse_beta, radii, growth, ring_means):
    """FWHM as imaged, axis ratio and noise-equivalent area.

    `radii`, from 0 to 1, are made the radii in px of the curve of growth, which `growth` receives;
    `ring_means` the means between them.
    """
    matrix = np.empty(3)
    _fill_matrix(fwhm_px, stretch1, stretch2, matrix)
    size, angle = np.hypot(stretch1, stretch2), 0.5 * np.arctan2(stretch2, stretch1)
    major = _full_width(matrix, inverse_beta, angle, fwhm_px * np.exp(size / 2))
    minor = _full_width(matrix, inverse_beta, angle + np.pi / 2, fwhm_px * np.exp(-size / 2))
    width = np.sqrt(major * minor)
    radii *= max(_MIN_RADIUS_PX, _RADIUS_PER_FWHM * width)
    squares = _fill_rings(matrix, inverse_beta, radii, ring_means)
    power = 0.0
    for k in range(len(ring_means)):
        area = np.pi * (radii[k + 1] ** 2 - radii[k] ** 2)
        growth[k + 1] = growth[k] + area * ring_means[k]
        power += area * squares[k]
    return width, minor / major, growth[-1] ** 2 / power


@inner
def _full_width(matrix, inverse_beta, angle, guess):
    """Full width at half of the central value along one direction."""
    n = 16
    c, s = np.cos(angle), np.sin(angle)
    dx, dy, means = np.zeros(n, np.float32), np.zeros(n, np.float32), np.empty(n, np.float32)
    _pixel_means(matrix, inverse_beta, dx[:1], dy[:1], _NODES5, _WEIGHTS5, means[:1])
    above = means[0]
    below, half = above, np.float32(0.5) * above
    low, step, passes = 0.0, (guess + 1.0) / n, 0
    # Each pass looks at so many radii at once; a straight line within the last of their steps.
    while passes < _PASSES:
        for i in range(n):
            dx[i], dy[i] = (low + (i + 1) * step) * c, (low + (i + 1) * step) * s
        _pixel_means(matrix, inverse_beta, dx, dy, _NODES5, _WEIGHTS5, means)
        k = 0
        while k < n and means[k] > half:
            above = means[k]
            k += 1
        low += k * step
        if k < n:
            below = means[k]
            step /= n
            passes += 1
    return 2.0 * (low + n * step * (above - half) / (above - below))


@inner
def _fill_rings(matrix, inverse_beta, radii, ring_means):
    """Fill in means of the imaged profile between radii; returns the means of its square."""
    rings = len(ring_means)
    squares = np.zeros(rings)
    dx, dy = np.empty(rings * _ANGLES, np.float32), np.empty(rings * _ANGLES, np.float32)
    means = np.empty(rings * _ANGLES, np.float32)
    for m in range(_ANGLES):
        # The image is symmetric through its centre: half a turn suffices.
        angle = np.pi * (m + 0.5) / _ANGLES
        c, s = np.cos(angle), np.sin(angle)
        for k in range(rings):
            # Radius that halves the ring's area: midpoint rule in r^2.
            r = np.sqrt(0.5 * (radii[k] ** 2 + radii[k + 1] ** 2))
            dx[m * rings + k], dy[m * rings + k] = r * c, r * s
    _pixel_means(matrix, inverse_beta, dx, dy, _NODES3, _WEIGHTS3, means)
    ring_means[:] = 0.0
    for m in range(_ANGLES):
        for k in range(rings):
            value = means[m * rings + k]
            ring_means[k] += value / _ANGLES
            squares[k] += value * value / _ANGLES
    return squares


@compiled
def _render(matrix, inverse_beta, x0, y0, step, image):
    dx, dy = np.empty(image.shape[1], np.float32), np.empty(image.shape[1], np.float32)
    means = np.empty(image.shape[1], np.float32)
    for x in range(image.shape[1]):
        dx[x] = x * step - x0
    for y in range(image.shape[0]):
        dy[:] = y * step - y0
        _pixel_means(matrix, inverse_beta, dx, dy, _NODES3, _WEIGHTS3, means)
        for x in range(image.shape[1]):
            image[y, x] = means[x]
