"""Turns numeric functions into cached machine code, and tells when that work is still to do."""

import hashlib
import importlib
import multiprocessing
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any, cast

import numba

try:
    import fcntl
except ImportError:
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "can_compile_at_once",
    "compiled",
    "elementwise",
    "embedded",
    "inlined",
    "inner",
    "is_ready",
    "mark_ready",
]

# Kernels are written without types: numba infers them, once for each kind of pixels.
Kernel = Callable[..., Any]

_dispatchers: list[Any] = []


def can_compile_at_once() -> bool:
    """Whether other processes of this one may compile beside it.

    Without locks for files they would mix up their code, and a cluster's worker is not allowed
    processes of its own.
    """
    return not multiprocessing.current_process().daemon and fcntl is not None


def compiled(function: Kernel) -> Kernel:
    """Compile a function of plain numbers and arrays on first use and cache it on disk.

    The lock is released while it runs, and division by zero gives inf or NaN as in C.
    """
    dispatcher = numba.njit(cache=True, **_OPTIONS)(function)
    _keep_alone(dispatcher._cache)
    _load_light(dispatcher._cache)
    _dispatchers.append(dispatcher)
    return cast(Kernel, dispatcher)


def _keep_alone(kept: Any) -> None:
    """Let one process at a time keep a kernel's code.

    Two that keep it for different pixels at once would give both the same file, and what is then
    loaded for one kind of pixels is the code for the other.
    """
    keep = kept.save_overload

    def alone(signature: Any, code: Any) -> None:
        with _lock(Path(kept.cache_path)):
            keep(signature, code)

    kept.save_overload = alone


def _load_light(kept: Any) -> None:
    """Let a kernel's first use, which looks for kept code, load no more of numba than it needs."""
    load = kept.load_overload

    def light(signature: Any, context: Any) -> Any:
        _load_arrays()
        return load(signature, context)

    kept.load_overload = light


@cache
def _load_arrays() -> None:
    """Load numba's arrays without the linear algebra that they look for meanwhile.

    That takes a tenth of a second and more, and no kernel here needs it; others' code that does
    loads it later, as ever.
    """
    linalg = importlib.import_module("numba.np.linalg")
    look = getattr(linalg, "ensure_blas", None)
    # A name of numba's own: where it is gone nothing is put off.
    if look is None:
        return
    linalg.ensure_blas = lambda: None  # type: ignore[attr-defined]
    try:
        importlib.import_module("numba.np.arraymath")
    finally:
        linalg.ensure_blas = look  # type: ignore[attr-defined]


@contextmanager
def _lock(folder: Path) -> Iterator[None]:
    """Wait for other processes that keep code in this folder."""
    with ExitStack() as stack:
        # Where no file can be written none is kept either.
        with suppress(OSError):
            if fcntl is not None:
                folder.mkdir(parents=True, exist_ok=True)
                lock = stack.enter_context((folder / "kernels.lock").open("w"))
                fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def inner(function: Kernel) -> Kernel:
    """Compile a function that only kernels call.

    It has no way in from Python and is not kept by itself: each kernel's code holds its own.
    """
    options = _OPTIONS | {"no_cpython_wrapper": True}
    return cast(Kernel, numba.njit(**options)(function))


def embedded(function: Kernel) -> Kernel:
    """Compile as `inner` does, and make the machine code part of each kernel that calls it.

    A process that has just compiled several kernels has several versions of an inner function,
    which may round single-precision sums differently, and takes one of them for all; a process
    that loads kept code has each kernel's own. So both give the same.
    """
    options = _OPTIONS | {"no_cpython_wrapper": True, "forceinline": True}
    return cast(Kernel, numba.njit(**options)(function))


def elementwise(function: Kernel) -> Kernel:
    """Compile as `embedded` does, and keep the order of sums as written.

    For what relies on how each sum is rounded. Loops in which no element needs another use vector
    instructions all the same.
    """
    options = {"no_cpython_wrapper": True, "forceinline": True, "fastmath": _FAST - {"reassoc"}}
    return cast(Kernel, numba.njit(**(_OPTIONS | options))(function))


def inlined(function: Kernel) -> Kernel:
    """Make a function part of every kernel that calls it, before that is compiled.

    A call that hands arrays over costs more than a few dozen operations on numbers, and what is
    short and called from one place takes half as long to compile so. Each further place is compiled
    anew.
    """
    options = _OPTIONS | {"inline": "always"}
    return cast(Kernel, numba.njit(**options)(function))


# Reordering sums lets loops use vector instructions; NaN and infinity keep their meaning,
# because pixels without value are NaN.
_FAST = {"reassoc", "contract", "arcp", "nsz"}
_OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "no_cfunc_wrapper": True,
    "fastmath": _FAST,
}


def _marker(part: str) -> Path | None:
    """Path of the file that says this version of every kernel of a part is on disk."""
    digest = hashlib.sha256(f"{numba.__version__} {sys.version}".encode())
    # Commands import modules in different orders.
    ordered = sorted(
        _dispatchers, key=lambda kernel: (kernel.py_func.__module__, kernel.py_func.__qualname__)
    )
    for dispatcher in ordered:
        source = Path(dispatcher.py_func.__code__.co_filename)
        digest.update(f"{dispatcher.py_func.__qualname__} {source.stat().st_mtime_ns}".encode())
    folder = ordered[0].stats.cache_path if ordered else None
    return Path(folder) / f"kernels-{part}-{digest.hexdigest()[:16]}.ready" if folder else None


def is_ready(part: str) -> bool:
    """Whether this part of the kernels imported so far was compiled and kept by an earlier run."""
    marker = _marker(part)
    return marker is not None and marker.exists()


def mark_ready(part: str) -> None:
    """Remember that a part of the kernels imported so far is kept; silent where it cannot be."""
    marker = _marker(part)
    if marker is None:
        return
    try:
        marker.parent.mkdir(parents=True, exist_ok=True)
        marker.touch()
    except OSError:
        return
