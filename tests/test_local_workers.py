"""This machine's workers: threads at once, processes when it lasts, none left behind."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from starwinnow import local_workers
from starwinnow.frame_measures import FrameMeasures
from starwinnow.local_workers import LocalWorkers
from starwinnow.measuring import measure_file, measure_files
from starwinnow.readers import frame_paths
from starwinnow.store import NightStore

SAMPLE = Path(__file__).parents[1] / "sample_frames"
LOST = """
import os, signal, sys
from starwinnow import local_workers
local_workers._LONG_S = 0.0
if __name__ == "__main__":
    workers = local_workers.LocalWorkers(2)
    print(workers.submit(os.getpid).result(), workers.submit(os.getpid).result(), flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def at_once(monkeypatch) -> None:
    """All work counts as long."""
    monkeypatch.setattr(local_workers, "_LONG_S", 0.0)


def test_short_work_is_done_in_this_process() -> None:
    with LocalWorkers(2) as workers:
        assert {workers.submit(os.getpid).result() for _ in range(4)} == {os.getpid()}


def test_long_work_is_done_in_other_processes(monkeypatch) -> None:
    with LocalWorkers(2) as workers:
        assert workers.submit(os.getpid).result() == os.getpid()
        monkeypatch.setattr(local_workers, "_LONG_S", 0.0)
        others = {workers.submit(os.getpid).result() for _ in range(8)}
    assert os.getpid() not in others
    assert 1 <= len(others) <= 2
    assert not {child.pid for child in multiprocessing.active_children()} & others


@pytest.mark.usefixtures("at_once")
def test_one_job_needs_no_other_process() -> None:
    with LocalWorkers(1) as workers:
        assert workers.submit(os.getpid).result() == os.getpid()


@pytest.mark.usefixtures("at_once")
def test_a_process_killed_in_mid_run_loses_nothing(tmp_path) -> None:
    frames = tmp_path / "night"
    frames.mkdir()
    for number, path in enumerate(frame_paths(SAMPLE)[:4] * 6):
        (frames / f"{number:02d}-{path.name}").symlink_to(path)
    paths = frame_paths(frames)
    expected = {path.name: measure_file(path) for path in frame_paths(SAMPLE)[:4]}
    with LocalWorkers(2) as workers, NightStore(tmp_path / "night.sqlite") as store:
        victim = workers.submit(os.getpid).result()
        assert victim != os.getpid()
        results = []
        for one in measure_files(paths, store, executor=workers, in_hand=4):
            results.append(one)
            if len(results) == 3:
                os.kill(victim, signal.SIGKILL)
        # What is left is done by threads.
        assert workers.submit(os.getpid).result() == os.getpid()
        assert store.identities().keys() == {path.name for path in paths}
    assert len(results) == 24
    for one in results:
        assert isinstance(one, FrameMeasures)
        like = expected[one.file_name[3:]]
        assert isinstance(like, FrameMeasures)
        assert one.fwhm_px == like.fwhm_px


def test_no_process_outlives_the_one_that_was_killed(tmp_path) -> None:
    script = tmp_path / "lost.py"
    script.write_text(LOST, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    ) as lost:
        assert lost.stdout is not None
        left = {int(pid) for pid in lost.stdout.readline().split()}
    assert lost.returncode == -signal.SIGKILL
    assert left
    deadline = time.monotonic() + 10
    while any(map(is_running, left)) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not any(map(is_running, left))


def is_running(pid: int) -> bool:
    """Whether a process lives; one that ended and that nobody asked about does not."""
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii")
    except OSError:
        return False
    return state.rpartition(")")[2].split()[0] != "Z"
