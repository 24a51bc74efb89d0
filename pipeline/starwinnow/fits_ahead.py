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
class _Fits:
    """Fits by certain ordinary frames.

    `standard` are the names of those frames, `wander` is that of their size; `todo` is what to fit
    (name and light less the ordinary one), `done` what was fitted.
    """

    standard: list[str]
    wander: float
    fitter: StarFitter | None
    made: FitCache
    todo: list[tuple[str, float]] = field(default_factory=list)
    done: dict[str, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Plan:
    """What is foreseen for one run.

    `size`, `light` and `stretch` are the ordinary ones at its end, the first two in ln; `looked`
    and `seen` count frames, at the last look and until now. `fits` are those by the ordinary frames
    of the last look, then those by other ones, or another wander, before: they may come back.
    """

    size: float
    light: float
    stretch: NDArray[np.float64]
    looked: int
    seen: int
    fits: list[_Fits]


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
        every = [fits for plan in self._plans.values() for fits in plan.fits]
        return {key: fit for fits in every for key, fit in fits.made.items()}

    def step(self, run: LiveRun) -> bool:
        """Do one frame's work, or look up what is ordinary; False when there is nothing to do."""
        if not run.settled:
            return False
        plan = self._plans.get(run.number)
        if plan is None or len(run.judged) > (1 + _LOOK_AGAIN) * plan.looked:
            return self._look(run, plan)
        new = [one for one in list(run.judged.values())[plan.seen :] if _may_be_asked(one, plan)]
        plan.seen = len(run.judged)
        for fits in plan.fits:
            fits.todo += [
                (one.frame.file_name, math.log(one.score.transparency) - plan.light) for one in new
            ]
        foreseen, *before = plan.fits
        if self._fit_one(foreseen):
            return True
        if len(run.judged) > (1 + _LOOK_AGAIN_IDLE) * plan.looked:
            return self._look(run, plan)
        return any(self._fit_one(fits) for fits in before)

    def _fit_one(self, fits: _Fits) -> bool:
        """Make a frame's fits; False when there is none to make."""
        if fits.fitter is None or not fits.todo:
            return False
        name, light = fits.todo.pop()
        frame = self._recall(name)
        if frame is not None and frame.average_star.size:
            fits.fitter.fit([frame] * 3, light + _LIGHT_MOVES * np.array([0.0, -1.0, 1.0]))
        fits.done[name] = light
        return True

    def _look(self, run: LiveRun, known: _Plan | None) -> bool:
        """Tell what is ordinary in a run, and which of its frames are not."""
        judged = list(run.judged.values())
        evidence = gather([one.frame for one in judged], run.scores(), by_place=False)
        if evidence is None:
            return False
        ordinary = standard_of(evidence)
        last, score = evidence.frames[-1], evidence.scores[-1]
        stretch = usual_stretch_of(evidence)
        # The wander may flip to and fro from look to look.
        before = known.fits if known else []
        by = [frame.file_name for frame in ordinary.frames], ordinary.wander
        same = [one for one in before if (one.standard, one.wander) == by]
        others = [one for one in before if (one.standard, one.wander) != by]
        fits = [*(same or [self._fits_by(*by)]), *others][:2]
        for one in fits:
            one.todo = [
                (frame.file_name, float(light))
                for frame, size, light in zip(
                    evidence.frames, evidence.size, evidence.light, strict=True
                )
                if abs(light - one.done.get(frame.file_name, math.inf)) > _LIGHT_MOVES / 2
                and is_asked(frame, float(size), float(light), stretch, part=_EARLIER)
            ]
        self._plans[run.number] = _Plan(
            size=math.log(last.nea_px) - float(evidence.size[-1]),
            light=math.log(score.transparency) - float(evidence.light[-1]),
            stretch=stretch,
            looked=len(judged),
            seen=len(judged),
            fits=fits,
        )
        return True

    def _fits_by(self, standard: list[str], wander: float) -> _Fits:
        made: FitCache = {}
        found = [frame for name in standard if (frame := self._recall(name)) is not None]
        fitter = StarFitter.of(Standard(frames=found, wander=wander), made)
        return _Fits(standard=standard, wander=wander, fitter=fitter, made=made)


def _may_be_asked(judged: Judged, plan: _Plan) -> bool:
    nea_px, transparency = judged.frame.nea_px, judged.score.transparency
    if not (nea_px > 0 and transparency > 0):
        return False
    size, light = math.log(nea_px) - plan.size, math.log(transparency) - plan.light
    return is_asked(judged.frame, size, light, plan.stretch, part=_EARLIER)
