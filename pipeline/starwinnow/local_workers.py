"""The cores of this machine as an executor: threads at once, processes where work proves long."""

import time
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from typing import Any

from starwinnow.processes import ctrl_c_kept_back, start_processes

__all__ = ["LocalWorkers"]

# A process takes a second to start. Python's lock, which threads share, holds them up for a tenth
# of a large frame's time and most of a small one's.
_LONG_S = 5.0


class LocalWorkers(Executor):
    """Work is done in threads of this process; after some seconds in processes of their own.

    Parameters
    ----------
    jobs : int
        How many at a time. One stays a thread.
    """

    def __init__(self, jobs: int) -> None:
        self._jobs = jobs
        self._threads = ThreadPoolExecutor(jobs, thread_name_prefix="measuring")
        self._processes: Executor | None = None
        self._begun_s: float | None = None
        self._broken = False

    def submit(self, work: Callable[..., Any], /, *arguments: Any, **options: Any) -> Future[Any]:
        """Have work done; see `concurrent.futures.Executor.submit`.

        If a process is ended from outside, what the processes have in hand fails with
        BrokenExecutor, and threads do what comes after.
        """
        now_s = time.monotonic()
        if self._begun_s is None:
            self._begun_s = now_s
        if self._processes is None and self._jobs > 1 and now_s - self._begun_s >= _LONG_S:
            self._processes = start_processes(self._jobs, heed_ctrl_c=False)
        if self._processes is not None and not self._broken:
            try:
                with ctrl_c_kept_back():
                    return self._processes.submit(work, *arguments, **options)
            except BrokenExecutor:
                self._broken = True
        return self._threads.submit(work, *arguments, **options)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End all workers; see `concurrent.futures.Executor.shutdown`."""
        self._threads.shutdown(wait, cancel_futures=cancel_futures)
        if self._processes is not None:
            self._processes.shutdown(wait, cancel_futures=cancel_futures)
