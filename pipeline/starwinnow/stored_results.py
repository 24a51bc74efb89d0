"""The results of an unchanged night, kept beside its measures so that they need no new scoring."""

import dataclasses
import functools
import hashlib
import json
import types
import typing
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starwinnow import __version__
from starwinnow.settings import Settings
from starwinnow.store import Identity, NightStore, identify

if TYPE_CHECKING:
    from starwinnow.night import NightSnapshot

__all__ = ["keep_results", "recall_results"]


def recall_results(
    paths: Sequence[Path], store: NightStore, settings: Settings, *, threads: int = 1
) -> "NightSnapshot | None":
    """Recall the results of exactly these files, settings and this version of the program.

    Parameters
    ----------
    paths : sequence of Path
        All files of the night.
    store : NightStore
    settings : Settings
    threads : int
        How many look at files at once.

    Returns
    -------
    NightSnapshot or None
        None when anything changed, or no results were kept.

    Raises
    ------
    StoreError
        If the store cannot be read.
    """
    known = store.identities()
    # Names, sizes and times are seen at once; only where they agree, and results of them were
    # kept, is content looked at.
    if {path.name for path in paths} != known.keys():
        return None
    text = store.recall_results(_key(known, settings))
    if text is None or not all(known[path.name].may_be(path) for path in paths):
        return None
    try:
        with ThreadPoolExecutor(threads) as pool:
            if any(known[found.name] != found for found in pool.map(identify, paths)):
                return None
    except OSError:
        return None
    # Scoring takes half a second to load: only where there is something to recall.
    from starwinnow.night import NightSnapshot  # noqa: PLC0415

    snapshot: NightSnapshot = _builder(NightSnapshot)(json.loads(text))
    return snapshot


def keep_results(snapshot: "NightSnapshot", store: NightStore) -> None:
    """Keep the results of all files in the store.

    Raises
    ------
    StoreError
        If they cannot be written.
    """
    text = json.dumps(_plain(snapshot), separators=(",", ":"))
    store.keep_results(_key(store.identities(), snapshot.settings), text)


def _key(known: dict[str, Identity], settings: Settings) -> str:
    """Digest of all that results depend on."""
    digest = hashlib.blake2b(digest_size=16)
    digest.update(json.dumps(dataclasses.asdict(settings), sort_keys=True).encode())
    digest.update(_program().encode())
    for name in sorted(known):
        one = known[name]
        digest.update(f"\n{one.name}\t{one.size}\t{one.mtime_ns}\t{one.sample.hex()}".encode())
    return digest.hexdigest()


@functools.cache
def _program() -> str:
    """Version of the program, with the times of its files: a developer's change counts too."""
    files = Path(__file__).parent.rglob("*.*")
    sources = sorted(path for path in files if path.suffix in {".py", ".html", ".css", ".js"})
    return " ".join([__version__, *(str(path.stat().st_mtime_ns) for path in sources)])


def _plain(value: Any) -> Any:
    """Turn a dataclass and all in it into what JSON holds."""
    if dataclasses.is_dataclass(value):
        return [_plain(getattr(value, field.name)) for field in dataclasses.fields(value)]
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value]
    if isinstance(value, dict):
        return {key: _plain(one) for key, one in value.items()}
    return value.isoformat() if isinstance(value, datetime) else value


@functools.cache
def _builder(kind: Any) -> Callable[[Any], Any]:
    """Return the function that makes a value of a declared type from what `_plain` gave."""
    parts = typing.get_args(kind)
    origin = typing.get_origin(kind)
    if origin in {types.UnionType, typing.Union}:
        (inner,) = (part for part in parts if part is not type(None))
        build = _builder(inner)
        return lambda value: None if value is None else build(value)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        return _dataclass_builder(kind)
    if origin is tuple:
        if parts[-1] is Ellipsis:
            build = _builder(parts[0])
            return lambda values: tuple(build(value) for value in values)
        builds = tuple(_builder(part) for part in parts)
        return lambda values: tuple(b(v) for b, v in zip(builds, values, strict=True))
    if origin is dict:
        build = _builder(parts[1])
        return lambda values: {key: build(value) for key, value in values.items()}
    if kind is datetime:
        return datetime.fromisoformat
    if kind in {str, int, float, bool} or origin is typing.Literal:
        return _same
    raise TypeError(f"results cannot hold {kind} yet: teach {__name__} to build it")


def _dataclass_builder(kind: type) -> Callable[[Any], Any]:
    hints = typing.get_type_hints(kind)
    fields = [(field.name, _builder(hints[field.name])) for field in dataclasses.fields(kind)]

    def build(values: Sequence[Any]) -> Any:
        pairs = zip(fields, values, strict=True)
        return kind(**{name: value if b is _same else b(value) for (name, b), value in pairs})

    return build


def _same(value: Any) -> Any:
    return value
