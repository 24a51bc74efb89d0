"""Fits of average stars made while the night runs, so that its end need not wait for them.

They are those that the whole night's diagnosis will ask for, kept by what goes into them: one that
was not foreseen is made at the end, and one that is not asked for changes nothing.
"""

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis import (
    FitCache,
    Standard,
    StarFitter,
    gather,
    is_asked,
    standard_of,
    usual_stretch_of,
)
from starwinnow.frame_measures import Recall
from starwinnow.live_run import Judged, LiveRun

__all__ = ["FitsAhead"]

# What is ordinary in a run is looked up anew when the run has grown by this part, or by the
# smaller one where nothing else is to be done. It moves a little each time, so frames are taken
# that would be asked at this part of the limits.
_LOOK_AGAIN, _LOOK_AGAIN_IDLE = 1 / 8, 1 / 50
_EARLIER = 0.7
# The ordinary light moves while a night grows. Where so much more or less of it, in ln, changes how
# large a halo may be expected, fits are made for either; and anew when it has moved by half of it.
_LIGHT_MOVES = 0.004


@dataclass(slots=True)
class _Plan:
    """What is foreseen for one run.

    `size`, `light` and `stretch` are the ordinary ones at its end, the first two in ln; the other
    members are names of ordinary frames, the wander of their size, what fits by them, frames at the
    last look, frames seen, what to fit (name and light less the ordinary one), what was fitted, and
    the plan for other ordinary frames or another wander before it: they may come back.
    """

    size: float
    light: float
    stretch: NDArray[np.float64]
    standard: list[str]
    wander: float
    fitter: StarFitter | None
    fits: FitCache
    looked: int
    seen: int
    todo: list[tuple[str, float]] = field(default_factory=list)
    done: dict[str, float] = field(default_factory=dict)
    other: "_Plan | None" = None


class FitsAhead:
    """Makes fits one by one, whenever there is time.

    Parameters
    ----------
    recall : callable
        Gives a frame's measures by its name, None when they are not there.
    """

    def __init__(self, recall: Recall) -> None:
        self._recall = recall
        self._plans: dict[int, _Plan] = {}

    def fits(self) -> FitCache:
        """Return what was made so far, for all runs."""
        return {key: fit for plan in self._plans.values() for key, fit in plan.fits.items()}

    def step(self, run: LiveRun) -> bool:
        """Do one frame's work, or look up what is ordinary; False when there is nothing to do."""
        if not run.settled:
            return False
        plan = self._plans.get(run.number)
        if plan is None or len(run.judged) > (1 + _LOOK_AGAIN) * plan.looked:
            return self._look(run, plan)
        new = list(run.judged.values())[plan.seen :]
        plan.todo += [
            (one.frame.file_name, math.log(one.score.transparency) - plan.light)
            for one in new
            if _may_be_asked(one, plan)
        ]
        plan.seen = len(run.judged)
        if not plan.todo or plan.fitter is None:
            grown = len(run.judged) > (1 + _LOOK_AGAIN_IDLE) * plan.looked
            return grown and self._look(run, plan)
        name, light = plan.todo.pop()
        frame = self._recall(name)
        if frame is not None and frame.average_star.size:
            plan.fitter.fit([frame] * 3, light + _LIGHT_MOVES * np.array([0.0, -1.0, 1.0]))
        plan.done[name] = light
        return True

    def _look(self, run: LiveRun, known: _Plan | None) -> bool:
        """Tell what is ordinary in a run, and which of its frames are not."""
        judged = list(run.judged.values())
        evidence = gather([one.frame for one in judged], run.scores(), by_place=False)
        if evidence is None:
            return False
        ordinary = standard_of(evidence)
        standard = [one.file_name for one in ordinary.frames]
        last, score = evidence.frames[-1], evidence.scores[-1]
        plan = _Plan(
            size=math.log(last.nea_px) - float(evidence.size[-1]),
            light=math.log(score.transparency) - float(evidence.light[-1]),
            stretch=usual_stretch_of(evidence),
            standard=standard,
            wander=ordinary.wander,
            fitter=None,
            fits={},
            looked=len(judged),
            seen=len(judged),
        )
        # The wander may flip to and fro from look to look: what was made for either is kept.
        other = None if known is None else known.other
        for one, rest in ((known, other), (other, known)):
            if one is not None and (one.standard, one.wander) == (standard, ordinary.wander):
                plan.fitter, plan.done, plan.fits, plan.other = one.fitter, one.done, one.fits, rest
                break
        else:
            plan.other = known
            found = [frame for name in standard if (frame := self._recall(name)) is not None]
            plan.fitter = StarFitter.of(Standard(frames=found, wander=ordinary.wander), plan.fits)
        if plan.other is not None:
            plan.other.other = None
        plan.todo = [
            (frame.file_name, float(light))
            for frame, size, light in zip(
                evidence.frames, evidence.size, evidence.light, strict=True
            )
            if abs(light - plan.done.get(frame.file_name, math.inf)) > _LIGHT_MOVES / 2
            and is_asked(frame, float(size), float(light), plan.stretch, part=_EARLIER)
        ]
        self._plans[run.number] = plan
        return True


def _may_be_asked(judged: Judged, plan: _Plan) -> bool:
    nea_px, transparency = judged.frame.nea_px, judged.score.transparency
    if not (nea_px > 0 and transparency > 0):
        return False
    size, light = math.log(nea_px) - plan.size, math.log(transparency) - plan.light
    return is_asked(judged.frame, size, light, plan.stretch, part=_EARLIER)
