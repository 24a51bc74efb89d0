"""A small stretched picture of a frame."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.compiled import compiled
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
    dots = np.full((rows, columns), background.level_adu, np.float32)
    _brightest(pixels, step, max(1, step // 3), dots)
    sigma = background.noise_adu if background.noise_adu > 0 else 1.0
    scaled = (dots - background.level_adu) / sigma - _BLACK_SIGMA
    shade = np.arcsinh(np.maximum(scaled, 0) / _SOFTENING_SIGMA)
    top = np.arcsinh((_WHITE_SIGMA - _BLACK_SIGMA) / _SOFTENING_SIGMA)
    # NaN, where no level is known, counts as black.
    picture: NDArray[np.uint8] = np.fmin(np.fmax(255 * shade / top, 0), 255).astype(np.uint8)
    return picture


@compiled
def _brightest(pixels, step, thin, dots):
    """Brightest of some pixels of each dot; a dot without any that has a value stays as it is."""
    for j in range(dots.shape[0]):
        for i in range(dots.shape[1]):
            brightest = np.float32(-np.inf)
            for y in range(j * step, j * step + min(3 * thin, step), thin):
                for x in range(i * step, i * step + min(3 * thin, step), thin):
                    value = np.float32(pixels[y, x])
                    brightest = value if value > brightest else brightest
            if np.isfinite(brightest):
                dots[j, i] = brightest
