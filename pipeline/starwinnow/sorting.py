"""Frames into folders of kept and left-out ones, by a manifest that can be followed back.

The manifest is on disk before the first frame is touched. Each step can be repeated, so that a
run which was killed is ended by the next one, or undone.
"""

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from starwinnow.errors import OutputError
from starwinnow.whole_file import write_whole

__all__ = ["MANIFEST_NAME", "SortedFrame", "Sorting", "plan_sorting", "read_sorting"]

MANIFEST_NAME = "sorted-frames.json"
_VERSION = 1

How = Literal["copy", "link", "move"]
Part = Literal["kept", "left-out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedFrame:
    """One frame: its name, the folder it goes to, and the hash of its bytes."""

    file: str
    part: Part
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorting:
    """What goes from a folder of frames to where, and how."""

    source: Path
    destination: Path
    how: How
    frames: tuple[SortedFrame, ...]

    def target(self, frame: SortedFrame) -> Path:
        """Where a frame goes."""
        return self.destination / frame.part / frame.file

    def check(self) -> None:
        """Refuse, before anything is touched, what would overwrite or lose a file."""
        begun = (self.destination / MANIFEST_NAME).exists()
        for folder in self._folders():
            # A frame moved onto itself would be lost.
            if folder.exists() and folder.samefile(self.source):
                raise OutputError(f"{folder}: holds the frames. Give another folder with --to.")
        for frame in self.frames:
            target = self.target(frame)
            # Before the first run even an equal file is another's: undo would take it away.
            if os.path.lexists(target) and not (begun and _is_ours(target, frame)):
                raise OutputError(
                    f"{target}: another file is there, and nothing is ever overwritten. "
                    "Give another folder with --to."
                )
            if self.how == "move" and (self.source / frame.file).is_symlink():
                raise OutputError(f"{self.source / frame.file}: a link; sort without --move.")

    def carry_out(self, after_each: Callable[[int], None] = lambda _: None) -> None:
        """Put every frame in its place; those that are there already are passed over.

        Raises
        ------
        OutputError
            If a frame is gone or changed, a copy is not equal, or nothing can be written.
        """
        self.check()
        try:
            for frame in self.frames:
                self.target(frame).parent.mkdir(parents=True, exist_ok=True)
            write_whole(self.destination / MANIFEST_NAME, [_manifest_text(self).encode()])
            for done, frame in enumerate(self.frames, start=1):
                self._put(frame)
                after_each(done)
            self._sweep()
        except OSError as error:
            raise _cannot(error, self.destination) from error

    def undo(self) -> list[str]:
        """Take every frame back; returns the names of those left because they were changed."""
        left = []
        try:
            for frame in self.frames:
                if not self._take_back(frame):
                    left.append(frame.file)
            self._sweep()
            if not left:
                (self.destination / MANIFEST_NAME).unlink(missing_ok=True)
                for folder in (*self._folders(), self.destination):
                    # Only empty folders can be removed so; others hold what is not ours.
                    with suppress(OSError):
                        folder.rmdir()
        except OSError as error:
            raise _cannot(error, self.destination) from error
        return left

    def _put(self, frame: SortedFrame) -> None:
        origin, target = self.source / frame.file, self.target(frame)
        if not os.path.lexists(target):
            if not origin.is_file() or _sha256(origin) != frame.sha256:
                raise OutputError(
                    f"{origin}: gone or changed since the sorting began. Run --undo, then "
                    "score and sort again."
                )
            if self.how == "link":
                os.link(origin.resolve(), target)
            else:
                _copy(origin, target, frame.sha256, may_link=self.how == "move")
        elif not _is_ours(target, frame):
            raise OutputError(f"{target}: another file is there. Give another folder with --to.")
        if self.how == "move" and origin.is_file() and _sha256(origin) == frame.sha256:
            origin.unlink()

    def _take_back(self, frame: SortedFrame) -> bool:
        origin, target = self.source / frame.file, self.target(frame)
        if not os.path.lexists(target):
            return origin.is_file()
        if not _is_ours(target, frame):
            return False
        if not os.path.lexists(origin):
            _copy(target, origin, frame.sha256, may_link=True)
        elif _sha256(origin) != frame.sha256:
            return False
        target.unlink()
        return True

    def _folders(self) -> list[Path]:
        return [self.destination / part for part in ("kept", "left-out")]

    def _sweep(self) -> None:
        """Take away half copies that a killed run left."""
        for folder in (*self._folders(), self.source):
            for part in folder.glob(".*.sorting-part"):
                part.unlink(missing_ok=True)


def plan_sorting(folder: Path, results: Path, destination: Path, how: How) -> Sorting:
    """Plan from the results of `score`; frames that could not be read stay where they are.

    Raises
    ------
    OutputError
        If there are no results, or they name a frame that is gone.
    """
    path = results / "night.json"
    try:
        rows = json.loads(path.read_bytes())["frames"]
        kept = {_plain_name(row["file"]): bool(row["kept"]) for row in rows}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(
            f"{path}: no results that can be read. Run starwinnow score {folder} first."
        ) from error
    frames = []
    for name in sorted(kept):
        try:
            sha256 = _sha256(folder / name)
        except OSError as error:
            raise OutputError(
                f"{folder / name}: cannot be read ({error.strerror}). Run starwinnow score "
                f"{folder} again, then sort."
            ) from error
        frames.append(
            SortedFrame(file=name, part="kept" if kept[name] else "left-out", sha256=sha256)
        )
    return Sorting(
        source=folder.resolve(), destination=destination.resolve(), how=how, frames=tuple(frames)
    )


def read_sorting(folder: Path, destination: Path) -> Sorting | None:
    """Sorting that a folder's manifest tells of; None where there is no manifest.

    Raises
    ------
    OutputError
        If the manifest cannot be read, or is that of another folder of frames.
    """
    path = destination.resolve() / MANIFEST_NAME
    if not path.exists():
        return None
    try:
        content = json.loads(path.read_bytes())
        frames = tuple(SortedFrame(**item) for item in content["frames"])
        source, how = content["source"], content["how"]
        sound = content["version"] == _VERSION and how in {"copy", "link", "move"}
        sound = sound and all(item.part in {"kept", "left-out"} for item in frames)
        for item in frames:
            _plain_name(item.file)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(f"{path}: a damaged manifest. Nothing was touched.") from error
    if not sound or Path(source) != folder.resolve():
        raise OutputError(f"{path}: tells of frames from {source}. Give another folder with --to.")
    return Sorting(source=Path(source), destination=path.parent, how=how, frames=frames)


def _manifest_text(sorting: Sorting) -> str:
    content = {
        "version": _VERSION,
        "source": str(sorting.source),
        "how": sorting.how,
        "frames": [asdict(frame) for frame in sorting.frames],
    }
    return json.dumps(content, indent=1) + "\n"


def _plain_name(name: str) -> str:
    """Name of a file in its folder; no manifest may lead elsewhere."""
    if Path(name).name != name or name in {"", ".", ".."}:
        raise ValueError(name)
    return name


def _copy(origin: Path, target: Path, sha256: str, *, may_link: bool) -> None:
    """Copy beside the target, check what is on disk, put it in place unless a file is there."""
    if may_link:
        with suppress(OSError):
            os.link(origin, target)
            return
    part = target.with_name(f".{target.name}-{os.getpid()}.sorting-part")
    try:
        shutil.copy2(origin, part)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        if _sha256(part) != sha256:
            raise OutputError(f"{target}: the copy is not equal to the frame. Try another disk.")
        try:
            os.link(part, target)
        except FileExistsError:
            raise
        except OSError:
            # Memory cards know no hard links; a rename replaces, so look first.
            if os.path.lexists(target):
                raise
            part.rename(target)
    finally:
        part.unlink(missing_ok=True)


def _is_ours(target: Path, frame: SortedFrame) -> bool:
    return target.is_file() and not target.is_symlink() and _sha256(target) == frame.sha256


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _cannot(error: OSError, destination: Path) -> OutputError:
    return OutputError(
        f"{error.filename or destination}: sorting stopped ({error.strerror}). Frames are whole: "
        "put it right and run the same command again, or --undo."
    )
