"""A small stretched picture of a frame."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.frame import Pixels

__all__ = ["thumbnail"]

_HEIGHT_PX, _WIDTH_PX = 80, 120
# Black two noises below the background, mid-grey some noises above it: faint stars show.
_BLACK_SIGMA, _SOFTENING_SIGMA, _WHITE_SIGMA = -2.0, 4.0, 400.0


def thumbnail(pixels: Pixels, background: Background) -> NDArray[np.uint8]:
    """Brightest of a few pixels per dot, stretched by the inverse hyperbolic sine.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU.
    background : Background

    Returns
    -------
    ndarray of uint8, shape at most (80, 120)
        Row 0 is row 0 of the frame.
    """
    ny, nx = pixels.shape
    step = max(1, -(-ny // _HEIGHT_PX), -(-nx // _WIDTH_PX))
    rows, columns = ny // step, nx // step
    # The brightest of nine pixels spread over each dot: far cheaper than reading the frame.
    thin = max(1, step // 3)
    kept = pixels[: rows * step, : columns * step]
    dots = np.full((rows, columns), -np.inf, np.float32)
    for y in range(0, min(3 * thin, step), thin):
        for x in range(0, min(3 * thin, step), thin):
            np.fmax(dots, kept[y::step, x::step], out=dots)
    dots[~np.isfinite(dots)] = background.level_adu
    sigma = background.noise_adu if background.noise_adu > 0 else 1.0
    scaled = (dots - background.level_adu) / sigma - _BLACK_SIGMA
    shade = np.arcsinh(np.maximum(scaled, 0) / _SOFTENING_SIGMA)
    top = np.arcsinh((_WHITE_SIGMA - _BLACK_SIGMA) / _SOFTENING_SIGMA)
    # NaN, where no level is known, counts as black.
    picture: NDArray[np.uint8] = np.fmin(np.fmax(255 * shade / top, 0), 255).astype(np.uint8)
    return picture
