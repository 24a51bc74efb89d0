"""Which files of a folder are new or changed, and whole, so that they can be measured now.

Nothing here waits or knows the clock: whoever looks says what the time is.
"""

import os
import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from starwinnow.readers import Wholeness, is_frame_name

__all__ = ["Arrivals", "Settled", "State", "list_folder", "state_of"]

# How long a file that does not change is given, s: each kind of unfinished file for what it may
# still become. Then it is handed over as it is, to be measured or named as unreadable.
_PATIENCE_S = {
    Wholeness.WHOLE: 0.0,
    Wholeness.UNPADDED: 1.0,
    Wholeness.UNKNOWN: 5.0,
    Wholeness.HOLLOW: 10.0,
    Wholeness.GROWING: 30.0,
}
# Between two looks at a file that is not whole, s: doubled each time while it stays the same.
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.1, 2.0


@dataclass(frozen=True, slots=True)
class State:
    """What tells one state of a file from another without reading it."""

    size: int
    mtime_ns: int
    inode: int

    @classmethod
    def of(cls, path: Path) -> "State":
        """State of a file now; OSError when it is gone."""
        return cls.from_stat(path.stat())

    @classmethod
    def from_stat(cls, status: os.stat_result) -> "State":
        """State by what the system says of a file."""
        return cls(status.st_size, status.st_mtime_ns, status.st_ino)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """A file that can be measured.

    Attributes
    ----------
    path : Path
    state : State
        Its state when it was found whole.
    old : bool
        Whether it was there before the watch began.
    """

    path: Path
    state: State
    old: bool


@dataclass(slots=True)
class _Pending:
    """A file that is not known in its present state."""

    state: State
    old: bool
    unchanged_since: float
    look_at: float
    pause: float = _FIRST_PAUSE_S


@dataclass(slots=True)
class Arrivals:
    """Bookkeeping of a watched folder.

    Attributes
    ----------
    examine : callable
        Says how whole a file is; raises OSError when it is gone.
    """

    examine: Callable[[Path], Wholeness]
    _known: dict[str, State] = field(default_factory=dict)
    _pending: dict[str, _Pending] = field(default_factory=dict)
    _began: bool = False

    @property
    def waiting(self) -> int:
        """Files that were seen and not handed over yet."""
        return len(self._pending)

    def see(self, listing: Iterable[tuple[Path, State]], now: float) -> list[str]:
        """Take in what the folder holds now; returns the names of known files that are gone."""
        here = {path.name: state for path, state in listing}
        gone = self._pending.keys() | self._known.keys()
        found = self.notice(here | dict.fromkeys(gone - here.keys()), now)
        self._began = True
        return found

    def notice(self, states: Mapping[str, State | None], now: float) -> list[str]:
        """Take in how some files stand now, None for no more; returns known ones that are gone."""
        for name, state in states.items():
            pending = self._pending.get(name)
            if state is None:
                self._pending.pop(name, None)
            elif pending is not None:
                if pending.state != state:
                    pending.state, pending.unchanged_since = state, now
                    pending.look_at, pending.pause = now, _FIRST_PAUSE_S
            elif self._known.get(name) != state:
                self._pending[name] = _Pending(state, not self._began, now, now)
        gone = sorted(n for n, state in states.items() if state is None and n in self._known)
        for name in gone:
            del self._known[name]
        return gone

    def next(self, folder: Path, now: float) -> Settled | None:
        """Hand over one file that can be measured: new ones first, then old ones, by name."""
        due = [(p.old, name) for name, p in self._pending.items() if p.look_at <= now]
        for old, name in sorted(due):
            pending = self._pending[name]
            path = folder / name
            try:
                found = self.examine(path)
            except OSError:
                # Gone, or not to be opened yet: some writers lock the file.
                found = Wholeness.UNKNOWN
            if now - pending.unchanged_since >= _PATIENCE_S[found]:
                del self._pending[name]
                self._known[name] = pending.state
                return Settled(path=path, state=pending.state, old=old)
            pending.look_at = now + pending.pause
            pending.pause = min(2 * pending.pause, _LONGEST_PAUSE_S)
        return None

    def reopen(self, settled: Settled, now: float) -> None:
        """Take a file back that changed while it was measured."""
        self._known.pop(settled.path.name, None)
        self._pending[settled.path.name] = _Pending(settled.state, settled.old, now, now)

    def soonest(self) -> float | None:
        """When the next look at a file is due; None when none is waiting."""
        return min((p.look_at for p in self._pending.values()), default=None)


def list_folder(folder: Path) -> list[tuple[Path, State]]:
    """Files named like frames, with their states.

    Raises
    ------
    OSError
        If the folder cannot be read.
    """
    found = []
    with os.scandir(folder) as entries:
        for entry in entries:
            if not is_frame_name(entry.name):
                continue
            try:
                if entry.is_file():
                    # Not the entry's own: on some systems that is what it was when last closed.
                    status = os.stat(entry.path)  # noqa: PTH116
                    found.append((Path(entry.path), State.from_stat(status)))
            except OSError:
                # Deleted or renamed between the two.
                continue
    return found


def state_of(path: Path) -> State | None:
    """State of a file named like a frame; None when there is none."""
    try:
        status = path.stat()
    except OSError:
        return None
    return State.from_stat(status) if stat.S_ISREG(status.st_mode) else None
