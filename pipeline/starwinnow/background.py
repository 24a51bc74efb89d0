"""Level and noise between the stars, on a mesh of cells."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.frame import Pixels
from starwinnow.quantile import quantile

__all__ = ["Background", "level_at", "measure_background"]

# Cells of about this size follow gradients and stay much larger than a star; common practice.
_CELL_PX = 64
# Pixels read in a cell: its level is good to 4 % of the noise before neighbours are joined.
_SAMPLES = 512
# A cell with fewer pixels clear of objects takes the frame's median level.
_LEAST_SAMPLES = 100
# Of these, about so many tell where the clipping starts.
_FEW = 32
# Clipping at 3 sigma leaves this part of a Gaussian's standard deviation:
# sqrt(1 - 2 * 3 * phi(3) / (2 * Phi(3) - 1)).
_CLIP = np.float32(3.0)
_CLIPPED_STD = np.float32(0.986578)


@dataclass(frozen=True, slots=True, kw_only=True)
class Background:
    """Background of one frame.

    Attributes
    ----------
    mesh_adu : ndarray of float32, shape (my, mx)
        Level at the cells' centres, ADU; `level_at` interpolates it.
    cells_per_px : tuple of float
        (my / ny, mx / nx).
    level_adu, level_err_adu : float
        Median level and its standard error, ADU.
    local_err_adu : float
        By how much one cell's level differs from its neighbours': noise and structure, ADU.
    noise_adu : float
        Standard deviation of one pixel between the stars, ADU.
    """

    mesh_adu: NDArray[np.float32]
    cells_per_px: tuple[float, float]
    level_adu: float
    level_err_adu: float
    local_err_adu: float
    noise_adu: float


def measure_background(pixels: Pixels, covered: NDArray[np.bool_] | None = None) -> Background:
    """Measure level and noise between the stars.

    Each cell's pixels, a sample of its rows, are clipped at 3 sigma about their mean until
    that settles, starting from the median and the nearer quartile of a few; the mesh is smoothed
    by a 3x3 median. The noise is the median of the cells' clipped standard deviations, corrected
    for the clipping of a Gaussian.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU; pixels without value are NaN.
    covered : ndarray of bool, shape (ny // 2, nx // 2), optional
        Which 2x2 bins are covered by objects and left out. Without it the mesh is coarser, and
        stars lift level and noise by a few per cent of the noise.

    Returns
    -------
    Background
        All NaN where a frame has no pixel with a value.
    """
    ny, nx = pixels.shape
    # Large frames take larger cells, so that the mesh costs less than reading the pixels, and so
    # does the rough mesh that serves to find what is covered.
    cell = _CELL_PX if ny * nx < 4_000_000 and covered is not None else 2 * _CELL_PX
    my, mx = max(1, round(ny / cell)), max(1, round(nx / cell))
    levels, sigmas = np.zeros((my, mx), np.float32), np.zeros((my, mx), np.float32)
    counts = np.zeros((my, mx), np.int64)
    if covered is None:
        covered = np.zeros((1, 1), np.bool_)
    _measure_cells(pixels, covered, _SAMPLES, levels, sigmas, counts)
    known = counts >= _LEAST_SAMPLES
    if not known.any() and covered.size > 1:
        # Objects everywhere: better a background they lift than none.
        return measure_background(pixels)
    if not known.any():
        known = counts > 0
    if not known.any():
        nan = float("nan")
        mesh = np.full((1, 1), np.nan, np.float32)
        return Background(
            mesh_adu=mesh, cells_per_px=(1 / ny, 1 / nx), level_adu=nan, level_err_adu=nan,
            local_err_adu=nan, noise_adu=nan,
        )  # fmt: skip
    levels[~known] = quantile(levels[known])
    mesh = _median_3x3(levels)
    noise = quantile(_without_slope(sigmas, mesh)[known])
    local = 1.482602 * quantile(np.abs(levels - mesh)[known]) if levels.size > 1 else noise
    return Background(
        mesh_adu=mesh,
        cells_per_px=(my / ny, mx / nx),
        level_adu=quantile(mesh),
        # Standard error of a median: sqrt(pi / 2) sigma / sqrt(n).
        level_err_adu=1.253314 * noise / float(np.sqrt(counts.sum())),
        local_err_adu=max(local, noise / float(np.sqrt(_SAMPLES))),
        noise_adu=noise,
    )


def _without_slope(sigmas: NDArray[np.float32], mesh: NDArray[np.float32]) -> NDArray[np.float64]:
    """Cells' standard deviations without what a sloping background adds to them.

    A level that changes by g across a cell adds the variance g^2 / 12 of a uniform distribution.
    """
    # Squares of what an absurd BSCALE makes are beyond single precision.
    sigmas, mesh = sigmas.astype(np.float64), mesh.astype(np.float64)
    added = np.zeros_like(mesh)
    for axis in (0, 1):
        if mesh.shape[axis] > 1:
            added += _change(mesh, axis) ** 2 / 12
    variance = sigmas**2
    noise: NDArray[np.float64] = np.sqrt(np.maximum(variance - added, 0.25 * variance))
    return noise


def _change(mesh: NDArray[Any], axis: int) -> NDArray[Any]:
    """Change from cell to cell along an axis; numpy's own takes many times as long for so few."""
    along = mesh.swapaxes(0, axis)
    change = np.empty_like(mesh)
    here = change.swapaxes(0, axis)
    here[1:-1] = (along[2:] - along[:-2]) / 2
    here[0], here[-1] = along[1] - along[0], along[-1] - along[-2]
    return change


def _median_3x3(values: NDArray[np.float32]) -> NDArray[np.float32]:
    if min(values.shape) < 3:
        return values.copy()
    # Beyond an edge values go on as they changed; numpy's own padding takes longer than the rest.
    high, across = values.shape
    padded = np.empty((high + 2, across + 2), np.float32)
    padded[1:-1, 1:-1] = values
    for one in (padded[1:-1].T, padded):
        one[0], one[-1] = 2 * one[1] - one[2], 2 * one[-2] - one[-3]
    windows = np.empty((high, across, 9), np.float32)
    for place in range(9):
        j, i = divmod(place, 3)
        windows[..., place] = padded[j : j + high, i : i + across]
    # Sorted, which costs less than numpy's median of so few.
    windows.sort(axis=-1)
    return windows[..., 4].copy()


@inner
def level_at(mesh_adu, cells_per_y, cells_per_x, y_px, x_px):
    """Bilinear interpolation of a background mesh, continued linearly half a cell outward."""
    my, mx = mesh_adu.shape
    v = (y_px + 0.5) * cells_per_y - 0.5
    u = (x_px + 0.5) * cells_per_x - 0.5
    j = min(max(int(np.floor(v)), 0), max(my - 2, 0))
    i = min(max(int(np.floor(u)), 0), max(mx - 2, 0))
    j2, i2 = min(j + 1, my - 1), min(i + 1, mx - 1)
    a = mesh_adu[j, i] + (u - i) * (mesh_adu[j, i2] - mesh_adu[j, i])
    b = mesh_adu[j2, i] + (u - i) * (mesh_adu[j2, i2] - mesh_adu[j2, i])
    return a + (v - j) * (b - a)


@compiled
def _measure_cells(pixels, covered, samples, levels, sigmas, counts):
    ny, nx = pixels.shape
    my, mx = levels.shape
    height, width = ny // my + 2, nx // mx + 2
    # Rows are read in pairs, so that both row phases of a colour mosaic count alike.
    pairs = max(1, samples // (2 * width))
    step = max(2, 2 * (height // (2 * pairs)))
    # From the middle of each step: a frame's outermost rows are often dark or empty.
    start = step // 4 * 2
    values = np.empty((mx, (2 * (height // step) + 4) * width), np.float32)
    veil = np.zeros(nx + 1, np.float32)
    for j in range(my):
        y0, y1 = j * ny // my, (j + 1) * ny // my
        # Row by row, as they lie in the memory.
        rows = 0
        for first in range(y0 + start, y1, step):
            for y in range(first, min(first + 2, y1)):
                if covered.size > 1:
                    _draw_veil(covered[min(y >> 1, len(covered) - 1)], veil)
                for i in range(mx):
                    x0, x1 = i * nx // mx, (i + 1) * nx // mx
                    row, hidden, n = pixels[y, x0:x1], veil[x0:x1], rows * (x1 - x0)
                    cell = values[i, n : n + len(row)]
                    for x in range(len(row)):
                        cell[x] = np.float32(row[x]) + hidden[x]
                rows += 1
        for i in range(mx):
            n = rows * ((i + 1) * nx // mx - i * nx // mx)
            levels[j, i], sigmas[j, i], counts[j, i] = _clipped_mean(values[i, :n])


@inlined
def _draw_veil(covered, veil):
    """Write NaN for each pixel of a row that is covered, else 0; bins are two pixels wide."""
    nan, clear = np.float32(np.nan), np.float32(0.0)
    for b in range(len(covered)):
        veil[2 * b] = veil[2 * b + 1] = nan if covered[b] else clear
    # Of an odd number of pixels the last is as the bin before.
    veil[2 * len(covered)] = veil[2 * len(covered) - 1]


@inner
def _quartiles(values):
    """Quartiles of a few values, found by counting how many are smaller than each.

    Sorting takes five times as long, as each of its steps depends on the one before.
    """
    n = len(values)
    low, middle, high = values[0], values[0], values[0]
    for k in range(n):
        value, less, same = values[k], np.float32(0), np.float32(0)
        for i in range(n):
            less += np.float32(1) if values[i] < value else np.float32(0)
            same += np.float32(1) if values[i] == value else np.float32(0)
        end = less + same
        low = value if less <= n // 4 < end else low
        middle = value if less <= n // 2 < end else middle
        high = value if less <= 3 * n // 4 < end else high
    return low, middle, high


@inner
def _standard_deviation(values):
    """Of those that are not NaN, in double precision."""
    n, mean, squares = 0, 0.0, 0.0
    for value in values:
        if not np.isnan(value):
            n += 1
            mean += value
    mean /= n
    for value in values:
        if not np.isnan(value):
            squares += (value - mean) ** 2
    return np.float32(np.sqrt(squares / n))


@inner
def _clipped_mean(values):
    """Clipped mean and standard deviation of values, and how many are not NaN; 0 of none."""
    zero, one = np.float32(0), np.float32(1)
    few, count = np.empty(2 * _FEW, np.float32), 0
    # Where they are nearly all NaN, whatever there is.
    for every in (max(1, len(values) // _FEW), 1):
        for k in range(0, len(values) if count == 0 else 0, every):
            if not np.isnan(values[k]) and count < len(few):
                few[count] = values[k]
                count += 1
    if count == 0:
        return zero, zero, 0
    # Median and, by the nearer quartile, a spread that neither stars nor a dark border move far.
    low, center, high = _quartiles(few[:count])
    spread = min(center - low, high - center) / np.float32(0.674490)
    if not spread > 0:
        # Most values are alike.
        spread = _standard_deviation(values)
    known = zero
    for i in range(len(values)):
        known += zero if np.isnan(values[i]) else one
    for _ in range(8):
        low, high = center - _CLIP * spread, center + _CLIP * spread
        n, total, squares = zero, zero, zero
        # By index: the loop then uses vector instructions.
        for i in range(len(values)):
            value = values[i]
            inside = low <= value <= high
            offset = value - center if inside else zero
            n += one if inside else zero
            total += offset
            squares += offset * offset
        if n < 2:
            break
        shift = total / n
        before = spread
        spread = np.float32(np.sqrt(max(squares / n - shift * shift, zero))) / _CLIPPED_STD
        center += shift
        if (
            abs(shift) < np.float32(2e-3) * spread
            and abs(spread - before) < np.float32(2e-3) * spread
        ):
            break
    return center, spread, int(known)
