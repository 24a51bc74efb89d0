"""The cores of this machine as an executor: threads at once, processes where work lasts."""

import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from typing import Any

from starwinnow.compiled import can_compile_at_once
from starwinnow.processes import deaf_from_the_start, start_processes

__all__ = ["LocalWorkers"]

# A process takes a second to start. Python's lock, which threads share, holds them up for a tenth
# of a large frame's time and nearly all of a small one's.
_LONG_S = 5.0
# What goes wrong where no process can be started: limits of the system, or no way to talk to them.
_NO_PROCESS = (BrokenExecutor, OSError, ValueError, NotImplementedError, ImportError)


class LocalWorkers(Executor):
    """Work is done in threads; what lasts longer than some seconds goes on in processes.

    Threads go on where processes cannot be started, and where one was ended from outside: what
    the processes had in hand fails with BrokenExecutor then and can be handed over once more.
    A script that uses this must not begin its work when it is imported, as the processes do.

    Parameters
    ----------
    jobs : int
        How many at a time. One stays a thread.
    """

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._pool: Executor = self._threads()
        self._in_hand: set[Future[Any]] = set()
        self._busy_since_s = 0.0
        # A frame of another kind than those before has them compile.
        self._may_change = jobs > 1 and can_compile_at_once()

    def submit(self, work: Callable[..., Any], /, *arguments: Any, **options: Any) -> Future[Any]:
        """Have work done; see `concurrent.futures.Executor.submit`.

        Once, before the first process begins, it waits for the threads to end: there are never
        more than `jobs` at work.
        """
        if not self._in_hand:
            self._busy_since_s = time.monotonic()
        lasts = time.monotonic() - self._busy_since_s >= _LONG_S
        try:
            if self._may_change and lasts and len(self._in_hand) >= self._jobs:
                self._may_change = False
                self._pool.shutdown()
                self._pool = start_processes(self._jobs, heed_ctrl_c=False)
            with deaf_from_the_start():
                future = self._pool.submit(work, *arguments, **options)
        except _NO_PROCESS:
            self._pool.shutdown()
            self._pool = self._threads()
            future = self._pool.submit(work, *arguments, **options)
        self._in_hand.add(future)
        future.add_done_callback(self._in_hand.discard)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End all workers; see `concurrent.futures.Executor.shutdown`."""
        self._pool.shutdown(wait, cancel_futures=cancel_futures)

    def _threads(self) -> Executor:
        return ThreadPoolExecutor(self._jobs, thread_name_prefix="measuring")
