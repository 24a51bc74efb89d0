"""Small images smoothed, without the sixth of a second that a library for images takes to load."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled

__all__ = ["smoothed"]


def smoothed(light: NDArray[Any], sigma_px: float, *, truncate: float = 4.0) -> NDArray[Any]:
    """Convolve an image with a round Gaussian, cut off at so many sigmas.

    Beyond its edges the image is taken to go on as if mirrored there.
    """
    reach = int(truncate * sigma_px + 0.5)
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma_px) ** 2)
    smooth = np.empty_like(light)
    high, wide = light.shape
    _smooth(
        light, (weights / weights.sum()).astype(light.dtype), _mirrored(high, reach),
        _mirrored(wide, reach), smooth,
    )  # fmt: skip
    return smooth


def _mirrored(length: int, reach: int) -> NDArray[np.intp]:
    """Places from `reach` before the first to `reach` beyond the last, mirrored at both ends."""
    place = np.arange(-reach, length + reach) % (2 * length)
    return np.minimum(place, 2 * length - 1 - place)


@compiled
def _smooth(light, weights, rows, columns, smooth):
    """Smooth row by row, one axis after the other; `rows` and `columns` go beyond the edges."""
    wide = light.shape[1]
    down, across = np.empty(wide, light.dtype), np.empty(len(columns), light.dtype)
    for j in range(len(light)):
        for i in range(wide):
            down[i] = 0
        for k in range(len(weights)):
            row, weight = light[rows[j + k]], weights[k]
            for i in range(wide):
                down[i] += weight * row[i]
        for i in range(len(columns)):
            across[i] = down[columns[i]]
        sums = smooth[j]
        for i in range(wide):
            sums[i] = 0
        for k in range(len(weights)):
            shifted, weight = across[k : k + wide], weights[k]
            for i in range(len(shifted)):
                sums[i] += weight * shifted[i]
