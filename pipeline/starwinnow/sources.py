"""Peaks to objects: where exactly, how bright, and whether they may serve as stars."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined, inner
from starwinnow.detection import Peaks
from starwinnow.flags import StarFlag, raise_flag
from starwinnow.frame import Frame
from starwinnow.quantile import quantile
from starwinnow.scratch import scratch

__all__ = ["Sources", "cover", "find_sources", "flag_neighbours", "lights_nearby"]

# Brightest objects kept: more add nothing to a frame's figures or to relating frames.
_MAX_SOURCES = 1500
# Pixels this close to the sensor's upper limit are no longer linear; common practice.
_SATURATION_PART = 0.95
# At least this many pixels at exactly the frame's highest value show a sensor at its limit.
_SATURATION_PIXELS = 3
_SIGMA_PER_FWHM = 0.424661
# Rough sizes of broken images can be anything; their light is not followed further than this.
_FARTHEST_LIGHT_PX = 60.0
# Part of the light beside that of a point, in the wider of two windows, beyond which an object
# is too wide for them; see `_rough_size`.
_MOST_LIGHT = 0.95
# Width of the centring window, from the width of the smoothing that showed the object best.
_WINDOW_PER_REACH = 0.7


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Objects of one frame, most significant first; equal lengths n.

    Attributes
    ----------
    x_px, y_px : ndarray of float64, shape (n,)
        Windowed centroid, px.
    significance : ndarray of float64, shape (n,)
        Detection significance, about the signal-to-noise ratio.
    peak_adu : ndarray of float64, shape (n,)
        Brightest pixel of the core above the background, ADU.
    size_px : ndarray of float64, shape (n,)
        Rough FWHM, px.
    flags : ndarray of int32, shape (n,)
        Bits of `StarFlag`.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    significance: NDArray[np.float64]
    peak_adu: NDArray[np.float64]
    size_px: NDArray[np.float64]
    flags: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.x_px)


def find_sources(frame: Frame, background: Background, peaks: Peaks) -> Sources:
    """Centre the peaks and flag those at the sensor's limit or at the frame's edge.

    The centroid is the mean weighted by the light and by a Gaussian window of the object's
    rough size, iterated.

    Parameters
    ----------
    frame : Frame
        Pixels and, where its header states one, the saturation level.
    background : Background
        Of the same frame.
    peaks : Peaks
        Of the same frame.

    Returns
    -------
    Sources
        The 1,500 most significant at most.
    """
    chosen = slice(0, _MAX_SOURCES)
    place = np.stack([peaks.x_px[chosen], peaks.y_px[chosen]], axis=1)
    window = np.maximum(_WINDOW_PER_REACH * peaks.reach_px[chosen], 2.5)
    size = window.copy()
    peak, highest, edge = np.empty(len(place)), np.empty(len(place)), np.zeros(len(place), bool)
    _center(
        frame.pixels, background.mesh_adu, background.cells_per_px, place, size, peak, highest, edge
    )
    flags = np.zeros(len(place), np.int32)
    raise_flag(flags, edge, StarFlag.EDGE)
    # Five times as wide as the smoothing that showed it best: no compact object, but a knot in
    # something wider.
    raise_flag(flags, size >= _widest_size(window), StarFlag.NOT_A_STAR)
    limit = _saturation_limit(frame, background, place, highest)
    raise_flag(flags, highest >= _SATURATION_PART * limit, StarFlag.SATURATED)
    return Sources(
        x_px=place[:, 0].copy(),
        y_px=place[:, 1].copy(),
        significance=peaks.significance[chosen],
        peak_adu=peak,
        size_px=size,
        flags=flags,
    )


def _widest_size(window_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Size at which `_rough_size` ends for windows of these FWHM, px, less rounding."""
    widest: NDArray[np.float64] = (
        0.999 * window_px * np.sqrt((4 * _MOST_LIGHT - 1) / (1 - _MOST_LIGHT))
    )
    return widest


def _light_radius(sources: Sources, background: Background) -> NDArray[np.float64]:
    """How far from each object its light shows, px, shape (n,).

    Out to where a Moffat of beta 2.5, wider in its wings than seeing makes them, has fallen to
    5 % of the noise.
    """
    ratio = np.maximum(sources.peak_adu / (0.05 * background.noise_adu), 1.0)
    kappa, beta = 2 ** (1 / 2.5) - 1, 2.5
    widths = np.sqrt((ratio ** (1 / beta) - 1) / kappa)
    radius: NDArray[np.float64] = 0.5 * np.maximum(sources.size_px, 1.5) * widths
    return np.minimum(radius, _FARTHEST_LIGHT_PX)


def cover(sources: Sources, background: Background, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Which 2x2 bins of a frame of `shape` (ny, nx) the objects' light reaches.

    Returns
    -------
    ndarray of bool, shape (ny // 2, nx // 2)
        Lost at the thread's next frame.
    """
    covered = scratch("covered", (shape[0] // 2, shape[1] // 2), np.bool_)
    covered[:] = False
    _cover(sources.x_px, sources.y_px, _light_radius(sources, background) + 1.0, covered)
    return covered


def lights_nearby(
    sources: Sources, background: Background, reach_px: float, chosen: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Other objects whose light may fall within `reach_px` of each of the chosen ones.

    Returns
    -------
    ndarray of float64, shape (k, 10, 3)
        x, y and how far their light shows, px; nearest first, NaN where there are fewer.
    """
    radius = _light_radius(sources, background)
    # The brightest few reach further than this, but their neighbours are blended or few.
    index, _ = _nearby(sources, reach_px + quantile(radius, 0.9), most=10)
    columns = [np.append(column, np.nan) for column in (sources.x_px, sources.y_px, radius)]
    return np.stack(columns, axis=1)[index[chosen]]


def _nearby(
    sources: Sources, reach_px: float, most: int
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Index (n, most) of each source's neighbours within reach, nearest first, and distance.

    Where there are fewer the index is n and the distance infinite.
    """
    n = len(sources)
    index = np.full((n, most), n, np.intp)
    distance = np.full((n, most), np.inf)
    order = np.argsort(sources.x_px)
    _neighbours(sources.x_px, sources.y_px, order, reach_px, index, distance)
    return index, distance


def flag_neighbours(
    sources: Sources, fwhm_px: float, radius_px: float
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Flag blended objects; give each object's neighbours so that the fit keeps off them.

    Blended is an object with a neighbour of a twentieth of its light or more within 1.6 FWHM,
    where the cores run together, or with one three times as bright inside the fitted disc. The
    second images of a doubled frame are all stars' alike and blend none; nor do objects four
    times as large, on which a star lies as on a sloping background.

    Parameters
    ----------
    sources : Sources
    fwhm_px : float
        Rough size of the frame's stars, px.
    radius_px : float
        Radius of the fitted disc, px.

    Returns
    -------
    flags : ndarray of int32, shape (n,)
        The sources' flags with BLENDED added.
    neighbours : ndarray of float64, shape (n, 6, 3)
        x and y of neighbours, and 0 as the reach of their light, px; NaN where there are fewer.
    """
    index, distance = _nearby(sources, radius_px + 2 * fwhm_px, most=6)
    harmless = (sources.flags & StarFlag.SECOND_IMAGE != 0) | (sources.size_px > 4 * fwhm_px)
    padded = np.append(np.where(harmless, 0.0, sources.significance), 0.0)
    ratio = padded[index] / sources.significance[:, np.newaxis]
    near = (distance < 1.6 * fwhm_px) & (ratio > 0.05)
    bright = (distance < radius_px + fwhm_px) & (ratio > 3.0)
    flags = sources.flags.copy()
    raise_flag(flags, np.any(near | bright, axis=1), StarFlag.BLENDED)
    positions = np.full((len(sources) + 1, 3), np.nan)
    positions[:-1, 0], positions[:-1, 1], positions[:-1, 2] = sources.x_px, sources.y_px, 0.0
    return flags, positions[index]


def _saturation_limit(
    frame: Frame, background: Background, place: NDArray[np.float64], highest: NDArray[np.float64]
) -> float:
    """Upper limit in ADU as stated, or as shown by pixels piled up at the highest value.

    By chance a few pixels of unsaturated stars share the highest value too, but then more lie
    just below it.
    """
    stated = frame.capture.saturation_adu
    if len(highest) == 0:
        return float("inf")
    top = float(highest.max())
    if stated is not None and stated <= top:
        return stated
    near = top - (1 - _SATURATION_PART) * (top - background.level_adu)
    piled, below = 0, 0
    for k in np.flatnonzero(highest >= near)[:20]:
        x, y = int(place[k, 0]), int(place[k, 1])
        window = frame.pixels[max(y - 8, 0) : y + 9, max(x - 8, 0) : x + 9]
        piled += int(np.count_nonzero(window == top))
        below += int(np.count_nonzero((window >= near) & (window < top)))
    if piled >= _SATURATION_PIXELS and piled > below:
        return top
    return stated if stated is not None else float("inf")


# Wide enough for five sigma either side of the widest window.
_LONGEST_WINDOW = 128


@inner
def _windowed(pixels, level, x0, y0, sigma, reach, window):
    """Light through a Gaussian window and its first moments, and light through its 4th power.

    Returns (total, x moment, y moment, narrow total): the window of power 4 is half as wide.
    """
    ny, nx = pixels.shape
    low_x, high_x = max(int(x0 - reach), 0), min(int(x0 + reach) + 2, nx)
    low_y, high_y = max(int(y0 - reach), 0), min(int(y0 + reach) + 2, ny)
    wide = max(high_x - low_x, 0)
    by_x, offset = window[0, :wide], window[1, :wide]
    for i in range(wide):
        offset[i] = low_x + i - x0
    _fill_gaussian(by_x, low_x - x0, 0.5 / (sigma * sigma))
    _fill_gaussian(window[2, : max(high_y - low_y, 0)], low_y - y0, 0.5 / (sigma * sigma))
    total, mx, my, narrow = 0.0, 0.0, 0.0, 0.0
    for y in range(low_y, high_y):
        by_y = window[2, y - low_y]
        row = pixels[y, low_x : low_x + wide]
        along, along_x, along_narrow = 0.0, 0.0, 0.0
        # No branch inside: the loop then uses vector instructions.
        for i in range(wide):
            value = row[i] - level
            weight = 0.0 if np.isnan(value) else value * by_x[i]
            along += weight
            along_x += weight * offset[i]
            along_narrow += weight * by_x[i] ** 3
        total += by_y * along
        mx += by_y * along_x
        my += by_y * along * (y - y0)
        narrow += by_y**4 * along_narrow
    return total, mx, my, narrow


@inner
def _fill_gaussian(values, start, steepness):
    """Fill in exp(-steepness x^2) at start, start + 1, ...: each value from the one before."""
    value, ratio = np.exp(-steepness * start * start), np.exp(-steepness * (2.0 * start + 1.0))
    falling = np.exp(-2.0 * steepness)
    for i in range(len(values)):
        values[i] = value
        value *= ratio
        ratio *= falling


@inlined
def _rough_size(pixels, level, x0, y0, sigma, window):
    """FWHM from the light in two Gaussian windows, taking the star as a Gaussian.

    A window of variance k lets through k / (k + v) of a star of variance v, so the ratio of
    the light in windows of variance 4 k and k gives v. Derived here; noise makes it rough.
    """
    wide, _, _, narrow = _windowed(pixels, level, x0, y0, 2.0 * sigma, 5.0 * sigma, window)
    part = min(max(wide / (4.0 * narrow), 0.26), _MOST_LIGHT) if narrow > 0 else 0.26
    return np.sqrt(sigma * sigma * (4.0 * part - 1.0) / (1.0 - part)) / _SIGMA_PER_FWHM


@inlined
def _core(pixels, k, place, size, level, peak, highest, edge):
    """Highest pixel within half a FWHM of the centre, and whether the core is complete."""
    ny, nx = pixels.shape
    x0, y0 = place[k]
    half = max(int(0.5 * size[k] + 0.5), 1)
    xi, yi = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
    margin = 2 * half
    if xi < margin or yi < margin or xi >= nx - margin or yi >= ny - margin:
        edge[k] = True
    best = -np.inf
    for y in range(max(yi - half, 0), min(yi + half + 1, ny)):
        for x in range(max(xi - half, 0), min(xi + half + 1, nx)):
            value = pixels[y, x] + 0.0
            if np.isnan(value):
                edge[k] = True
            elif value > best:
                best = value
    highest[k] = best
    peak[k] = best - level


@compiled
def _center(pixels, mesh, cells_per_px, place, size, peak, highest, edge):
    """Move each place to the windowed centroid, and measure size, peak and completeness."""
    window = np.empty((3, _LONGEST_WINDOW))
    for k in range(len(place)):
        x0, y0 = place[k]
        sigma = _SIGMA_PER_FWHM * size[k]
        level = level_at(mesh, cells_per_px[0], cells_per_px[1], y0, x0)
        for _ in range(3):
            total, mx, my, _ = _windowed(pixels, level, x0, y0, sigma, 3.0 * sigma, window)
            if total <= 0:
                break
            # The window pulls towards its own centre; twice the step undoes that for a
            # star of the window's size.
            x0 += min(max(2.0 * mx / total, -1.0), 1.0)
            y0 += min(max(2.0 * my / total, -1.0), 1.0)
        if abs(x0 - place[k, 0]) + abs(y0 - place[k, 1]) < 2.0 * size[k] + 2.0:
            place[k, 0], place[k, 1] = x0, y0
        size[k] = _rough_size(pixels, level, place[k, 0], place[k, 1], sigma, window)
        _core(pixels, k, place, size, level, peak, highest, edge)


@compiled
def _cover(x_px, y_px, radius_px, covered):
    for k in range(len(x_px)):
        v, u, radius = (y_px[k] - 0.5) / 2, (x_px[k] - 0.5) / 2, radius_px[k] / 2
        top, bottom = int(np.ceil(v - radius)), int(np.floor(v + radius))
        for b in range(max(top, 0), min(bottom + 1, len(covered))):
            half = np.sqrt(max(radius * radius - (b - v) ** 2, 0.0))
            first, last = max(int(np.ceil(u - half)), 0), max(int(np.floor(u + half)), -1)
            row = covered[b, first : last + 1]
            for a in range(len(row)):
                row[a] = True


@compiled
def _neighbours(x_px, y_px, order, reach, index, distance):
    """Sweep along x and keep the nearest few of each source within reach."""
    n, most = index.shape
    for a in range(n):
        i = order[a]
        for b in range(a + 1, n):
            j = order[b]
            dx = x_px[j] - x_px[i]
            if dx > reach:
                break
            far = np.sqrt(dx * dx + (y_px[j] - y_px[i]) ** 2)
            if far <= reach:
                _insert(i, j, far, most, index, distance)
                _insert(j, i, far, most, index, distance)


@inlined
def _insert(i, j, far, most, index, distance):
    if far >= distance[i, most - 1]:
        return
    m = most - 1
    while m > 0 and distance[i, m - 1] > far:
        distance[i, m], index[i, m] = distance[i, m - 1], index[i, m - 1]
        m -= 1
    distance[i, m], index[i, m] = far, j
