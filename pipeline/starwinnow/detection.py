"""Places of a frame that stand out of the noise, at star sizes from one pixel to many."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined, inner
from starwinnow.frame import Pixels
from starwinnow.hot_pixels import HOT_SIGMA, hot_excess
from starwinnow.scratch import scratch

__all__ = ["Peaks", "detect"]

# Five sigma lets through about one chance peak in a frame of 26 million pixels:
# 6.5e6 binned pixels times the Gaussian tail 2.9e-7.
_THRESHOLD_SIGMA = 5.0
_MAX_PEAKS = 20_000
# Values looked at together when most hold nothing of interest.
_CHUNK = 64
_LEVELS = 4
# Values a map's noise is taken from, and tiles a side; tiles of fewer values a side tell nothing.
_NOISE_SAMPLE, _TILES, _LEAST_TILE = 16_000, 4, 10
# Smoothed noise over that of the bins where pixels' noise is independent: the root of the sum of
# the weights' squares. What is rougher than three times that is no noise, which interpolation of
# colours makes at most twice as rough, but a nebula over most of the frame.
_WHITE_NOISE, _MOST_NOISE = 0.375, 3.0
# Variance of the smoothing at level l in units of its bin size squared: the bin's own box,
# 1/12, and the weights 1/4, 1/2, 1/4, whose variance is 1/2.
_KERNEL_VARIANCE = 1 / 12 + 1 / 2
_FWHM_PER_SIGMA = 2.354820


@dataclass(frozen=True, slots=True, kw_only=True)
class Peaks:
    """Places above the noise, most significant first; equal lengths n.

    Attributes
    ----------
    x_px, y_px : ndarray of float64, shape (n,)
        Position to about a pixel (to half a bin).
    significance : ndarray of float64, shape (n,)
        Smoothed value above the background over the smoothed noise, at the best scale.
    reach_px : ndarray of float64, shape (n,)
        Width of the smoothing at the best scale: FWHM, px.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    significance: NDArray[np.float64]
    reach_px: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.x_px)


def detect(pixels: Pixels, background: Background) -> Peaks:
    """Find peaks by smoothing at three scales, each twice as wide as the one before.

    The frame is averaged over 2x2 pixels (so the colours of a mosaic play no part) and
    smoothed; the next scales average that again. A peak is a local maximum more than
    5 sigma above the background, sigma being measured on the smoothed map itself, so
    correlated noise makes no stars. One star found at several scales is kept once, where it
    is most significant (the matched scale).

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU, NaN without value; at least 16 px a side.
    background : Background
        Of the same frame.

    Returns
    -------
    Peaks
    """
    if not np.isfinite(background.noise_adu) or background.noise_adu <= 0:
        return _no_peaks()
    binned = scratch("binned", (pixels.shape[0] // 2, pixels.shape[1] // 2), np.float32)
    _bin_pixels(pixels, background.mesh_adu, *background.cells_per_px, background.noise_adu, binned)
    noises, found = [], []
    for level in range(_LEVELS):
        if min(binned.shape) < 3:
            break
        white = _WHITE_NOISE * background.noise_adu / 2.0 ** (level + 1)
        noise = min(_noise_of(binned), _MOST_NOISE * white)
        noises.append(noise)
        rows = scratch(f"peaks {level}", (_MAX_PEAKS, 3), np.float64)
        half = binned.shape[0] // 2, binned.shape[1] // 2
        coarser = scratch(f"binned again {level}", half, np.float32)
        count = _local_maxima(binned, _THRESHOLD_SIGMA * noise, rows, coarser)
        found.append((level, rows[:count]))
        binned = coarser
    return _merge(noises, found, (pixels.shape[0] // 2, pixels.shape[1] // 2))


def _no_peaks() -> Peaks:
    none = np.empty(0)
    return Peaks(x_px=none, y_px=none, significance=none, reach_px=none)


def _noise_of(binned: NDArray[np.float32]) -> float:
    """Robust noise of a map, once smoothed, from the lowest values of a thin sample.

    Stars only ever add light, so the dark side tells the noise: 2.28 % and 15.87 % of a
    Gaussian lie more than two and more than one sigma below its middle. It is taken in 4x4
    tiles, and the lower quartile of them holds for the frame: a nebula or a galaxy roughens the
    tiles it fills.
    """
    step = max(1, int(np.sqrt(binned.size / _NOISE_SAMPLE)))
    sample = np.empty([-(-side // step) for side in binned.shape], np.float32)
    _sample_smoothed(binned, step, sample)
    high, wide = sample.shape[0] // _TILES, sample.shape[1] // _TILES
    if min(high, wide) < _LEAST_TILE:
        tiles = sample.reshape(1, -1)
    else:
        cut = sample[: high * _TILES, : wide * _TILES].reshape(_TILES, high, _TILES, wide)
        tiles = cut.swapaxes(1, 2).reshape(_TILES**2, high * wide)
    far, near = (int(part * (tiles.shape[1] - 1) + 0.5) for part in (0.0227501, 0.158655))
    spreads = np.empty(len(tiles), np.float32)
    _spreads(tiles, far, near, spreads)
    spreads.sort()
    return float(spreads[len(spreads) // 4]) or float("inf")


def _merge(
    noises: list[float], found: list[tuple[int, NDArray[np.float64]]], bins: tuple[int, int]
) -> Peaks:
    """Join the scales' peaks, most significant first, each place once."""
    x, y, significance, reach = [], [], [], []
    for level, rows in found:
        bin_px = 2.0 ** (level + 1)
        y.append((rows[:, 0] + 0.5) * bin_px - 0.5)
        x.append((rows[:, 1] + 0.5) * bin_px - 0.5)
        significance.append(rows[:, 2] / noises[level])
        reach_px = _FWHM_PER_SIGMA * bin_px * float(np.sqrt(_KERNEL_VARIANCE))
        reach.append(np.full(len(rows), reach_px))
    if not x:
        return _no_peaks()
    columns: list[NDArray[np.float64]] = [
        np.concatenate(part) for part in (x, y, significance, reach)
    ]
    order = _most_first(columns[2])[:_MAX_PEAKS]
    xs, ys, sig, width = (column[order] for column in columns)
    kept = _keep_once(xs, ys, width, bins)
    return Peaks(x_px=xs[kept], y_px=ys[kept], significance=sig[kept], reach_px=width[kept])


def _most_first(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """Places of the highest values first, of equals in the order they have.

    Sorting that heeds that order takes ten times as long, and equals are rare.
    """
    order = np.argsort(-values)
    ranked = values[order]
    if np.any(ranked[1:] == ranked[:-1]):
        order = np.argsort(-values, kind="stable")
    return order


@compiled
def _bin_pixels(pixels, mesh, cells_per_y, cells_per_x, noise, binned):
    """Background-subtracted means of 2x2 pixels, single hot pixels removed.

    Pixels without value count as background.
    """
    my, mx = binned.shape
    level, found = np.empty((2, mx), np.float32), np.empty(mx + 1, np.int64)
    last = len(mesh) - 1
    across = np.empty((last + 1, mx), np.float32)
    for m in range(last + 1):
        _background_row(mesh, cells_per_y, cells_per_x, (m + 0.5) / cells_per_y - 0.5, across[m])
    for j in range(my + 1):
        if j < my:
            v = (2.0 * j + 1.0) * cells_per_y - 0.5
            m = min(max(int(np.floor(v)), 0), max(last - 1, 0))
            before, after, part = across[m], across[min(m + 1, last)], np.float32(v - m)
            row, top, low, means = level[j % 2], pixels[2 * j], pixels[2 * j + 1], binned[j]
            for i in range(mx):
                row[i] = before[i] + part * (after[i] - before[i])
            for i in range(mx):
                mean = np.float32(0.25) * (
                    np.float32(top[2 * i]) + np.float32(top[2 * i + 1])
                    + np.float32(low[2 * i]) + np.float32(low[2 * i + 1])
                ) - row[i]  # fmt: skip
                means[i] = np.float32(0.0) if np.isnan(mean) else mean
        # One row later the pixels below it are in the processor's cache too.
        if j > 0:
            _take_off_hot(pixels, j - 1, level[(j - 1) % 2], noise, binned[j - 1], found)


@inlined
def _take_off_hot(pixels, j, level, noise, means, found):
    """Take the light of hot pixels off row j of the map; `found` is room for one place more."""
    suspicious = np.float32(HOT_SIGMA * noise / 4)
    count = 0
    for start in range(0, len(means), _CHUNK):
        end = min(start + _CHUNK, len(means))
        if end - start == _CHUNK and not _any_above(means[start : start + _CHUNK], suspicious):
            continue
        for i in range(start, end):
            # Written in any case and kept only where it counts: no branch to mispredict.
            found[count] = i
            count += 1 if means[i] > suspicious else 0
    for k in range(count):
        i = found[k]
        means[i] -= hot_excess(pixels, 2 * j, 2 * i, level[i], noise) / np.float32(4)


@inlined
def _any_above(chunk, limit):
    """Whether any value of a whole chunk exceeds a limit.

    Written so that vector instructions do it, which want a loop of known length.
    """
    above = np.float32(0)
    for i in range(_CHUNK):
        above += max(chunk[i] - limit, np.float32(0))
    return above > 0


@inner
def _background_row(mesh, cells_per_y, cells_per_x, y_px, row):
    """Background along one row of 2x2 bins: straight lines between the cells' centres."""
    n = len(row)
    mx = mesh.shape[1]
    if mx == 1:
        for i in range(n):
            row[i] = level_at(mesh, cells_per_y, cells_per_x, y_px, 0.0)
        return
    start = 0
    for i in range(mx - 1):
        # Last bin whose centre lies before the next cell's centre.
        end = n if i == mx - 2 else min(n, int(((i + 1.5) / cells_per_x - 1.0) / 2.0) + 1)
        if end <= start:
            continue
        first = level_at(mesh, cells_per_y, cells_per_x, y_px, 2.0 * start + 0.5)
        last = level_at(mesh, cells_per_y, cells_per_x, y_px, 2.0 * (end - 1) + 0.5)
        slope = np.float32((last - first) / max(end - 1 - start, 1))
        base = np.float32(first)
        for k in range(start, end):
            row[k] = base + slope * np.float32(k - start)
        start = end


@compiled
def _spreads(tiles, far, near, spreads):
    """Difference of two ranks of each row's values, near less far."""
    n = tiles.shape[1]
    keys = np.empty(n, np.int32)
    for k in range(len(tiles)):
        # As whole numbers that rise with the values.
        bits = tiles[k].view(np.int32)
        for i in range(n):
            keys[i] = bits[i] ^ ((bits[i] >> 31) & 0x7FFFFFFF)
        spreads[k] = _ranked(keys, tiles[k], near) - _ranked(keys, tiles[k], far)


@inner
def _ranked(keys, values, rank):
    """Value that has so many below it, by halving where its key may be.

    numpy's sorting in part takes twice as long: to count is what vector instructions do best.
    """
    low, high = -(1 << 31), (1 << 31) - 1
    while low < high:
        middle = (low + high) >> 1
        limit, count = np.int32(middle), np.float32(0)
        for i in range(len(keys)):
            count += np.float32(1) if keys[i] <= limit else np.float32(0)
        if count > rank:
            high = middle
        else:
            low = middle + 1
    found = values[0]
    for i in range(len(keys)):
        found = values[i] if keys[i] == low else found
    return found


@compiled
def _sample_smoothed(binned, step, sample):
    """Every `step`-th value both ways of a map smoothed as in `_smooth_row`."""
    mx = binned.shape[1]
    column, smooth = np.empty(mx + 2, np.float32), np.empty(mx, np.float32)
    for j in range(sample.shape[0]):
        _smooth_row(binned, j * step, column, smooth)
        for i in range(sample.shape[1]):
            sample[j, i] = smooth[i * step]


@inner
def _smooth_row(binned, j, column, smooth):
    """Row j smoothed with weights 1/4, 1/2, 1/4 along both axes; edges repeat their last value."""
    my, mx = binned.shape
    above, here, below = binned[max(j - 1, 0)], binned[j], binned[min(j + 1, my - 1)]
    for i in range(mx):
        column[i + 1] = np.float32(0.0625) * (above[i] + below[i]) + np.float32(0.125) * here[i]
    column[0], column[mx + 1] = column[1], column[mx]
    for i in range(mx):
        smooth[i] = column[i] + np.float32(2.0) * column[i + 1] + column[i + 2]


@compiled
def _local_maxima(binned, limit, rows, coarser):
    """Local maxima of a smoothed map above a limit: rows of (y bin, x bin, value).

    Returns how many. On the way `coarser` receives means of 2x2 values of the map itself, so that
    it is read once. Only three smoothed rows are kept at a time, and they stay in the cache.
    """
    my, mx = binned.shape
    limit = np.float32(limit)
    # The fourth row stands for what lies outside the map, lower than anything.
    column, smooth = np.empty(mx + 2, np.float32), np.empty((4, mx), np.float32)
    for i in range(mx):
        smooth[3, i] = -np.inf
    count = 0
    for j in range(-1, my):
        if j + 1 < my:
            _smooth_row(binned, j + 1, column, smooth[(j + 1) % 3])
        if j < 0:
            continue
        if j % 2 == 1:
            _mean_row(binned[j - 1], binned[j], coarser[j // 2])
        above = smooth[(j - 1) % 3 if j > 0 else 3]
        here, below = smooth[j % 3], smooth[(j + 1) % 3 if j + 1 < my else 3]
        for start in range(0, mx, _CHUNK):
            end = min(start + _CHUNK, mx)
            if end - start == _CHUNK and not _any_above(here[start : start + _CHUNK], limit):
                continue
            for i in range(start, end):
                # The neighbour before decides nearly all.
                if here[i] <= limit or (i > 0 and here[i - 1] >= here[i]):
                    continue
                if count < len(rows) and _is_highest(above, here, below, i):
                    rows[count, 0], rows[count, 1], rows[count, 2] = j, i, here[i]
                    count += 1
    return count


@inlined
def _mean_row(top, low, means):
    for i in range(len(means)):
        means[i] = np.float32(0.25) * (top[2 * i] + top[2 * i + 1] + low[2 * i] + low[2 * i + 1])


@inlined
def _is_highest(above, here, below, i):
    """Whether no neighbour is higher; of equal ones the first counts."""
    if i > 0 and here[i - 1] >= here[i]:
        return False
    if i + 1 < len(here) and here[i + 1] > here[i]:
        return False
    for a in range(max(i - 1, 0), min(i + 2, len(here))):
        if above[a] >= here[i] or below[a] > here[i]:
            return False
    return True


@compiled
def _keep_once(x_px, y_px, reach_px, bins):
    """Walk from the most significant peak down; each kept one claims a disc of its reach.

    A peak inside a claimed disc, or whose own disc holds the center of a kept peak, is the
    same object seen at another scale. `bins` is the shape (my, mx) of the finest scale's map.
    """
    my, mx = bins
    kept = np.zeros(len(x_px), np.bool_)
    if len(x_px) == 0:
        return kept
    # Kept peaks by square of the map, each pointing to the one before it: only those of squares
    # next to it can be near a peak.
    wide = 1.0
    for k in range(len(x_px)):
        wide = max(wide, 0.5 * reach_px[k] + 1.0)
    high, across = int(my / wide) + 1, int(mx / wide) + 1
    # One more than the number of the peak; 0 for none.
    latest, before = np.zeros((high, across), np.int64), np.empty(len(x_px), np.int64)
    for k in range(len(x_px)):
        v, u, radius = (y_px[k] - 0.5) / 2, (x_px[k] - 0.5) / 2, 0.5 * reach_px[k]
        j, i = min(max(int(v + 0.5), 0), my - 1), min(max(int(u + 0.5), 0), mx - 1)
        row, column = int(j / wide), int(i / wide)
        free = True
        for b in range(max(row - 1, 0), min(row + 2, high)):
            for a in range(max(column - 1, 0), min(column + 2, across)):
                m = latest[b, a] - 1
                while m >= 0 and free:
                    v2, u2, radius2 = (y_px[m] - 0.5) / 2, (x_px[m] - 0.5) / 2, 0.5 * reach_px[m]
                    j2, i2 = int(v2 + 0.5), int(u2 + 0.5)
                    claimed = (j - v2) ** 2 + (i - u2) ** 2 <= radius2 * radius2
                    free = not claimed and (j2 - v) ** 2 + (i2 - u) ** 2 > radius * radius
                    m = before[m] - 1
        if free:
            kept[k] = True
            before[k], latest[row, column] = latest[row, column], k + 1
    return kept
