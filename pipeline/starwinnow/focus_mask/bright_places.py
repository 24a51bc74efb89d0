"""The brightest places of a frame: where a star seen through a mask would be."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inner
from starwinnow.frame import Pixels

__all__ = ["bright_places"]

# Bins this large hold the core of a star; two of them are its surroundings.
_BIN_PX = 4
_THRESHOLD_SIGMA = 12.0
_MAX_PLACES = 4096


def bright_places(pixels: Pixels, background: Background, most: int) -> NDArray[np.float64]:
    """Brightest local maxima of the light in 12x12 px, single hot pixels left out.

    Returns
    -------
    ndarray, shape (n, 3)
        x and y of the bins' centres (px), light (ADU); brightest first, n at most `most`.
    """
    ny, nx = pixels.shape
    bins = np.zeros((ny // _BIN_PX, nx // _BIN_PX), np.float32)
    _bin_without_brightest(pixels, background.mesh_adu, *background.cells_per_px, bins)
    rows = np.empty((_MAX_PLACES, 3))
    noise = background.noise_adu * 3 * _BIN_PX
    count = _maxima(bins, np.float32(_THRESHOLD_SIGMA * noise), rows)
    order = np.argsort(-rows[:count, 2], kind="stable")[:most]
    return rows[order]


@compiled
def _bin_without_brightest(pixels, mesh, cells_per_y, cells_per_x, bins):
    """Light of 4x4 pixels above the background, the brightest replaced by the others' mean."""
    size = 4
    for j in range(bins.shape[0]):
        for i in range(bins.shape[1]):
            level = np.float32(
                level_at(mesh, cells_per_y, cells_per_x, size * j + 1.5, size * i + 1.5)
            )
            total, highest, count = np.float32(0), np.float32(-np.inf), 0
            for y in range(size * j, size * j + size):
                row = pixels[y]
                for x in range(size * i, size * i + size):
                    value = np.float32(row[x]) - level
                    if not np.isnan(value):
                        total += value
                        highest = max(highest, value)
                        count += 1
            if count > 8:
                bins[j, i] = (total - highest) * np.float32(16) / np.float32(count - 1)


@compiled
def _maxima(bins, limit, rows):
    """Places whose 3x3 bins hold more light than those of any place within two bins."""
    ny, nx = bins.shape
    count = 0
    for j in range(1, ny - 1):
        for i in range(1, nx - 1):
            if bins[j, i] * np.float32(9) < limit:
                continue
            here = _box(bins, j, i)
            if here < limit:
                continue
            highest = True
            for b in range(max(j - 2, 1), min(j + 3, ny - 1)):
                for a in range(max(i - 2, 1), min(i + 3, nx - 1)):
                    if (b != j or a != i) and highest:
                        other = _box(bins, b, a)
                        if other > here or (other == here and (b, a) < (j, i)):
                            highest = False
            if highest and count < len(rows):
                rows[count, 0] = 4 * i + 1.5
                rows[count, 1] = 4 * j + 1.5
                rows[count, 2] = here
                count += 1
    return count


@inner
def _box(bins, j, i):
    total = np.float32(0)
    for b in range(j - 1, j + 2):
        for a in range(i - 1, i + 2):
            total += bins[b, a]
    return total
