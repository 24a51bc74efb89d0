"""The rig file: where it is looked for, read, and given what was learnt."""

import tomllib
from pathlib import Path

from starwinnow.errors import RigError
from starwinnow.rig import LearntDirection, Rig, learnt_table, rig_from_tables
from starwinnow.whole_file import write_whole

__all__ = ["RIG_NAME", "find_rig", "home_rig", "keep_learnt", "read_rig"]

RIG_NAME = "rig.toml"
_LEARNT_NOTE = "Written by starwinnow mask --moved; taking this section out forgets it."


def home_rig() -> Path:
    """Path of the observer's own rig file, which need not exist."""
    return Path.home() / ".config" / "starwinnow" / RIG_NAME


def find_rig(stated: Path | None = None) -> Path | None:
    """Find the rig file: the one stated, else rig.toml in this folder, else the observer's own.

    Returns
    -------
    Path or None
        The stated one whether it exists or not; None where there is none.
    """
    if stated is not None:
        return stated
    return next((path for path in (Path(RIG_NAME), home_rig()) if path.is_file()), None)


def read_rig(path: Path) -> Rig:
    """Read and check a rig file.

    Raises
    ------
    RigError
        If it cannot be read, is not TOML, or holds something that is not allowed; the text
        names file, key, value and what is allowed.
    """
    try:
        return rig_from_tables(tomllib.loads(_text_of(path)))
    except tomllib.TOMLDecodeError as error:
        raise RigError(f"{path}: not valid TOML: {error}. Correct that line.") from error
    except RigError as error:
        raise RigError(f"{path}: {error}") from error


def keep_learnt(path: Path, learnt: LearntDirection) -> None:
    """Write what was learnt into the section [learnt] of a rig file; make the file if missing.

    Everything else in the file stays as it is, comments and order too.

    Raises
    ------
    RigError
        If the file cannot be read or written; it is then as it was.
    """
    # Only who learns a direction needs it.
    import tomlkit  # noqa: PLC0415

    # A link stays a link: what it points to is replaced.
    target = path.resolve()
    document = tomlkit.parse(_text_of(target) if target.exists() else "")
    if "learnt" not in document:
        if document.as_string().strip():
            document.add(tomlkit.nl())
        document.add("learnt", tomlkit.table().add(tomlkit.comment(_LEARNT_NOTE)))
    # Value by value: comments between this section and the next one count as its own.
    section = document["learnt"]
    values = learnt_table(learnt)
    for key in [key for key in section if key not in values]:
        section.remove(key)
    section.update(values)
    text = document.as_string()
    if "\r\n" in text:
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    _write(target, text)


def _text_of(path: Path) -> str:
    try:
        # Line ends are kept as they are; some editors mark UTF-8 with three bytes at the start.
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise RigError("there is no such file. Give an existing rig file with --rig") from None
    except UnicodeDecodeError:
        raise RigError("not text in UTF-8. Save it as UTF-8") from None
    except OSError as error:
        raise RigError(f"cannot be read ({error.strerror})") from error


def _write(path: Path, text: str) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, [text.encode("utf-8")])
    except OSError as error:
        raise RigError(
            f"{path}: cannot be written ({error.strerror}). Give another rig file with --rig."
        ) from error
