"""The night on disk: one SQLite file, one transaction a file, so a killed run resumes.

Table `night` holds pairs `key`, `value`: `schema_version`, `package_version` and `settings`
(JSON), and `results_key`, `results` (see `stored_results`). Table `frames` holds one row a file:
`name`; its identity `size`, `mtime_ns`, `sample` (see `identify`); the `package_version` that
measured it; `unreadable`, the reason, or NULL; and the measures in the parts that
`stored_measures` describes. `seal` is a blake2b digest of reason
and parts, so that a row damaged on disk is noticed and measured again.
"""

import hashlib
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from starwinnow import __version__
from starwinnow.errors import StoreError
from starwinnow.frame_measures import FrameMeasures
from starwinnow.settings import Settings
from starwinnow.stored_measures import PARTS, decode, decode_array, encode

__all__ = ["SCHEMA_VERSION", "Identity", "NightStore", "Unreadable", "identify"]

SCHEMA_VERSION = 3
_HEADER_BYTES = 32 * 1024
_BLOCK_BYTES = 32 * 1024
_BLOCKS = 8
_PATIENCE_S = 30
_TABLES = """
CREATE TABLE night (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE frames (
    name TEXT PRIMARY KEY, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    sample BLOB NOT NULL, package_version TEXT NOT NULL, unreadable TEXT,
    facts TEXT, stars BLOB, average_star BLOB, average_star_err BLOB, thumbnail BLOB,
    seal BLOB NOT NULL
);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What tells one state of a file from another.

    Attributes
    ----------
    name : str
        Name inside the folder.
    size : int
        Bytes.
    mtime_ns : int
        Time of the last change, ns since 1970.
    sample : bytes
        blake2b digest, 16 bytes, of header and sampled blocks.
    """

    name: str
    size: int
    mtime_ns: int
    sample: bytes

    def may_be(self, path: Path) -> bool:
        """Whether a file is there with this size and time."""
        try:
            status = path.stat()
        except OSError:
            return False
        return (status.st_size, status.st_mtime_ns) == (self.size, self.mtime_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unreadable:
    """A file that could not be read, with its one-line reason."""

    name: str
    reason: str


def identify(path: Path) -> Identity:
    """Recognise a file without reading all of it.

    The digest covers the first 32 kB (the header), the last 32 kB and 8 blocks of 32 kB
    spread evenly between, so a third of a megabyte is read of a file of any size.

    Raises
    ------
    OSError
        If the file cannot be opened.
    """
    digest = hashlib.blake2b(digest_size=16)
    with path.open("rb") as file:
        status = os.fstat(file.fileno())
        digest.update(file.read(_HEADER_BYTES))
        rest = max(0, status.st_size - _HEADER_BYTES - _BLOCK_BYTES)
        for i in range(_BLOCKS + 1):
            file.seek(_HEADER_BYTES + rest * i // _BLOCKS)
            digest.update(file.read(_BLOCK_BYTES))
    return Identity(
        name=path.name,
        size=status.st_size,
        mtime_ns=status.st_mtime_ns,
        sample=digest.digest(),
    )


class NightStore:
    """One night's measures on disk; use it as a context manager.

    A store that is damaged or of another data model is set aside under a new name and an
    empty one takes its place: all of it can be measured again from the frames.

    Parameters
    ----------
    path : Path
        The SQLite file; made where it does not exist, in a folder that must exist.

    Attributes
    ----------
    notice : str
        What was set aside and why; empty when nothing was.

    Raises
    ------
    StoreError
        If the file can neither be opened nor set aside.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.notice = ""
        try:
            self._connection = _open(path)
        except _UnusableError as error:
            aside = _set_aside(path, error)
            self.notice = (
                f"{path.name} {error}; it is kept as {aside.name} and every frame is "
                f"measured again."
            )
            self._connection = _open(path)

    def __enter__(self) -> "NightStore":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was put is on disk already."""
        self._connection.close()

    def find(self, identity: Identity) -> FrameMeasures | Unreadable | None:
        """Recall a file in exactly this state; None when it must be measured.

        Raises
        ------
        StoreError
            If the file cannot be read any more.
        """
        with self._failing_clearly():
            row = self._connection.execute(
                f"SELECT seal, unreadable, {', '.join(PARTS)} FROM frames WHERE name = ?"
                " AND size = ? AND mtime_ns = ? AND sample = ? AND package_version = ?",
                (
                    identity.name,
                    identity.size,
                    identity.mtime_ns,
                    identity.sample,
                    __version__,
                ),
            ).fetchone()
        if row is None:
            return None
        seal, reason, *content = row
        if _seal(reason, content) != seal:
            return None
        if reason is not None:
            return Unreadable(name=identity.name, reason=reason)
        return decode(content)

    def recall(self, name: str) -> FrameMeasures | None:
        """Recall a frame as it was last measured; None when it is not there.

        Raises
        ------
        StoreError
            If the file cannot be read any more.
        """
        with self._failing_clearly():
            row = self._connection.execute(
                f"SELECT seal, unreadable, {', '.join(PARTS)} FROM frames WHERE name = ?", (name,)
            ).fetchone()
        if row is None or row[1] is not None or _seal(None, row[2:]) != row[0]:
            return None
        return decode(row[2:])

    def array(self, name: str, part: str) -> Any:
        """Recall one array of a frame, of which no more is looked at.

        Parameters
        ----------
        name : str
            The file's.
        part : str
            One of `stored_measures.ARRAYS`.

        Raises
        ------
        StoreError
            If the file cannot be read any more, or the frame is not there any more.
        """
        with self._failing_clearly():
            row = self._connection.execute(
                f"SELECT {part} FROM frames WHERE name = ?", (name,)
            ).fetchone()
        if row is None or row[0] is None:
            raise StoreError(
                f"{self.path}: {name} was dropped while the night was scored. End any other "
                "program that works on this folder, then start again."
            )
        return decode_array(part, row[0])

    def everything(self) -> Iterator[FrameMeasures | Unreadable]:
        """Recall every file as it was last measured, by name; the files are not looked at.

        Raises
        ------
        StoreError
            If the file cannot be read any more.
        """
        with self._failing_clearly():
            rows = self._connection.execute(
                f"SELECT name, seal, unreadable, {', '.join(PARTS)} FROM frames ORDER BY name"
            )
            for name, seal, reason, *content in rows:
                if _seal(reason, content) != seal:
                    continue
                yield decode(content) if reason is None else Unreadable(name=name, reason=reason)

    def put(self, identity: Identity, result: FrameMeasures | Unreadable) -> None:
        """Keep what was found of a file, in one transaction.

        Raises
        ------
        StoreError
            If it cannot be written, a full disk for example.
        """
        if isinstance(result, Unreadable):
            reason: str | None = result.reason
            content: Sequence[str | bytes | None] = [None] * len(PARTS)
        else:
            reason, content = None, encode(result)
        row = (
            identity.name,
            identity.size,
            identity.mtime_ns,
            identity.sample,
            __version__,
            reason,
            *content,
            _seal(reason, content),
        )
        places = ", ".join("?" * len(row))
        with self._failing_clearly(), self._connection:
            self._connection.execute(f"REPLACE INTO frames VALUES ({places})", row)

    def drop_all_but(self, names: set[str]) -> list[str]:
        """Forget files that are not in the folder any more; returns their names, sorted."""
        with self._failing_clearly(), self._connection:
            known = {name for (name,) in self._connection.execute("SELECT name FROM frames")}
            gone = sorted(known - names)
            self._connection.executemany("DELETE FROM frames WHERE name = ?", [(n,) for n in gone])
        return gone

    def drop(self, names: Iterable[str]) -> None:
        """Forget some files, so that they are measured again."""
        with self._failing_clearly(), self._connection:
            self._connection.executemany(
                "DELETE FROM frames WHERE name = ?", [(name,) for name in names]
            )

    def forget(self) -> None:
        """Drop every frame, so that all are measured again."""
        with self._failing_clearly(), self._connection:
            self._connection.execute("DELETE FROM frames")

    def identities(self) -> dict[str, Identity]:
        """All files that this version of the program knows, by name.

        Raises
        ------
        StoreError
            If the file cannot be read any more.
        """
        with self._failing_clearly():
            rows = self._connection.execute(
                "SELECT name, size, mtime_ns, sample FROM frames WHERE package_version = ?",
                (__version__,),
            ).fetchall()
        return {
            name: Identity(name=name, size=size, mtime_ns=mtime_ns, sample=sample)
            for name, size, mtime_ns, sample in rows
        }

    def keep_results(self, key: str, text: str) -> None:
        """Keep the latest results of the night under a key of what they depend on.

        Raises
        ------
        StoreError
            If they cannot be written.
        """
        pairs = {"results_key": f"{key} {_seal(text, ()).hex()}", "results": text}
        with self._failing_clearly(), self._connection:
            self._connection.executemany("REPLACE INTO night VALUES (?, ?)", pairs.items())

    def recall_results(self, key: str) -> str | None:
        """Recall the latest results if they are those of this key and undamaged.

        Raises
        ------
        StoreError
            If the file cannot be read any more.
        """
        with self._failing_clearly():
            pairs = dict(
                self._connection.execute(
                    "SELECT key, value FROM night WHERE key IN ('results_key', 'results')"
                )
            )
        text = pairs.get("results")
        if text is None or pairs.get("results_key") != f"{key} {_seal(text, ()).hex()}":
            return None
        return str(text)

    def remember_settings(self, settings: Settings) -> None:
        """Keep the settings and the package version of the latest results."""
        pairs = {
            "settings": json.dumps(asdict(settings), sort_keys=True),
            "package_version": __version__,
        }
        with self._failing_clearly(), self._connection:
            self._connection.executemany("REPLACE INTO night VALUES (?, ?)", pairs.items())

    def settings(self) -> Settings:
        """Recall the settings of the latest results; the usual ones where there are none."""
        with self._failing_clearly():
            found = self._connection.execute(
                "SELECT value FROM night WHERE key = 'settings'"
            ).fetchone()
        return Settings(**json.loads(found[0])) if found else Settings()

    @contextmanager
    def _failing_clearly(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise StoreError(
                f"{self.path}: the night's store failed ({error}). Check that the disk is not "
                "full and that no other program holds the file, then start again; "
                "frames already measured are kept."
            ) from error


class _UnusableError(Exception):
    """A store that cannot be used as it is; the text follows the file's name."""


# Damaged, no SQLite file at all, or one without our tables; any other failure (locked, not
# permitted, disk full) says nothing about the content, which must then stay where it is.
_BAD_CONTENT = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR}


def _open(path: Path) -> sqlite3.Connection:
    """Open or make a store, checked, with its tables."""
    connection = None
    try:
        connection = sqlite3.connect(path, timeout=_PATIENCE_S)
        _prepare(connection)
    except (sqlite3.DatabaseError, _UnusableError) as error:
        if connection is not None:
            connection.close()
        if isinstance(error, _UnusableError):
            raise
        if error.sqlite_errorcode & 0xFF in _BAD_CONTENT:
            raise _UnusableError(f"cannot be read ({error})") from error
        raise StoreError(
            f"{path}: the night's store cannot be opened ({error}). End any other program "
            "that works on this folder, or choose another place with --out."
        ) from error
    return connection


def _prepare(connection: sqlite3.Connection) -> None:
    # Looked at before anything is written: the file may be another program's.
    if _count_tables(connection):
        _check(connection)
    try:
        # Write-ahead logging lets others read while this one writes.
        connection.execute("PRAGMA journal_mode = WAL")
    except sqlite3.OperationalError:
        # Some network and memory-card file systems lack what the log needs.
        connection.execute("PRAGMA journal_mode = DELETE")
    connection.execute("PRAGMA synchronous = NORMAL")
    with connection:
        connection.execute("BEGIN IMMEDIATE")
        if not _count_tables(connection):
            for statement in filter(str.strip, _TABLES.split(";")):
                connection.execute(statement)
            connection.execute("INSERT INTO night VALUES ('schema_version', ?)", (SCHEMA_VERSION,))


def _count_tables(connection: sqlite3.Connection) -> int:
    (count,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    return int(count)


def _check(connection: sqlite3.Connection) -> None:
    found = connection.execute("SELECT value FROM night WHERE key = 'schema_version'").fetchone()
    if found != (str(SCHEMA_VERSION),):
        raise _UnusableError(f"is of data model {found and found[0]}, not {SCHEMA_VERSION}")
    (health,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if health != "ok":
        raise _UnusableError(f"is damaged ({' '.join(health.split())})")


def _set_aside(path: Path, why: Exception) -> Path:
    """Rename a store and what SQLite keeps beside it; never onto an existing file."""
    number = 1
    while (aside := path.with_name(f"{path.stem}-unusable-{number}{path.suffix}")).exists():
        number += 1
    try:
        for tail in ("", "-wal", "-shm", "-journal"):
            part = path.with_name(path.name + tail)
            if part.exists():
                part.rename(aside.with_name(aside.name + tail))
    except OSError as error:
        raise StoreError(
            f"{path} {why}, and cannot be renamed ({error.strerror}). Rename or delete it, "
            "or choose another place with --out."
        ) from error
    return aside


def _seal(reason: str | None, content: Sequence[str | bytes | None]) -> bytes:
    digest = hashlib.blake2b(digest_size=16)
    for part in (reason, *content):
        data = part.encode() if isinstance(part, str) else part or b""
        digest.update(len(data).to_bytes(8, "little"))
        digest.update(data)
    return digest.digest()
