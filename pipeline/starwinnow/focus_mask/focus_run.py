"""A focusing run: offsets of several frames in time order -> where focus lies, and backlash."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.direction import UNTOUCHED_DEG
from starwinnow.focus_mask.focus_answer import FocusAnswer
from starwinnow.focus_mask.spike_angles import same_side, turned_by

__all__ = ["FocusRun", "RunPoint", "focus_run"]

_NAN = math.nan
# The run turns back where the offset retreats by so many errors.
_TURN_SIGMA = 3.0
# Beyond this many errors from the extreme the focuser has taken up its backlash.
_LEFT_SIGMA = 3.0
# At least this many frames of known place, besides the turn, tell backlash.
_LEAST_POINTS = 4
_Numbers = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPoint:
    """One frame of a run.

    Attributes
    ----------
    number : int
        Place of the frame in the run, from 1.
    place : float
        Focuser position, or where positions are not known `number`.
    offset_px, offset_err_px : float
        Signed alike in all frames of the run.
    """

    number: int
    place: float
    offset_px: float
    offset_err_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusRun:
    """What a focusing run shows.

    Attributes
    ----------
    points : tuple of RunPoint
        Frames with an offset, in time order.
    by_position : bool
        Whether places are focuser positions; else they are numbers of frames.
    turns : tuple of int
        Numbers of the frames at which the run turns back.
    crossing, crossing_err : float
        Place where the offset last passes zero, in the direction of travel at that point, and
        its standard error; NaN where it does not pass.
    crossing_frames : tuple of int or None
        Numbers of the frames before and after that crossing.
    backlash, backlash_err : float
        Travel lost at the first turn, in focuser positions, or without them in moves of the
        focuser if every move was equal; NaN where the run does not tell.
    reason : str
        Why the frames are no run; '' where they are.
    """

    points: tuple[RunPoint, ...] = ()
    by_position: bool = False
    turns: tuple[int, ...] = ()
    crossing: float = _NAN
    crossing_err: float = _NAN
    crossing_frames: tuple[int, int] | None = None
    backlash: float = _NAN
    backlash_err: float = _NAN
    reason: str = ""

    @property
    def rising(self) -> bool:
        """Whether the places rise where the run passes focus."""
        between = [point for point in self.points if point.number in (self.crossing_frames or ())]
        return len(between) == 2 and between[1].place > between[0].place


def focus_run(answers: Sequence[FocusAnswer], positions: Sequence[float | None]) -> FocusRun:
    """Follow the offset through a run.

    Parameters
    ----------
    answers : sequence of FocusAnswer
        In time order.
    positions : sequence of float or None
        Focuser positions of the frames, where their headers tell.

    Notes
    -----
    The crossing is interpolated between the two frames on either side of it, since moves by hand
    are not equal. Backlash compares straight lines of one common slope through the frames before
    and after the turn.
    """
    used = [
        (number, answer, position)
        for number, (answer, position) in enumerate(zip(answers, positions, strict=True), start=1)
        if math.isfinite(answer.offset_px + answer.offset_err_px)
    ]
    if len(used) < 2:
        return FocusRun(reason="fewer than two frames have an offset")
    first = used[0][1]
    if any(_turned(answer, first) for _, answer, _ in used):
        return FocusRun(reason="the spikes turned between the frames: mask or camera was moved")
    places = [position for _, _, position in used if position is not None]
    by_position = len(places) == len(used) and len(set(places)) > 1
    points = tuple(
        RunPoint(
            number=number,
            place=position if by_position and position is not None else float(number),
            offset_px=answer.offset_px
            * (1 if same_side(answer.spike_deg, first.spike_deg, first.kind) else -1),
            offset_err_px=answer.offset_err_px,
        )
        for number, answer, position in used
    )
    turns = _turns_by_place(points) if by_position else _turns_by_offset(points)
    crossing, crossing_err, between = _crossing(points)
    backlash, backlash_err = _backlash(points, turns, by_position=by_position)
    return FocusRun(
        points=points,
        by_position=by_position,
        turns=tuple(points[index].number for index in turns),
        crossing=crossing,
        crossing_err=crossing_err,
        crossing_frames=between,
        backlash=backlash,
        backlash_err=backlash_err,
    )


def _turned(answer: FocusAnswer, first: FocusAnswer) -> bool:
    turned = turned_by(answer.spike_deg, first.spike_deg, first.kind)
    return answer.kind != first.kind or turned > UNTOUCHED_DEG


def _turns_by_place(points: Sequence[RunPoint]) -> list[int]:
    """Find the indices at which the focuser position turns back."""
    turns, way = [], 0.0
    for index in range(1, len(points)):
        step = points[index].place - points[index - 1].place
        if step and way * step < 0:
            turns.append(index - 1)
        way = step or way
    return turns


def _turns_by_offset(points: Sequence[RunPoint]) -> list[int]:
    """Find the indices at which the offset turns back by more than chance."""
    turns: list[int] = []
    start = extreme = way = 0
    for index, point in enumerate(points):
        if way == 0:
            ahead = _apart(point, points[start])
            if abs(ahead) > _TURN_SIGMA:
                way, extreme = (1 if ahead > 0 else -1), index
        elif way * _apart(point, points[extreme]) > 0:
            extreme = index
        elif way * _apart(points[extreme], point) > _TURN_SIGMA:
            start = _first_near(points, extreme, start)
            turns.append(start)
            way, extreme = -way, index
    return turns


def _apart(higher: RunPoint, lower: RunPoint) -> float:
    """Difference of two offsets over its error."""
    error = math.hypot(higher.offset_err_px, lower.offset_err_px)
    return (higher.offset_px - lower.offset_px) / error


def _first_near(points: Sequence[RunPoint], extreme: int, start: int) -> int:
    """First frame that had come to the extreme: those after it stood in the backlash."""
    for index in range(start, extreme):
        if abs(_apart(points[index], points[extreme])) < _TURN_SIGMA:
            return index
    return extreme


def _crossing(points: Sequence[RunPoint]) -> tuple[float, float, tuple[int, int] | None]:
    """Last crossing of zero, by a straight line between the frames beside it."""
    for before, after in zip(points[-2::-1], points[:0:-1], strict=True):
        change = after.offset_px - before.offset_px
        if before.offset_px * after.offset_px > 0 or abs(_apart(after, before)) < _TURN_SIGMA:
            continue
        part = -before.offset_px / change
        travel = after.place - before.place
        error = abs(travel / change) * math.hypot(
            (1 - part) * before.offset_err_px, part * after.offset_err_px
        )
        return before.place + part * travel, error, (before.number, after.number)
    return _NAN, _NAN, None


def _backlash(
    points: Sequence[RunPoint], turns: Sequence[int], *, by_position: bool
) -> tuple[float, float]:
    """Travel between the lines before and after the first turn, and its error."""
    if not turns:
        return _NAN, _NAN
    turn, end = turns[0], turns[1] + 1 if len(turns) > 1 else len(points)
    before = list(points[: turn + 1])
    after = [
        point for point in points[turn + 1 : end] if abs(_apart(point, points[turn])) > _LEFT_SIGMA
    ]
    if len(before) < 2 or not after or len(before) + len(after) < _LEAST_POINTS:
        return _NAN, _NAN
    way = 1.0
    if by_position:
        way = math.copysign(1.0, points[turn].place - points[0].place)
        place = [point.place for point in [*before, *after]]
    else:
        # Every move taken as equal: after the turn the places run back.
        at = points[turn].place
        place = [point.place for point in before] + [2 * at - point.place for point in after]
    return _gap(np.array(place), [*before, *after], len(before), way)


def _gap(
    place: _Numbers, points: Sequence[RunPoint], count_before: int, way: float
) -> tuple[float, float]:
    """Fit offset = slope (place + lag after the turn) + level; return the lag along `way`."""
    weight = 1 / np.array([point.offset_err_px for point in points])
    offset = np.array([point.offset_px for point in points])
    later = np.arange(len(points)) >= count_before
    design = np.stack([place - place.mean(), later, np.ones(len(points))], axis=1)
    scaled = design * weight[:, None]
    if np.linalg.matrix_rank(scaled) < 3:
        return _NAN, _NAN
    covariance = np.linalg.inv(scaled.T @ scaled)
    values = covariance @ (scaled.T @ (offset * weight))
    freedom = len(points) - 3
    misfit = float(np.sum((weight * (offset - design @ values)) ** 2))
    covariance *= max(1.0, misfit / freedom) if freedom > 0 else 1.0
    slope, step = float(values[0]), float(values[1])
    if slope == 0:
        return _NAN, _NAN
    gradient = np.array([-step / slope**2, 1 / slope, 0.0])
    error = float(np.sqrt(gradient @ covariance @ gradient))
    # After the turn the camera is still `lag` further along `way` than its position says.
    return way * step / slope, error
