"""Straight streaks of satellites and aircraft: many objects along one line, and light between."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled
from starwinnow.flags import StarFlag
from starwinnow.frame import Pixels
from starwinnow.frame_measures import Streak
from starwinnow.sources import Sources

__all__ = ["find_streak", "is_thin_line"]

# Objects along a streak lie this close to its middle line, px.
_HALF_WIDTH_PX = 2.5
# Every direction is tried, and every strip twice as wide as this part of the frame's diagonal, or
# as that. The line through what the fullest strip and its edges hold is drawn anew so often, the
# strip being half as wide each time until it is as wide as that.
_STRIP, _EDGES, _DRAWINGS = 1 / 400, 1.5, 5
# Shorter lines say little of a direction: they are an edge-on galaxy, or a group of stars.
_SHORTEST_PX = 100.0
# What keeps so closely to a column or a row is the sensor's, px.
_SAME_COLUMN_PX = 1.0
# Fewer in a line are chance or a chain of galaxies; so many beyond what chance expects are not
# (eight standard deviations of a Poisson count).
_LEAST_COUNT, _BEYOND_CHANCE = 12, 8.0
# How crowded a place is without a streak shows to its sides, near by and farther: a cluster's core
# is, and its middle most.
_BESIDE_PX = ((5.0, 15.0), (10.0, 30.0))
# Along a streak half of all pixels are brighter than its sides by this part of the noise, which
# stars in a row do not reach, and so near its middle it has fallen to half or less, which a
# comet's tail has not.
_LEAST_LIGHT, _CORE_PX, _FLANK_PX, _SIDE_PX = 0.5, 1, (6, 8), (25, 35)
# Objects of a streak follow each other at most this far apart, as a part of its length.
_LONGEST_GAP = 0.25


def find_streak(sources: Sources, shape: tuple[int, int]) -> tuple[Sources, Streak | None]:
    """Find the most crowded straight line of objects and flag those on it.

    Parameters
    ----------
    sources : Sources
    shape : tuple of int
        (ny, nx) of the frame, px.

    Returns
    -------
    sources : Sources
        With the objects along the streak flagged.
    streak : Streak or None
        None where no line holds more objects than chance puts there.
    """
    places = np.column_stack([sources.x_px, sources.y_px])
    # At the edges of a frame full of nebula objects lie in rows.
    whole = sources.flags & StarFlag.EDGE == 0
    if np.count_nonzero(whole) < _LEAST_COUNT:
        return sources, None
    place, aside = _along_fullest_line(places, whole, shape)
    on_line = np.flatnonzero(whole & (aside < _HALF_WIDTH_PX))
    diagonal = float(np.hypot(*shape))
    chance = len(sources) * 2 * _HALF_WIDTH_PX * diagonal / (shape[0] * shape[1])
    if len(on_line) < _least_count(chance):
        return sources, None
    on_line = _without_wide_gaps(on_line[np.argsort(place[on_line])], place)
    start, end = on_line[0], on_line[-1]
    along = (place >= place[start]) & (place <= place[end])
    crowded = max(
        np.count_nonzero(along & (aside > near) & (aside < far)) * _HALF_WIDTH_PX / (far - near)
        for near, far in _BESIDE_PX
    )
    if len(on_line) < _least_count(crowded) or not _is_streak(places[[start, end]]):
        return sources, None
    flags = sources.flags.copy()
    flags[on_line] |= StarFlag.STREAK
    streak = Streak(
        start_px=(float(places[start, 0]), float(places[start, 1])),
        end_px=(float(places[end, 0]), float(places[end, 1])),
    )
    return dataclasses.replace(sources, flags=flags), streak


def is_thin_line(pixels: Pixels, noise_adu: float, streak: Streak) -> bool:
    """Whether light runs all along a streak and no wider than a star.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU.
    noise_adu : float
        Standard deviation of a pixel between the stars.
    streak : Streak
        As `find_streak` gives it.
    """
    start, end = np.array(streak.start_px), np.array(streak.end_px)
    length = float(np.hypot(*(end - start)))
    along = (end - start) / length
    far = np.arange(-_SIDE_PX[1], _SIDE_PX[1] + 1)
    across = far[:, np.newaxis, np.newaxis] * np.array([-along[1], along[0]])
    x, y = np.moveaxis(start + np.arange(length)[:, np.newaxis] * along + across, -1, 0)
    column, row = (np.rint(place).astype(int) for place in (x, y))
    inside = (column >= 0) & (column < pixels.shape[1]) & (row >= 0) & (row < pixels.shape[0])
    light = np.where(inside, pixels[row * inside, column * inside], np.nan)
    # Half of a colour camera's pixels are green.
    known = np.count_nonzero(np.isfinite(light), axis=1) > length / 4
    profile = np.full(len(far), np.nan)
    profile[known] = np.nanmedian(light[known], axis=1)
    away = np.abs(far)
    core, flank, side = (
        float(np.nanmean(profile[(away >= near) & (away <= wide)]))
        for near, wide in ((0, _CORE_PX), _FLANK_PX, _SIDE_PX)
    )
    return core - side > _LEAST_LIGHT * noise_adu and flank - side < 0.5 * (core - side)


def _least_count(chance: float) -> float:
    """Objects on a line that chance does not put there where it puts so many on average."""
    return max(_LEAST_COUNT, chance + _BEYOND_CHANCE * float(np.sqrt(chance)))


def _without_wide_gaps(on_line: NDArray[np.intp], place: NDArray[np.float64]) -> NDArray[np.intp]:
    """Leave off stars that lie by chance on a streak's line, far beyond its ends."""
    while len(on_line) > 1:
        steps = np.diff(place[on_line])
        widest = int(np.argmax(steps))
        if steps[widest] <= _LONGEST_GAP * steps.sum():
            break
        on_line = max(on_line[: widest + 1], on_line[widest + 1 :], key=len)
    return on_line


def _is_streak(ends: NDArray[np.float64]) -> bool:
    """Whether a line between these ends, shape (2, 2), is long and no column or row."""
    way = np.abs(ends[1] - ends[0])
    return bool(np.hypot(*way) >= _SHORTEST_PX and way.min() >= _SAME_COLUMN_PX)


def _along_fullest_line(
    places: NDArray[np.float64], whole: NDArray[np.bool_], shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How far along the line that holds most whole objects each lies, and how far beside, px."""
    middle = np.array([shape[1], shape[0]]) / 2
    width = max(_HALF_WIDTH_PX, _STRIP * 2 * float(np.hypot(*middle)))
    reach = float(np.hypot(*middle)) + 4 * width
    angles = np.arange(0.0, np.pi, width / reach)
    counts = np.empty(2 * int(reach / width) + 2, np.int32)
    all_x, all_y = np.ascontiguousarray((places[whole] - middle).T)
    angle, off = _fullest_strip(all_x, all_y, angles, reach, width, counts)
    angle, x, y = _drawn_anew(all_x, all_y, angle, off, width)
    along = np.array([np.cos(angle), np.sin(angle)])
    away = places - (middle + np.array([x, y]))
    return away @ along, np.abs(away[:, 1] * along[0] - away[:, 0] * along[1])


@compiled
def _fullest_strip(x_px, y_px, angles, reach_px, width_px, counts):
    """Direction of the strip, twice `width_px` wide, that holds most objects, and where it lies.

    Hough 1962, US patent 3,069,654: each object votes for all lines through it (from memory).
    """
    best, best_angle, best_off = 0, 0.0, 0.0
    places = np.empty(len(x_px), np.uint32)
    for angle in angles:
        cosine, sine = np.cos(angle) / width_px, np.sin(angle) / width_px
        shift, last = reach_px / width_px, len(counts) - 1.0
        # Simple loops, each of which vector instructions or a short pipeline can do.
        for k in range(len(x_px)):
            places[k] = min(max(y_px[k] * cosine - x_px[k] * sine + shift, 0.0), last)
        for place in range(len(counts)):
            counts[place] = 0
        for k in range(len(x_px)):
            counts[places[k]] += 1
        most = 0
        for place in range(len(counts) - 1):
            most = max(most, counts[place] + counts[place + 1])
        if most > best:
            best, place = most, 1
            while counts[place - 1] + counts[place] < most:
                place += 1
            best_angle, best_off = angle, place * width_px - reach_px
    return best_angle, best_off


@compiled
def _drawn_anew(x_px, y_px, angle, off_px, width_px):
    """Direction of the line through what a strip and its edges hold, and a place on it.

    Drawn again and again, each time through a strip half as wide.
    """
    along_x, along_y = np.cos(angle), np.sin(angle)
    x0, y0 = -off_px * along_y, off_px * along_x
    for _ in range(_DRAWINGS):
        n, sx, sy, sxx, sxy, syy = 0, 0.0, 0.0, 0.0, 0.0, 0.0
        for k in range(len(x_px)):
            x, y = x_px[k] - x0, y_px[k] - y0
            if abs(y * along_x - x * along_y) < _EDGES * width_px:
                n += 1
                sx += x
                sy += y
                sxx += x * x
                sxy += x * y
                syy += y * y
        if n < _LEAST_COUNT:
            break
        x0 += sx / n
        y0 += sy / n
        # Direction in which they are spread widest.
        angle = 0.5 * np.arctan2(2.0 * (sxy - sx * sy / n), sxx - sx * sx / n - syy + sy * sy / n)
        along_x, along_y = np.cos(angle), np.sin(angle)
        width_px = max(_HALF_WIDTH_PX, width_px / 2)
    return angle, x0, y0
