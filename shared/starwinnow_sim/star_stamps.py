"""Pixel-integrated star images at any place within a pixel, quickly.

The star's light is convolved with one whole pixel in Fourier space, brought to a grid of 12 or
more points a FWHM, and read between those points by a cubic B-spline whose prefilter is part of
the same transform. Accuracy, checked against GalSim: pixel values within 1e-4 of the peak for
seeing of FWHM 1.3 px and more.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from starwinnow_sim.star_shape import Frequencies, StarShape, star_transfer

__all__ = [
    "StampTable",
    "add_at",
    "fine_image",
    "frequency_grid",
    "pixel_transfer",
    "stamp",
    "stamp_table",
]

FloatImage = NDArray[np.float64]

_POINTS_PER_FWHM = 12
_SHORT_FWHM = 6.0
_LONGEST_FWHM = 21.0
_LIGHT_LEFT_OUT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class StampTable:
    """A star image as spline coefficients, sorted so that a stamp is 16 sums of array slices.

    Attributes
    ----------
    coefficients : ndarray, shape (s, s, side, side)
        [phase in y, phase in x, row, column]; the star's centre is phase 0 of the middle pixel.
    short_px, long_px : int
        Half the side of a faint and of a bright star's stamp; light further out is not drawn.
        A short stamp reaches 6 FWHM past what defocus, trail and bump make and leaves out 4e-3
        of the star for beta 2.5, 7e-4 for beta 3; a long one leaves out at most 1e-4 (for beta
        below 2.4 it ends at 21 FWHM and leaves out more).
    short_edge : float
        Light on the pixels next to the short stamp's middle row and column, part of the flux.
    """

    coefficients: NDArray[np.float64]
    short_px: int
    long_px: int
    short_edge: float


def _points_per_pixel(fwhm_px: float) -> int:
    """Grid points a pixel that sample seeing of `fwhm_px` finely enough for the spline."""
    return max(2, int(np.ceil(_POINTS_PER_FWHM / fwhm_px)))


def _long_fwhm(beta: float) -> float:
    """Radius that leaves out 1e-4 of a Moffat star, FWHM, at most 21.

    The light outside r is (1 + r^2 / a^2)^(1 - beta) (integral of the Moffat profile).
    """
    if np.isinf(beta):
        return 0.0
    radius = np.sqrt(_LIGHT_LEFT_OUT ** (-1 / (beta - 1)) - 1)
    return float(min(radius / (2 * np.sqrt(2 ** (1 / beta) - 1)), _LONGEST_FWHM))


def stamp_table(shape: StarShape) -> StampTable:
    """Prepare to draw stars of `shape`."""
    widest_px = shape.fwhm_px / np.sqrt(shape.axis_ratio)
    short_px = int(np.ceil(max(10.0, _SHORT_FWHM * widest_px) + shape.reach_px))
    long_px = max(short_px, int(np.ceil(_long_fwhm(shape.beta) * widest_px + shape.reach_px)))
    points = _points_per_pixel(shape.fwhm_px * np.sqrt(shape.axis_ratio))
    # Light leaving the grid on one side comes back on the other; half as much room again as
    # the stamp has keeps that below a few hundredths of the light at the stamp's edge.
    side = int(fft.next_fast_len(3 * long_px + 4))
    side += side % 2
    grid = _transformed(shape, points, side, prefilter=True)
    cells = grid.reshape(side, points, side, points).transpose(1, 3, 0, 2)
    row = grid[side // 2 * points, ::points]
    column = grid[::points, side // 2 * points]
    edge = side // 2 + short_px + 1
    return StampTable(
        coefficients=np.ascontiguousarray(cells),
        short_px=short_px,
        long_px=long_px,
        short_edge=float(max(row[edge], column[edge], 0.0)),
    )


def stamp(table: StampTable, dx_px: float, dy_px: float, half_px: int) -> FloatImage:
    """Image of a star of flux 1 whose centre lies (dx, dy) from the middle pixel's centre.

    Parameters
    ----------
    table : StampTable
        From `stamp_table`.
    dx_px, dy_px : float
        Place within the middle pixel, -0.5 to 0.5 px.
    half_px : int
        Half the side, at most `table.long_px`; the stamp is (2 half + 1) px square.

    Returns
    -------
    ndarray, shape (2 half + 1, 2 half + 1)
        Part of the star's light on each pixel.
    """
    points, _, side, _ = table.coefficients.shape
    x_steps, x_weights = _spline_steps(-dx_px * points)
    y_steps, y_weights = _spline_steps(-dy_px * points)
    first = side // 2 - half_px
    length = 2 * half_px + 1
    image = np.zeros((length, length))
    for y_step, y_weight in zip(y_steps, y_weights, strict=True):
        top = first + y_step // points
        for x_step, x_weight in zip(x_steps, x_weights, strict=True):
            left = first + x_step // points
            cell = table.coefficients[y_step % points, x_step % points]
            image += (y_weight * x_weight) * cell[top : top + length, left : left + length]
    return image


def add_at(light_e: NDArray[np.float32], image: NDArray[np.float64], top: int, left: int) -> None:
    """Add `image` with its first pixel at (row, column) = (top, left), cut at the edges."""
    ny, nx = light_e.shape
    first_row, first_column = max(0, -top), max(0, -left)
    last_row = min(image.shape[0], ny - top)
    last_column = min(image.shape[1], nx - left)
    if first_row < last_row and first_column < last_column:
        light_e[top + first_row : top + last_row, left + first_column : left + last_column] += (
            image[first_row:last_row, first_column:last_column]
        )


def fine_image(shape: StarShape, points: int, half_px: int) -> FloatImage:
    """Draw the star as imaged (one whole pixel included), `points` values a pixel.

    Returns
    -------
    ndarray, shape (2 half_px points, 2 half_px points)
        Light per square pixel for flux 1; the centroid is at index half_px * points.
    """
    return _transformed(shape, points, 2 * half_px, prefilter=False)


def frequency_grid(points: int, side: int) -> tuple[Frequencies, Frequencies]:
    """Frequencies (cycles/px) of a real transform of a grid of `side` px, `points` a pixel."""
    step_px = 1 / points
    kx = fft.rfftfreq(side * points, step_px)[None, :]
    ky = fft.fftfreq(side * points, step_px)[:, None]
    return kx, ky


def pixel_transfer(kx: Frequencies, ky: Frequencies) -> Frequencies:
    """Fourier transform of one whole square pixel."""
    return np.asarray(np.sinc(kx) * np.sinc(ky))


def _transformed(shape: StarShape, points: int, side: int, *, prefilter: bool) -> FloatImage:
    """Star as imaged on a grid of `side` px, or the B-spline coefficients of it."""
    kx, ky = frequency_grid(points, side)
    transfer = star_transfer(shape, kx, ky) * pixel_transfer(kx, ky)
    if prefilter:
        # Transform of the sampled cubic B-spline, (2 + cos w) / 3 along each axis
        # (Unser 1999, IEEE Signal Processing Magazine 16(6), 22; from memory).
        transfer *= (
            9 / (2 + np.cos(2 * np.pi * kx / points)) / (2 + np.cos(2 * np.pi * ky / points))
        )
    image = fft.irfft2(transfer, s=(side * points, side * points)) * points**2
    return np.asarray(fft.fftshift(image))


def _spline_steps(place: float) -> tuple[range, tuple[float, float, float, float]]:
    """Four grid steps around `place` and the cubic B-spline's weights on them."""
    whole = int(np.floor(place))
    t = place - whole
    weights = (
        (1 - t) ** 3 / 6,
        (3 * t**3 - 6 * t**2 + 4) / 6,
        (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6,
        t**3 / 6,
    )
    return range(whole - 1, whole + 3), weights
