"""Frames passed on to whatever stacks them: each whole, once, and never taken back.

What was passed on is written down beside the results, so that it is known again after a crash.
The order of steps makes every moment safe: a copy is made under a name no stacking program takes,
then noted as `placing`, then renamed, then noted as `placed`. At the next start a frame noted as
`placing` whose copy is still there was not renamed yet; otherwise it was.
"""

import os
import shutil
from dataclasses import dataclass
from pathlib import Path

from starwinnow.errors import OutputError

__all__ = ["RECORD_NAME", "Feed", "FeedItem"]

RECORD_NAME = "fed.txt"
_TAIL = ".starwinnow-part"
_PLACING, _PLACED = "placing", "placed"
_MOST_NAMES = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedItem:
    """A frame to pass on.

    Attributes
    ----------
    path : Path
    start : str
        Start of its exposure in words, '' where it is not known.
    sample : str
        Digest of its content, as in `store.Identity`.
    """

    path: Path
    start: str
    sample: str


@dataclass(frozen=True, slots=True)
class _Note:
    """One line of the record."""

    step: str
    name: str
    start: str
    sample: str
    placed_as: str


class Feed:
    """A folder that a stacking program watches.

    Parameters
    ----------
    folder : Path
        Made where it is missing.
    record : Path
        The file in which placed frames are noted.
    link : bool
        Place hard links instead of copies: no room is taken, but a program that changes the file
        in one place changes it in the other.

    Raises
    ------
    OutputError
        If the folder cannot be written, or not linked to.
    """

    def __init__(self, folder: Path, record: Path, *, link: bool = False) -> None:
        self.folder = folder
        self._record = record
        self._link = link
        self._names: set[tuple[str, str]] = set()
        self._samples: set[str] = set()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._here = str(folder.resolve())
            self._recover()
        except OSError as error:
            raise _cannot_feed(folder, error) from error

    def knows(self, item: FeedItem) -> bool:
        """Whether a frame was passed on before, under this name and time or with this content."""
        return (item.path.name, item.start) in self._names or item.sample in self._samples

    def place(self, item: FeedItem) -> bool:
        """Pass a frame on; False when it was before.

        Raises
        ------
        OutputError
            If it cannot be placed; nothing of it is then in the folder.
        FileNotFoundError
            If the frame itself is gone.
        """
        if self.knows(item):
            return False
        part = self.folder / f".{item.path.name}{_TAIL}"
        try:
            part.unlink(missing_ok=True)
            if self._link:
                os.link(item.path, part)
            else:
                _copy(item.path, part)
            target = self._free_name(item.path.name)
            self._note(_Note(_PLACING, item.path.name, item.start, item.sample, target))
            part.replace(self.folder / target)
            self._note(_Note(_PLACED, item.path.name, item.start, item.sample, target))
        except FileNotFoundError:
            if not item.path.exists():
                raise
            raise _cannot_feed(self.folder, OSError(None, "the folder is gone")) from None
        except OSError as error:
            part.unlink(missing_ok=True)
            raise _cannot_feed(self.folder, error) from error
        self._learn(item.path.name, item.start, item.sample)
        return True

    def _learn(self, name: str, start: str, sample: str) -> None:
        # Without a start time the name alone may be that of another night.
        if start:
            self._names.add((name, start))
        self._samples.add(sample)

    def _free_name(self, name: str) -> str:
        """Find a name that no other file of the folder has: nothing there is ever replaced."""
        stem, dot, suffix = name.partition(".")
        for number in range(1, _MOST_NAMES):
            candidate = name if number == 1 else f"{stem}-{number}{dot}{suffix}"
            if not (self.folder / candidate).exists():
                return candidate
        raise FileExistsError(None, f"it holds {_MOST_NAMES} files named like {name}")

    def _note(self, note: _Note) -> None:
        """Add a line to the record and make sure that it is on disk."""
        fields = (note.step, note.name, note.start, note.sample, note.placed_as, self._here)
        line = "\t".join(fields) + "\n"
        with self._record.open("a", encoding="utf-8", newline="\n") as file:
            file.write(line)
            file.flush()
            os.fsync(file.fileno())

    def _recover(self) -> None:
        """Read the record, finish what was begun, take away what was not."""
        open_notes: dict[str, _Note] = {}
        for note in self._notes():
            if note.step == _PLACED:
                open_notes.pop(note.name, None)
                self._learn(note.name, note.start, note.sample)
            else:
                open_notes[note.name] = note
        for note in open_notes.values():
            part = self.folder / f".{note.name}{_TAIL}"
            if part.exists():
                part.replace(self.folder / self._free_name(note.placed_as))
            self._note(_Note(_PLACED, note.name, note.start, note.sample, note.placed_as))
            self._learn(note.name, note.start, note.sample)
        for part in self.folder.glob(f".*{_TAIL}"):
            part.unlink(missing_ok=True)

    def _notes(self) -> list[_Note]:
        """Lines about this folder; a line cut off by a crash counts for nothing."""
        if not self._record.exists():
            return []
        text = self._record.read_text(encoding="utf-8")
        if text and not text.endswith("\n"):
            whole = text[: text.rfind("\n") + 1]
            self._record.write_text(whole, encoding="utf-8", newline="\n")
            text = whole
        rows = [line.split("\t") for line in text.splitlines()]
        return [_Note(*row[:5]) for row in rows if len(row) == 6 and row[5] == self._here]


def _copy(source: Path, target: Path) -> None:
    """Copy a file and make sure that all of it is on disk."""
    shutil.copyfile(source, target)
    shutil.copystat(source, target)
    with target.open("rb+") as file:
        os.fsync(file.fileno())


def _cannot_feed(folder: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(
        f"{folder}: frames cannot be passed on here ({reason}). Give another folder with --feed; "
        "leave out --link where the two folders are on different disks."
    )
