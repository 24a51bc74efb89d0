"""Ctrl-C: the frame in hand is finished and kept, then the run stops."""

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType

__all__ = ["StopBetweenFrames", "StopWatching", "by_hand"]

# Ctrl-C, a polite end by the system, and the terminal that closes (no such thing on Windows).
_SIGNALS = [
    getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)
]


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


class StopWatching:
    """Turns Ctrl-C, or the end of the terminal, into an event; a second one ends at once.

    Attributes
    ----------
    event : threading.Event
        Set when the watch shall end.
    give_back : callable
        Called at the first one: what a process that ends at once could not give back any more.
    """

    def __init__(self) -> None:
        self.event = threading.Event()
        self.give_back: Callable[[], None] = lambda: None

    def __enter__(self) -> "StopWatching":
        self._former = {number: signal.signal(number, self._note) for number in _SIGNALS}
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for number, handler in self._former.items():
            signal.signal(number, handler)

    def _note(self, number: int, place: FrameType | None) -> None:
        self.event.set()
        self.give_back()
        signal.signal(number, signal.SIG_DFL)


def by_hand(error: BaseException | None) -> bool:
    """Tell whether an error came from Ctrl-C, whatever compiled code made of it."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__ or error.__context__
    return error is not None
