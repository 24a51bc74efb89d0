"""What is ordinary in a run: the commonest course of a figure, and how far it scatters."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures
from starwinnow.same_field import start_utc
from starwinnow.site import airmass_of

__all__ = ["NEAR_SIGMA", "Ordinary", "course_of", "local_level", "ordinary_of"]

Column = NDArray[np.float64]

_SIGMA_PER_MAD = 1.4826
NEAR_SIGMA = 2.5
"""Values within so many deviations of the level are ordinary."""

_ROUNDS = 4
# The commonest value is looked for within so many deviations of single values.
_WIDTH_PER_SIGMA, _LEAST_WIDTH = 2.5, 0.01
# Largest slow change over a run, in ln, that a sinking target makes, and steps towards it; a
# course is only believed when clearly more frames follow it (common practice, no source).
_MOST_COURSE, _COURSES = 0.5, 61
_COURSE_PRICE = 0.15
_FEWEST_FOR_COURSE = 16
# So many frames, and this part of all, are enough to tell what is ordinary.
_FEWEST_AMONG, _PART_AMONG = 12, 0.25
# Airmass that stays within this tells no more than time does.
_LEAST_AIRMASS_CHANGE = 0.02
# The slow wander of air is looked at over so many frames; at 40 times that nothing is left in 64
# bits.
_WANDER_FRAMES = 4.0
_WANDER_REACH = 160


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ordinary:
    """Level and scatter of what is ordinary.

    Attributes
    ----------
    level : ndarray of float64, shape (n,)
        Commonest value at each frame's time.
    sigma : float
        Standard deviation about that, judged from the better side.
    white : float
        Standard deviation from one frame to the next.
    """

    level: Column
    sigma: float
    white: float

    def near(self, values: Column) -> NDArray[np.bool_]:
        """Which values are ordinary."""
        near: NDArray[np.bool_] = np.abs(values - self.level) <= NEAR_SIGMA * self.sigma
        return near


def ordinary_of(
    values: Column, errors: Column, course: Column, among: NDArray[np.bool_] | None = None
) -> Ordinary:
    """Find what is ordinary among values of which the lower are the better.

    Parameters
    ----------
    values, errors : ndarray of float64, shape (n,)
        In time order.
    course : ndarray of float64, shape (n,)
        What values may slowly change with, from 0 to 1: time, or air on the way.
    among : ndarray of bool, shape (n,), optional
        Frames that are ordinary otherwise. Where they are enough, they alone tell: what goes wrong
        in two ways at once must not make either of them ordinary.

    Returns
    -------
    Ordinary
        The level most values lie near, straight along the course. Only the better side tells the
        scatter: the other holds what went wrong.
    """
    everywhere, steps = course, _step_scatter(values)
    if among is not None and np.count_nonzero(among) >= max(
        _FEWEST_AMONG, _PART_AMONG * len(among)
    ):
        values, errors, course = values[among], errors[among], course[among]
        # Troubles widen both: the smaller is nearer the truth.
        steps = min(steps, _step_scatter(values))
    white = max(float(np.median(errors)), steps, 1e-4)
    width = max(_WIDTH_PER_SIGMA * white, _LEAST_WIDTH)
    slope, level = _densest_line(values, course, width)
    sigma = width
    for _ in range(_ROUNDS):
        left = values - slope * course - level
        better = np.append(-left[left <= 0], 0.0)
        sigma = max(white, _SIGMA_PER_MAD * float(np.median(better)))
        near = np.abs(left) <= NEAR_SIGMA * sigma
        level += float(np.median(left[near])) if near.any() else 0.0
        if slope and np.count_nonzero(near) >= _FEWEST_FOR_COURSE:
            slope, level = _line(values[near], course[near])
    return Ordinary(level=level + slope * everywhere, sigma=sigma, white=white)


def course_of(frames: Sequence[FrameMeasures]) -> Column:
    """Give what the air on the way slowly changes with, from 0 to 1.

    The airmass where site and target are known; else the time, or the order.
    """
    air = np.array([airmass_of(one.capture) for one in frames])
    starts = [start_utc(one) for one in frames]
    if np.isfinite(air).all() and np.ptp(air) > _LEAST_AIRMASS_CHANGE:
        course = air
    elif all(start is not None for start in starts):
        course = np.array([start.timestamp() for start in starts if start is not None])
    else:
        course = np.arange(len(frames), dtype=np.float64)
    change: Column = (course - course.min()) / max(float(np.ptp(course)), 1e-9)
    return change


def local_level(values: Column, ordinary: NDArray[np.bool_], of: Ordinary) -> tuple[Column, Column]:
    """Where the slow wander of the ordinary frames around each one puts it.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        Less the ordinary level.
    ordinary : ndarray of bool, shape (n,)
        Frames that tell the wander.
    of : Ordinary
        Its `sigma` is that of the wander as a whole, `white` that of single frames.

    Returns
    -------
    level, sigma : ndarray of float64, shape (n,)
        Expected value of each frame, and how far it scatters about that. Far from ordinary
        frames they are 0 and the scatter of the run.
    """
    wander = max(of.sigma**2 - of.white**2, 0.04 * of.white**2)
    pull = of.white**2 / wander
    total = _around(ordinary.astype(np.float64))
    level: Column = _around(np.where(ordinary, values, 0.0)) / (total + pull)
    sigma: Column = np.sqrt(of.white**2 * (1 + 1 / (total + pull)) + wander * pull / (total + pull))
    return level, np.minimum(sigma, math.hypot(of.sigma, of.white))


def _around(values: Column) -> Column:
    """Sum of the values around each one, without it, the nearer the weightier; shape (n,)."""
    away = np.abs(np.arange(-_WANDER_REACH, _WANDER_REACH + 1))
    weight = np.where(away > 0, np.exp(-away / _WANDER_FRAMES), 0.0)
    around: Column = np.convolve(values, weight)[_WANDER_REACH : _WANDER_REACH + len(values)]
    return around


def _step_scatter(values: Column) -> float:
    """Estimate the standard deviation of single values from those of neighbours."""
    if len(values) < 4:
        return 0.0
    return _SIGMA_PER_MAD * float(np.median(np.abs(np.diff(values)))) / math.sqrt(2)


def _densest_line(values: Column, course: Column, width: float) -> tuple[float, float]:
    """Slope and start of the line that most values lie near."""
    slopes = np.zeros(1)
    if len(values) >= _FEWEST_FOR_COURSE:
        slopes = np.linspace(-_MOST_COURSE, _MOST_COURSE, _COURSES)
    few = np.unique(np.linspace(0, len(values) - 1, 200).round().astype(int))
    best = (-math.inf, 0.0, 0.0)
    for slope in slopes[np.argsort(np.abs(slopes), kind="stable")]:
        left = values - slope * course
        apart = left[few][:, np.newaxis] - left[few]
        density = np.exp(-0.5 * (apart / width) ** 2).mean(axis=1)
        fullest = int(np.argmax(density))
        score = float(density[fullest]) - _COURSE_PRICE * abs(float(slope))
        if score > best[0]:
            best = (score, float(slope), float(left[few][fullest]))
    return best[1], best[2]


def _line(values: Column, course: Column) -> tuple[float, float]:
    """Least squares, slope held within what a sinking target makes."""
    off = course - course.mean()
    slope = float(off @ (values - values.mean())) / max(float(off @ off), 1e-9)
    slope = min(max(slope, -_MOST_COURSE), _MOST_COURSE)
    return slope, float(np.median(values - slope * course))
