"""Work for the end of the night, done while nothing is to be measured.

All of it is work that the end would do in the same way, kept by what goes into it: results do not
depend on how much was done. Only what a file holds is taken for unchanged where its size and time
are; `score` looks into it.
"""

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from starwinnow.diagnosis import FitCache
from starwinnow.fits_ahead import FitsAhead
from starwinnow.frame_measures import FrameMeasures, Recall
from starwinnow.live_run import LiveRun
from starwinnow.relations_ahead import RelationsAhead
from starwinnow.same_field import RelationCache

__all__ = ["DoneAhead", "WorkAhead"]

# So long at a time: the next frame waits no longer, and a laptop's battery lasts.
_AT_ONCE_S = 0.15


@dataclass(frozen=True, slots=True)
class DoneAhead:
    """What the end of a night can take over.

    Attributes
    ----------
    relations : dict
        How frames lie on each other.
    star_fits : dict
        Fits of average stars.
    looked_at : frozenset of str
        Names of the files that were looked into.
    """

    relations: RelationCache = field(default_factory=dict)
    star_fits: FitCache = field(default_factory=dict)
    looked_at: frozenset[str] = frozenset()


class WorkAhead:
    """Does a little, whenever there is time.

    Parameters
    ----------
    recall : callable
        Gives a frame's measures by its name, None when they are not there.
    more : callable, optional
        Does a part of what else the end needs; False when there is nothing to do. It comes
        first, and its parts may take longer, as each comes once.
    """

    def __init__(self, recall: Recall, more: Callable[[], bool] | None = None) -> None:
        self._fits = FitsAhead(recall)
        self._relations = RelationsAhead(recall)
        self._more = more

    def see(self, frame: FrameMeasures) -> None:
        """Note a frame as it was just measured, all of it."""
        self._relations.see(frame)

    def done(self) -> DoneAhead:
        """Return what was done so far."""
        return DoneAhead(
            relations=self._relations.relations(),
            star_fits=self._fits.fits(),
            looked_at=self._relations.seen(),
        )

    def work(self, runs: Sequence[LiveRun], is_over: Callable[[], bool]) -> None:
        """Work for a moment, or until it is over; of the latest run first."""
        until = time.monotonic() + _AT_ONCE_S
        while not is_over() and time.monotonic() < until:
            if not self._step(runs, until):
                return

    def _step(self, runs: Sequence[LiveRun], until: float) -> bool:
        if self._more is not None and self._more():
            return True
        if any(self._fits.step(run) for run in reversed(runs)):
            return True
        frames = [judged.frame for run in runs for judged in run.judged.values()]
        return self._relations.step(frames, until)
