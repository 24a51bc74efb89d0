"""Work for the end of the night, done while nothing is to be measured.

All of it is work that the end would do in the same way, kept by what goes into it: results do not
depend on how much was done.
"""

import time
from collections.abc import Callable, Sequence

from starwinnow.diagnosis import FitCache
from starwinnow.fits_ahead import FitsAhead, Recall
from starwinnow.live_run import LiveRun

__all__ = ["WorkAhead"]

# So long at a time: the next frame waits no longer, and a laptop's battery lasts.
_AT_ONCE_S = 0.15


class WorkAhead:
    """Does a little, whenever there is time.

    Parameters
    ----------
    recall : callable
        Gives a frame's measures by its name, None when they are not there.
    more : callable, optional
        Does a part of what else the end needs; False when there is nothing to do. It comes
        first, and a part may take longer than the time there is, as each comes only once.
    """

    def __init__(self, recall: Recall, more: Callable[[], bool] | None = None) -> None:
        self._fits = FitsAhead(recall)
        self._more = more

    @property
    def star_fits(self) -> FitCache:
        """Fits of average stars made so far."""
        return self._fits.fits()

    def work(self, runs: Sequence[LiveRun], is_over: Callable[[], bool]) -> None:
        """Work for a moment, or until it is over; for the latest run first."""
        until = time.monotonic() + _AT_ONCE_S
        while not is_over() and time.monotonic() < until:
            if self._more is not None and self._more():
                continue
            if not any(self._fits.step(run) for run in reversed(runs)):
                return
