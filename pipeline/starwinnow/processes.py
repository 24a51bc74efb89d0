"""More processes of one's own, which end with the one that started them."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import resource_tracker

__all__ = ["deaf_from_the_start", "start_processes"]


def start_processes(count: int, *, heed_ctrl_c: bool) -> ProcessPoolExecutor:
    """Give an executor of so many fresh processes.

    Parameters
    ----------
    count : int
        At least 1. They start as work is handed over.
    heed_ctrl_c : bool
        Whether Ctrl-C ends them at once and without words, where Python would tell of it at
        length; otherwise they do not hear it.
    """
    with _quiet_tracker():
        resource_tracker.ensure_running()
    return ProcessPoolExecutor(
        count,
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_begin,
        initargs=(heed_ctrl_c,),
    )


@contextmanager
def deaf_from_the_start() -> Iterator[None]:
    """Hand work over here: a process that starts meanwhile never hears Ctrl-C.

    It has the signal mask of the thread that starts it; where there are no masks it is deaf only
    once it has begun.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    former = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, former)


@contextmanager
def _quiet_tracker() -> Iterator[None]:
    """Have Python's tracker of semaphores clean up without a warning where this process is killed.

    A second Ctrl-C ends the command at once, and that is meant.
    """
    former = os.environ.get("PYTHONWARNINGS")
    silence = "ignore::UserWarning:multiprocessing.resource_tracker"
    os.environ["PYTHONWARNINGS"] = ",".join(filter(None, (former, silence)))
    try:
        yield
    finally:
        if former is None:
            del os.environ["PYTHONWARNINGS"]
        else:
            os.environ["PYTHONWARNINGS"] = former


def _begin(heed_ctrl_c: bool) -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL if heed_ctrl_c else signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this process when the one that started it is gone, however that ended.

    It would wait for work for ever.
    """
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
