"""Files to measures, by one worker or many; every result is in the store before it is given."""

import os
from collections import deque
from collections.abc import Callable, Collection, Generator, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ThreadPoolExecutor,
    wait,
)
from pathlib import Path
from typing import Any

from starwinnow.errors import UnreadableFrameError
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.readers import read_frame
from starwinnow.store import Identity, NightStore, Unreadable, identify

__all__ = ["measure_file", "measure_files"]

Result = FrameMeasures | Unreadable
# Work handed over: which file, and in what state it was.
_Begun = dict[Future[Result], tuple[Path, Identity]]

# So many files are looked at before they are asked for.
_LOOKS_AHEAD = 8


def measure_file(path: Path) -> Result:
    """Read and measure one file: the work that is sent to a worker, in any process."""
    try:
        return measure(read_frame(path, lasting=False))
    except UnreadableFrameError as error:
        reason = " ".join(str(error).split()).removeprefix(f"{path.name}: ")
        return Unreadable(name=path.name, reason=reason)


def measure_files(
    paths: Iterable[Path],
    store: NightStore,
    *,
    executor: Executor | None = None,
    in_hand: int = 1,
    looked_at: Collection[str] = (),
) -> Generator[Result]:
    """Measure files, or recall them where the store knows them.

    Each result is in the store before it is given, so that nothing is lost when the caller
    stops. Files that cannot be read are results too. Close the iterator when stopping early:
    work that a worker has begun, or lies ready for a process, is then finished and kept, the rest
    is called off. What fails with BrokenExecutor is handed over once more.

    Parameters
    ----------
    paths : iterable of Path
    store : NightStore
        Used by the calling thread alone.
    executor : Executor, optional
        Where files are measured: threads, processes or a cluster whose machines all see the
        paths. In the calling thread by default.
    in_hand : int
        So many files at most are handed over and not yet given back; those waiting for a worker
        are read ahead into the system's cache. Results come as they are done. At least 1.
    looked_at : collection of str
        Names of files that were looked into in this session: those that the store knows by their
        size and time are not looked into again.

    Raises
    ------
    StoreError
        If the store cannot be written.
    """
    begun: _Begun = {}
    workers = executor or _Here()
    try:
        for path, identity in _identified(list(paths), _known(looked_at, store)):
            known = _recall(identity, store)
            if not isinstance(known, Identity):
                yield known
                continue
            _read_ahead(path, known.size)
            begun[workers.submit(measure_file, path)] = path, known
            if len(begun) >= in_hand:
                yield from _finished(begun, store, workers)
        while begun:
            yield from _finished(begun, store, workers)
    finally:
        _keep_what_is_running(begun, store)


def _known(names: Collection[str], store: NightStore) -> dict[str, Identity]:
    """Identities of these files as far as the store knows them, by name."""
    known = store.identities() if names else {}
    return {name: known[name] for name in names if name in known}


def _identified(
    paths: Sequence[Path], looked_at: Mapping[str, Identity]
) -> Iterator[tuple[Path, Identity | Unreadable]]:
    """Look into files in a thread of its own, a few ahead; those looked at before come at once."""
    if len(paths) == 1:
        yield paths[0], _identity(paths[0])
        return
    with ThreadPoolExecutor(1) as pool:
        begun: deque[tuple[Path, Future[Identity | Unreadable]]] = deque()
        for path in paths:
            known = looked_at.get(path.name)
            if known is not None and known.may_be(path):
                yield path, known
            else:
                known = None
                begun.append((path, pool.submit(_identity, path)))
            # New files, which take long to measure, do not wait behind those that are known.
            while begun and (len(begun) > _LOOKS_AHEAD or (known and begun[0][1].done())):
                first, future = begun.popleft()
                yield first, future.result()
        for path, future in begun:
            yield path, future.result()


def _identity(path: Path) -> Identity | Unreadable:
    """Recognise a file, or say why it cannot be."""
    if not path.name.isprintable():
        shown = path.name.encode("unicode_escape", "surrogatepass").decode("ascii")
        reason = "its name holds characters that are no text; rename the file"
        return Unreadable(name=shown, reason=reason)
    try:
        return identify(path)
    except OSError as error:
        return Unreadable(name=path.name, reason=f"cannot be opened ({error.strerror})")


def _recall(identity: Identity | Unreadable, store: NightStore) -> Result | Identity:
    """Give what is known of a file; its identity where it must be measured."""
    if isinstance(identity, Unreadable):
        return identity
    return store.find(identity) or identity


def _finished(begun: _Begun, store: NightStore, workers: Executor) -> Iterator[Result]:
    """Wait for the next results, keep and give them."""
    for future in wait(begun, return_when=FIRST_COMPLETED).done:
        path, identity = begun.pop(future)
        try:
            result = future.result()
        except BrokenExecutor:
            # Nobody takes it where the executor is of no more use.
            begun[workers.submit(measure_file, path)] = path, identity
            continue
        store.put(identity, result)
        yield result


def _keep_what_is_running(begun: _Begun, store: NightStore) -> None:
    """Call off what no worker has begun, and keep the rest when it is done."""
    running = [future for future in begun if not future.cancel()]
    for future in wait(running).done:
        if not future.cancelled() and future.exception() is None:
            store.put(begun[future][1], future.result())


def _read_ahead(path: Path, size: int) -> None:
    """Ask the system to fetch a file while others are measured; nothing where it cannot."""
    if not hasattr(os, "posix_fadvise"):
        return
    try:
        with path.open("rb", buffering=0) as file:
            os.posix_fadvise(file.fileno(), 0, size, os.POSIX_FADV_WILLNEED)
    except OSError:
        # The worker will say what is wrong with the file.
        return


class _Here(Executor):
    """Does the work in the calling thread, at once."""

    def submit(self, work: Callable[..., Any], /, *arguments: Any, **options: Any) -> Future[Any]:
        future: Future[Any] = Future()
        future.set_result(work(*arguments, **options))
        return future
