"""Compiles the measuring code, once on a machine, over two processes where there are two cores."""

import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

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

    Only one thread of a process can compile at a time. So two processes compile about half each,
    and take from the disk what the other has finished; then this process looks through all of
    it, and compiles what got lost where both wrote the same index.
    """
    # A cluster's worker is not allowed processes of its own.
    if (os.cpu_count() or 1) > 1 and not multiprocessing.current_process().daemon:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(2, mp_context=context) as pool:
            halves = [pool.submit(_whole_numbers), pool.submit(_masks_and_floats)]
            for half in wait(halves).done:
                # Then this process does it all, and tells what is wrong if that fails too.
                if not isinstance(half.exception(), BrokenProcessPool | None):
                    half.result()
    in_place.warm_up()
    measure.warm_up()
    relate.warm_up()
    first_use.warm_up()
    mark_ready()


def _whole_numbers() -> None:
    in_place.warm_up()
    relate.warm_up()
    measure.warm_up((np.uint16,))


def _masks_and_floats() -> None:
    first_use.warm_up()
    measure.warm_up((np.float32,))
