"""Straight streaks of satellites and aircraft: many objects along one line."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled
from starwinnow.flags import StarFlag
from starwinnow.frame_measures import Streak
from starwinnow.sources import Sources

__all__ = ["find_streak"]

# Lines through two of the brightest objects are tried, and these many looked at.
_ENDS, _LOOKED_AT = 40, 400
# Objects along a streak lie this close to its middle line, in their own rough size.
_HALF_WIDTH_PX = 2.5
# Fewer in a line are chance or a chain of galaxies; so many beyond what chance expects are not
# (eight standard deviations of a Poisson count).
_LEAST_COUNT, _BEYOND_CHANCE = 12, 8.0
# How crowded a place is without a streak shows this far to its sides: a cluster's core is.
_BESIDE_PX = (10.0, 30.0)
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
    looked = min(len(sources), _LOOKED_AT)
    if looked < _LEAST_COUNT:
        return sources, None
    x, y = sources.x_px, sources.y_px
    first, second, count = _fullest_line(x[:looked], y[:looked], min(looked, _ENDS), _HALF_WIDTH_PX)
    diagonal = float(np.hypot(*shape))
    if count < _least_count(looked * 2 * _HALF_WIDTH_PX * diagonal / (shape[0] * shape[1])):
        return sources, None
    along = np.array([x[second] - x[first], y[second] - y[first]])
    along /= np.hypot(*along)
    place = (x - x[first]) * along[0] + (y - y[first]) * along[1]
    aside = np.abs((y - y[first]) * along[0] - (x - x[first]) * along[1])
    on_line = np.flatnonzero(aside < _HALF_WIDTH_PX)
    on_line = _without_wide_gaps(on_line[np.argsort(place[on_line])], place)
    beside = (aside > _BESIDE_PX[0]) & (aside < _BESIDE_PX[1])
    beside &= (place >= place[on_line[0]]) & (place <= place[on_line[-1]])
    crowded = np.count_nonzero(beside) * _HALF_WIDTH_PX / (_BESIDE_PX[1] - _BESIDE_PX[0])
    if len(on_line) < _least_count(crowded):
        return sources, None
    flags = sources.flags.copy()
    flags[on_line] |= StarFlag.STREAK
    start, end = on_line[0], on_line[-1]
    streak = Streak(
        start_px=(float(x[start]), float(y[start])), end_px=(float(x[end]), float(y[end]))
    )
    return dataclasses.replace(sources, flags=flags), streak


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


@compiled
def _fullest_line(x_px, y_px, ends, half_width):
    """Two of the first `ends` objects whose line has most objects near it, and how many."""
    best, first, second = 0, 0, 0
    for i in range(ends):
        for j in range(i):
            dx, dy = x_px[j] - x_px[i], y_px[j] - y_px[i]
            length = np.sqrt(dx * dx + dy * dy)
            # Ends close together say little of the direction.
            if length < 40.0 * half_width:
                continue
            count = 0
            for k in range(len(x_px)):
                aside = (y_px[k] - y_px[i]) * dx - (x_px[k] - x_px[i]) * dy
                count += 1 if abs(aside) < half_width * length else 0
            if count > best:
                best, first, second = count, i, j
    return first, second, best
