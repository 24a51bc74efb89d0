"""A Dask cluster as an executor, after making sure that it can measure these frames."""

from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError, Executor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from starwinnow import __version__
from starwinnow.errors import ClusterError
from starwinnow.preparation import is_prepared, prepare

__all__ = ["cluster_executor"]

_PATIENCE_S = 20


@contextmanager
def cluster_executor(address: str, folders: Sequence[Path]) -> Iterator[tuple[Executor, int]]:
    """Connect to a cluster, give its executor and how many threads it has, disconnect.

    The scheduler gives a lost worker's files to others.

    Parameters
    ----------
    address : str
        Of the scheduler, such as `tcp://host:8786`.
    folders : sequence of Path
        Every worker must see them.

    Raises
    ------
    ClusterError
        If Dask is not installed, the scheduler does not answer, it has no worker, a worker has
        another version of this program or does not see a folder, or the cluster is lost.
    """
    try:
        from distributed import Client, KilledWorker  # noqa: PLC0415
        from distributed.comm.core import CommClosedError  # noqa: PLC0415
    except ImportError as error:
        raise ClusterError(
            "--scheduler needs Dask, which is not installed. Install it with: "
            'python -m pip install "starwinnow[cluster]"'
        ) from error
    try:
        client: Any = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ClusterError(
            f"{address}: no scheduler answers there ({error}). Expected an address such as "
            "tcp://host:8786: check that the scheduler runs and can be reached."
        ) from error
    with client:
        try:
            threads = _suited_threads(client, address, folders)
            yield client.get_executor(), threads
        except (CommClosedError, KilledWorker, CancelledError) as error:
            raise ClusterError(
                f"{address}: the cluster was lost or could not do its work ({error}). Start it "
                "again, then the same command: frames already measured are kept."
            ) from error


def _suited_threads(client: Any, address: str, folders: Sequence[Path]) -> int:
    """Count the threads of workers that have this version, compiled, and see the folders."""
    threads: int = sum(client.nthreads().values())
    if threads == 0:
        raise ClusterError(
            f"{address}: the scheduler has no workers. Start at least one: dask worker {address}"
        )
    wanted = [str(folder) for folder in folders]
    try:
        answers = client.run(_state, wanted)
    except ImportError as error:
        raise ClusterError(
            f"{address}: a worker lacks starwinnow ({error}). Install version {__version__} on "
            "all machines."
        ) from error
    for worker, (version, unseen, _) in answers.items():
        if version != __version__:
            raise ClusterError(
                f"{address}: the worker {worker} has starwinnow {version}, expected {__version__}. "
                "Install the same version on all machines."
            )
        if unseen:
            raise ClusterError(
                f"{address}: the worker {worker} does not see {unseen[0]}. Put the frames on "
                "storage that all machines see under the same path."
            )
    unprepared = [worker for worker, (_, _, prepared) in answers.items() if not prepared]
    client.gather([client.submit(prepare, workers=[one], pure=False) for one in unprepared])
    return threads


def _state(folders: Sequence[str]) -> tuple[str, list[str], bool]:
    """On a worker: its version, which folders it does not see, whether its code is compiled."""
    unseen = [folder for folder in folders if not Path(folder).is_dir()]
    return __version__, unseen, is_prepared()
