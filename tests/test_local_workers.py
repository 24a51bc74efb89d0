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
    begun = [workers.submit(eval, sys.argv[1]) for _ in range(12)]
    print(*{one.result() for one in begun} - {os.getpid()}, flush=True)
    sys.stdin.readline()
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def at_once(monkeypatch) -> None:
    """All work counts as long."""
    monkeypatch.setattr(local_workers, "_LONG_S", 0.0)


# The processes need not find this file: what they are given is Python's own.
NAP = "(__import__('time').sleep(0.1), __import__('os').getpid())[1]"
COUNT = (
    "(mine.touch(), __import__('time').sleep(0.03), len([*mine.parent.iterdir()]), mine.unlink())"
)


def places(workers: LocalWorkers, count: int) -> list[int]:
    """Where each of some pieces of work was done."""
    begun = [workers.submit(eval, NAP) for _ in range(count)]
    return [one.result() for one in begun]


def test_short_work_is_done_in_this_process() -> None:
    with LocalWorkers(2) as workers:
        assert set(places(workers, 8)) == {os.getpid()}


@pytest.mark.usefixtures("at_once")
def test_long_work_goes_on_in_other_processes() -> None:
    with LocalWorkers(2) as workers:
        done = places(workers, 12)
        others = set(done[-6:])
        assert done[0] == os.getpid()
        assert os.getpid() not in others
        assert 1 <= len(others) <= 2
    assert not {child.pid for child in multiprocessing.active_children()} & others


@pytest.mark.usefixtures("at_once")
def test_one_job_needs_no_other_process() -> None:
    with LocalWorkers(1) as workers:
        assert set(places(workers, 4)) == {os.getpid()}


def test_a_break_makes_no_long_work_of_short_pieces(monkeypatch) -> None:
    """A night that was scored for long may hold one new frame: no process is worth it."""
    monkeypatch.setattr(local_workers, "_LONG_S", 0.1)
    with LocalWorkers(2) as workers:
        for _ in range(3):
            time.sleep(0.15)
            assert set(places(workers, 2)) == {os.getpid()}


@pytest.mark.usefixtures("at_once")
@pytest.mark.parametrize("error", [OSError("no more processes"), ValueError("at most 61")])
def test_threads_go_on_where_no_process_can_start(monkeypatch, error) -> None:
    def none(count: int, *, heed_ctrl_c: bool) -> None:
        raise error

    monkeypatch.setattr(local_workers, "start_processes", none)
    with LocalWorkers(2) as workers:
        assert set(places(workers, 8)) == {os.getpid()}


@pytest.mark.usefixtures("at_once")
def test_never_more_at_work_than_jobs(tmp_path) -> None:
    with LocalWorkers(2) as workers:
        # Each is at work while a file of its own is there.
        begun = [workers.submit(eval, COUNT, {"mine": tmp_path / str(k)}) for k in range(16)]
        assert max(one.result()[2] for one in begun) <= 2


@pytest.mark.usefixtures("at_once")
def test_processes_do_not_hear_ctrl_c() -> None:
    with LocalWorkers(2) as workers:
        places(workers, 10)
        assert workers.submit(signal.getsignal, signal.SIGINT).result() is signal.SIG_IGN
        # Not from the first moment on, before they have said so.
        blocked = workers.submit(signal.pthread_sigmask, signal.SIG_BLOCK, []).result()
        assert signal.SIGINT in blocked


@pytest.mark.usefixtures("at_once")
def test_a_process_killed_in_mid_run_loses_nothing(tmp_path) -> None:
    frames = tmp_path / "night"
    frames.mkdir()
    for number, path in enumerate(frame_paths(SAMPLE)[:4] * 6):
        (frames / f"{number:02d}-{path.name}").symlink_to(path)
    paths = frame_paths(frames)
    expected = {path.name: measure_file(path) for path in frame_paths(SAMPLE)[:4]}
    with LocalWorkers(2) as workers, NightStore(tmp_path / "night.sqlite") as store:
        victim = places(workers, 10)[-1]
        assert victim != os.getpid()
        results = []
        for one in measure_files(paths, store, executor=workers, in_hand=4):
            results.append(one)
            if len(results) == 3:
                os.kill(victim, signal.SIGKILL)
        # What is left is done by threads.
        assert set(places(workers, 10)) == {os.getpid()}
        assert store.identities().keys() == {path.name for path in paths}
    assert len(results) == 24
    for one in results:
        assert isinstance(one, FrameMeasures)
        like = expected[one.file_name[3:]]
        assert isinstance(like, FrameMeasures)
        assert one.fwhm_px == like.fwhm_px


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="told by /proc, not here")
def test_no_process_outlives_the_one_that_was_killed(tmp_path) -> None:
    script = tmp_path / "lost.py"
    script.write_text(LOST, encoding="utf-8")
    with subprocess.Popen(
        [sys.executable, script, NAP], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    ) as lost:  # fmt: skip
        assert lost.stdin is not None
        assert lost.stdout is not None
        left = {int(pid) for pid in lost.stdout.readline().split()}
        assert left
        assert all(map(is_running, left))
        _, shown = lost.communicate("go\n")
    assert lost.returncode == -signal.SIGKILL
    assert shown == ""
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
