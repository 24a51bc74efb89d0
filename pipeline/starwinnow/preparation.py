"""Compiles the measuring code, once on a machine, over two processes where there are two cores."""

import gc
import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

import numpy as np

from starwinnow import measure, relate
from starwinnow.compiled import is_ready, mark_ready
from starwinnow.focus_mask import first_use
from starwinnow.readers import in_place

__all__ = ["is_prepared", "prepare"]


def is_prepared() -> bool:
    """Whether all measuring code is on disk in compiled form."""
    # Readiness is that of all kernels imported so far: this module imports them all.
    return is_ready()


def prepare() -> None:
    """Compile all measuring code and keep it on disk.

    Only one thread of a process can compile at a time. So a second process compiles about half
    of it, and each takes from the disk what the other has finished; then this process looks
    through all of it, and compiles what got lost where both wrote the same index.
    """
    # A cluster's worker is not allowed processes of its own.
    if (os.cpu_count() or 1) > 1 and not multiprocessing.current_process().daemon:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(1, mp_context=context) as pool:
            half = pool.submit(_compile_for_floats)
            _compile_for_whole_numbers()
            # If it broke down this process does it all, and tells what is wrong if that fails too.
            if not isinstance(half.exception(), BrokenProcessPool | None):
                half.result()
    _compile_for_whole_numbers()
    _compile_for_floats()
    mark_ready()


def _compile_for_whole_numbers() -> None:
    # What both halves need, the loops over stars, comes last here and early there.
    with _without_search_for_cycles():
        in_place.warm_up()
        relate.warm_up()
        first_use.warm_up()
        measure.warm_up((np.uint16,))


def _compile_for_floats() -> None:
    with _without_search_for_cycles():
        measure.warm_up((np.float32,))


@contextmanager
def _without_search_for_cycles() -> Iterator[None]:
    """Compiling makes millions of objects that live on: a search for cycles among them is vain."""
    gc.disable()
    try:
        yield
    finally:
        gc.enable()
