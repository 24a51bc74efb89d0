"""Who measures: the cores of this machine, or a cluster's."""

import argparse
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from starwinnow.cores import usable_cores

__all__ = ["Workers", "add_worker_arguments", "local_workers", "open_workers"]

# So many files a worker are handed over: one in work, one read ahead.
_FILES_A_WORKER = 2
# Linear algebra would start threads of its own in each of ours. Read when numpy is loaded.
_ONE_THREAD = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Workers:
    """Where files are measured.

    Attributes
    ----------
    executor : Executor
    in_hand : int
        Files handed over at a time.
    """

    executor: Executor
    in_hand: int


def add_worker_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare `--jobs` and `--scheduler`, of which one at most is given."""
    choice = parser.add_mutually_exclusive_group()
    choice.add_argument(
        "--jobs",
        metavar="N",
        type=_jobs,
        help="frames measured at a time, one a core; each takes about 5 bytes of memory a pixel "
        "(130 MB for 26 million pixels), and 90 MB more when the work takes longer than some "
        "seconds; default: all cores",
    )
    choice.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="measure on the Dask cluster whose scheduler is here, such as tcp://host:8786; its "
        "machines must see the frames under the same path; needs starwinnow[cluster]",
    )


@contextmanager
def open_workers(options: argparse.Namespace, folders: Sequence[Path]) -> Iterator[Workers]:
    """Give the workers that the arguments ask for.

    Raises
    ------
    ClusterError
        If a cluster cannot be reached, does not suit, or is lost during the work.
    """
    if options.scheduler is None:
        with local_workers(options.jobs) as workers:
            yield workers
        return
    from starwinnow.cluster import cluster_executor  # noqa: PLC0415

    with cluster_executor(options.scheduler, folders) as (executor, threads):
        yield Workers(executor=executor, in_hand=_FILES_A_WORKER * threads)


@contextmanager
def local_workers(jobs: int | None = None) -> Iterator[Workers]:
    """Give workers on this machine, by default one for each core this process may use."""
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    # After the environment is set, which numpy looks at.
    from starwinnow.local_workers import LocalWorkers  # noqa: PLC0415

    jobs = jobs or usable_cores()
    with LocalWorkers(jobs) as executor:
        yield Workers(executor=executor, in_hand=_FILES_A_WORKER * jobs)


def _jobs(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError(f"{number} is not a number of frames: give 1 or more")
    return number
