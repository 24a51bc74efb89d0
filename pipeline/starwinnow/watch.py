"""A folder that fills -> settled files, one after the other, until told to stop."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starwinnow.arrivals import Arrivals, Settled, list_folder, state_of
from starwinnow.readers import is_frame_name, wholeness

__all__ = ["FolderGone", "Gone", "News", "Quiet", "Watch"]

# The folder is listed so often, in case the system loses a notice, s; more rarely where that would
# take more than the stated part of the time.
_LISTING_S = 1.0
_LISTING_PART = 0.02
_POLLING_S = 0.5
# While files are being written: they can be whole without a further notice of a change.
_SHORTEST_WAIT_S = 0.02
_STOP_LOOKS_S = 0.02


@dataclass(frozen=True, slots=True)
class Quiet:
    """Nothing to measure at the moment; `waiting` files are not whole yet."""

    waiting: int


@dataclass(frozen=True, slots=True)
class FolderGone:
    """The folder cannot be seen; it is looked for again."""


@dataclass(frozen=True, slots=True)
class Gone:
    """Files that were handed over are no longer in the folder."""

    names: tuple[str, ...]


News = Settled | Quiet | FolderGone | Gone


class Watch:
    """Watches a folder; iterate over it, and say with `reopen` what changed under your hands.

    Parameters
    ----------
    folder : Path
    stop : threading.Event
        Set it to end the iteration, which then happens within a tenth of a second or at the
        next step.
    poll : bool
        List the folder twice a second instead of waiting for the system's notices, which
        network drives do not send.
    """

    def __init__(self, folder: Path, stop: threading.Event, *, poll: bool = False) -> None:
        self.folder = folder
        self.stop = stop
        self.poll = poll
        self.arrivals = Arrivals(wholeness)

    def __iter__(self) -> Iterator[News]:
        with _notices(self.folder, self.stop, poll=self.poll) as notices:
            listed_at = float("-inf")
            pause = shortest = _POLLING_S if self.poll else _LISTING_S
            while not self.stop.is_set():
                now = time.monotonic()
                names = notices.take()
                try:
                    if now - listed_at >= pause:
                        listed_at = now
                        gone = self.arrivals.see(list_folder(self.folder), now)
                        pause = max(shortest, (time.monotonic() - now) / _LISTING_PART)
                    else:
                        gone = self._look_at(names, now)
                except OSError:
                    listed_at = float("-inf")
                    yield FolderGone()
                    self.stop.wait(_LISTING_S)
                    continue
                if gone:
                    yield Gone(tuple(gone))
                settled = self.arrivals.next(self.folder, now)
                if settled is not None:
                    yield settled
                    continue
                yield Quiet(self.arrivals.waiting)
                self._rest(notices.wake, listed_at + pause)

    def reopen(self, settled: Settled) -> None:
        """Take a file back that changed while it was measured."""
        self.arrivals.reopen(settled, time.monotonic())

    def _look_at(self, names: set[str], now: float) -> list[str]:
        """Look at the files that something happened to: what a whole listing costs grows."""
        states = {name: state_of(self.folder / name) for name in names if is_frame_name(name)}
        return self.arrivals.notice(states, now)

    def _rest(self, wake: threading.Event, until: float) -> None:
        """Wait for a notice, a file that is due, or the next listing; at most until told to end."""
        soonest = self.arrivals.soonest()
        if soonest is not None:
            until = min(until, soonest)
        seconds = max(until - time.monotonic(), _SHORTEST_WAIT_S)
        end = time.monotonic() + seconds
        while not self.stop.is_set() and not wake.wait(min(seconds, _STOP_LOOKS_S)):
            seconds = end - time.monotonic()
            if seconds <= 0:
                return


class _Notices:
    """Names of files that something happened to, from one thread to another.

    Attributes
    ----------
    wake : threading.Event
        Set while there are any.
    """

    def __init__(self) -> None:
        self.wake = threading.Event()
        self._lock = threading.Lock()
        self._names: set[str] = set()

    def add(self, names: set[str]) -> None:
        """Note files."""
        with self._lock:
            self._names |= names
        self.wake.set()

    def take(self) -> set[str]:
        """Take all names noted so far."""
        with self._lock:
            names, self._names = self._names, set()
            self.wake.clear()
        return names


@contextmanager
def _notices(folder: Path, stop: threading.Event, *, poll: bool) -> Iterator[_Notices]:
    """Give what happens in a folder."""
    notices = _Notices()
    ended = threading.Event()
    thread = threading.Thread(target=_listen, args=(folder, notices, ended), daemon=True)
    if not poll:
        thread.start()
    try:
        yield notices
    finally:
        # The thread ends by itself; it holds nothing that anybody waits for.
        ended.set()


def _listen(folder: Path, notices: _Notices, ended: threading.Event) -> None:
    """Set an event at each notice; a folder that is gone is waited for."""
    import watchfiles  # noqa: PLC0415

    while not ended.is_set():
        try:
            for changes in watchfiles.watch(
                folder,
                watch_filter=None,
                debounce=50,
                step=20,
                rust_timeout=100,
                stop_event=ended,
                recursive=False,
                raise_interrupt=False,
                ignore_permission_denied=True,
            ):
                notices.add({Path(path).name for _, path in changes})
                if not folder.exists():
                    break
        except OSError:
            # No such folder now, or no notices on this file system: the listing goes on.
            pass
        ended.wait(1.0)
