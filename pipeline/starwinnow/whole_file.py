"""Writes a small file whole or not at all."""

import glob
import os
import time
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

__all__ = ["write_whole"]

# No write takes so long: an older part was left by a process that was killed.
_LEFTOVER_S = 60


def write_whole(path: Path, parts: Iterable[bytes]) -> None:
    """Write parts beside the target, make sure they are on disk, then put them in its place.

    Several processes may write one target: that of the last one stays.

    Raises
    ------
    OSError
        If it cannot be written; the target is then as it was.
    """
    temporary = path.with_name(f".{path.name}-{os.getpid()}.part")
    try:
        with temporary.open("wb") as file:
            file.writelines(parts)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise
    _sweep(path)


def _sweep(path: Path) -> None:
    """Take away what writers of this file left when they were killed."""
    for part in path.parent.glob(f".{glob.escape(path.name)}-*.part"):
        with suppress(OSError):
            if time.time() - part.stat().st_mtime > _LEFTOVER_S:
                part.unlink()
