"""Files to frames: which files of a folder to read, their pixels and what their cards say."""

from pathlib import Path

from starwinnow.errors import FolderError
from starwinnow.readers.fits import expected_kind, read_frame
from starwinnow.readers.headers import read_capture
from starwinnow.readers.wholeness import Wholeness, wholeness

__all__ = [
    "Wholeness",
    "expected_kind",
    "frame_paths",
    "is_frame_name",
    "read_capture",
    "read_frame",
    "wholeness",
]

_SUFFIXES = tuple(
    f"{suffix}{packed}" for suffix in (".fits", ".fit", ".fts") for packed in ("", ".gz", ".fz")
)


def is_frame_name(name: str) -> bool:
    """Whether a file is named like a frame: by its suffix, and not hidden."""
    return name.lower().endswith(_SUFFIXES) and not name.startswith(".")


def frame_paths(folder: Path) -> list[Path]:
    """List the files of a folder that are named like frames.

    Parameters
    ----------
    folder : Path
        Its sub-folders, the results among them, are not looked into.

    Returns
    -------
    list of Path
        Files ending in .fits, .fit or .fts, also with .gz or .fz, in any case, by name.
        Hidden files are left out.

    Raises
    ------
    FolderError
        If the folder is missing, is not a folder, cannot be read or holds no such file.
    """
    try:
        paths = [path for path in folder.iterdir() if is_frame_name(path.name) and path.is_file()]
    except FileNotFoundError:
        raise FolderError(f"{folder} does not exist. Check the name of the folder.") from None
    except NotADirectoryError:
        raise FolderError(
            f"{folder} is a file. Give the folder that holds the frames of the night."
        ) from None
    except OSError as error:
        raise FolderError(f"{folder} cannot be read ({error.strerror}).") from error
    if not paths:
        raise FolderError(
            f"{folder} holds no frames. Expected files ending in .fits, .fit or .fts, "
            "also with .gz or .fz."
        )
    return sorted(paths, key=lambda path: path.name)
