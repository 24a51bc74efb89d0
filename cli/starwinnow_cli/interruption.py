"""Ctrl-C: the frame in hand is finished and kept, then the run stops."""

import signal
from types import FrameType, TracebackType

__all__ = ["StopBetweenFrames", "by_hand"]


class StopBetweenFrames:
    """Holds Ctrl-C back until `check` is called; a second one ends the process at once.

    Python would raise KeyboardInterrupt inside compiled code too, which turns it into errors of
    other kinds. Ending at once is safe as well: what is in the store stays.
    """

    def __init__(self) -> None:
        self._asked = False

    def __enter__(self) -> "StopBetweenFrames":
        self._former = signal.signal(signal.SIGINT, self._note)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        signal.signal(signal.SIGINT, self._former)

    def _note(self, number: int, place: FrameType | None) -> None:
        self._asked = True
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    def check(self, progress: str) -> None:
        """Raise KeyboardInterrupt, saying how far the work got, if Ctrl-C was pressed."""
        if self._asked:
            raise KeyboardInterrupt(progress)


def by_hand(error: BaseException | None) -> bool:
    """Tell whether an error came from Ctrl-C, whatever compiled code made of it."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None
