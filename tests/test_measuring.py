"""Files measured by many workers: bounded, kept at once, nothing lost; a cluster's too."""

import os
import shutil
import signal
import threading
import time
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import pytest
from distributed import LocalCluster

from starwinnow import measuring
from starwinnow.cluster import cluster_executor
from starwinnow.errors import ClusterError
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measuring import measure_file, measure_files
from starwinnow.readers import frame_paths
from starwinnow.settings import Settings
from starwinnow.store import Identity, NightStore, Unreadable, identify
from starwinnow.work_ahead import DoneAhead
from starwinnow_cli.main import main
from starwinnow_cli.score import score_folder

SAMPLE = Path(__file__).parents[1] / "sample_frames"


def in_order(results) -> list[tuple[str, float]]:
    return sorted((one.file_name, one.fwhm_px) for one in results)


@pytest.fixture(scope="module")
def alone() -> list[tuple[str, float]]:
    """What one worker finds in the first six sample frames."""
    return in_order(measure_file(path) for path in frame_paths(SAMPLE)[:6])


@pytest.mark.parametrize("kind", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_any_executor_finds_the_same(tmp_path, alone, kind) -> None:
    # Forked processes would inherit locks of the threads that other tests have started.
    fresh = {"mp_context": get_context("spawn")} if kind is ProcessPoolExecutor else {}
    with (
        kind(2, **fresh) as executor,
        NightStore(tmp_path / "night.sqlite") as store,
    ):
        paths = frame_paths(SAMPLE)[:6]
        found = in_order(measure_files(paths, store, executor=executor, in_hand=3))
        assert found == alone
        assert store.identities().keys() == {path.name for path in paths}


def test_one_file_needs_no_thread(tmp_path, alone, monkeypatch) -> None:
    """A running night measures file by file: a thread for each would cost half of recalling one."""
    path = frame_paths(SAMPLE)[0]
    monkeypatch.setattr(measuring, "ThreadPoolExecutor", None)
    with NightStore(tmp_path / "night.sqlite") as store:
        (found,) = measure_files([path], store)
        assert (found.file_name, found.fwhm_px) in alone


@pytest.fixture
def looked_into(monkeypatch) -> list[str]:
    """Names of the files that were looked into."""
    names = []

    def noted(path: Path) -> Identity:
        names.append(path.name)
        return identify(path)

    monkeypatch.setattr(measuring, "identify", noted)
    return names


def test_files_looked_at_are_looked_into_again_only_when_changed(tmp_path, looked_into) -> None:
    paths = [tmp_path / path.name for path in frame_paths(SAMPLE)[:4]]
    for path in paths:
        shutil.copy(SAMPLE / path.name, path)
    with NightStore(tmp_path / "night.sqlite") as store:
        before = in_order(measure_files(paths, store))
        looked_into.clear()
        # One has the light of another now, one was never looked at, and one is unknown by name.
        shutil.copy(paths[1], paths[0])
        names = {paths[0].name, paths[1].name, paths[2].name, "never_there.fits"}
        after = in_order(measure_files(paths, store, looked_at=names))
        assert sorted(looked_into) == [paths[0].name, paths[3].name]
        # What has vanished is said to be unreadable, as ever.
        paths[2].unlink()
        last = [
            one
            for one in measure_files(paths, store, looked_at=names)
            if isinstance(one, Unreadable)
        ]
        assert [one.name for one in last] == [paths[2].name]
    fwhm_px = dict(before)
    assert fwhm_px[paths[0].name] != fwhm_px[paths[1].name]
    assert dict(after) == fwhm_px | {paths[0].name: fwhm_px[paths[1].name]}


def test_the_end_of_a_watch_looks_into_no_file_of_its_own_again(tmp_path, looked_into) -> None:
    folder = tmp_path / "night"
    folder.mkdir()
    for path in frame_paths(SAMPLE)[:4]:
        shutil.copy2(path, folder)
    names = [path.name for path in frame_paths(folder)]
    results = tmp_path / "results"
    results.mkdir()
    with NightStore(results / "night.sqlite") as store:
        list(measure_files(frame_paths(folder), store))
    looked_into.clear()
    ahead = DoneAhead(looked_at=frozenset(names[:3]))
    score_folder(folder, results, Settings(), ahead=ahead)
    assert looked_into == names[3:]


def test_new_files_do_not_wait_behind_those_that_are_known(tmp_path, monkeypatch) -> None:
    paths = [tmp_path / f"frame_{number:03d}.fits" for number in range(60)]
    for path in paths:
        shutil.copy(SAMPLE / frame_paths(SAMPLE)[0].name, path)
    one = measure_file(paths[0])
    monkeypatch.setattr(measuring, "measure_file", lambda path: replace(one, file_name=path.name))
    with NightStore(tmp_path / "night.sqlite") as store:
        list(measure_files(paths[2:], store))
        known = {path.name for path in paths[2:]}
        given = []
        for result in measure_files(paths, store, looked_at=known):
            given.append(result.file_name)
            # As long as recalling takes for many more.
            time.sleep(0.005)
    assert sorted(given) == [path.name for path in paths]
    assert max(given.index(path.name) for path in paths[:2]) < 30


class Gate:
    """Stands in for the measuring: waits to be let through, and counts."""

    def __init__(self, true_measures: FrameMeasures) -> None:
        self.open = threading.Event()
        self.lock = threading.Lock()
        self.begun: list[str] = []
        self.measures = true_measures

    def __call__(self, path: Path) -> FrameMeasures:
        with self.lock:
            self.begun.append(path.name)
        assert self.open.wait(20)
        return replace(self.measures, file_name=path.name)


@pytest.fixture
def gate(monkeypatch) -> Gate:
    one = measure_file(frame_paths(SAMPLE)[0])
    assert isinstance(one, FrameMeasures)
    stand_in = Gate(one)
    monkeypatch.setattr(measuring, "measure_file", stand_in)
    return stand_in


class Counting(Executor):
    """Passes work on to threads and counts what was handed over."""

    def __init__(self, threads: ThreadPoolExecutor) -> None:
        self.threads, self.handed = threads, 0

    def submit(self, work, /, *arguments, **options):
        self.handed += 1
        return self.threads.submit(work, *arguments, **options)


def made_files(folder: Path, count: int) -> list[Path]:
    paths = [folder / f"{number:02d}.fits" for number in range(count)]
    for path in paths:
        path.write_bytes(b"whatever")
    return paths


def test_no_more_is_handed_over_than_asked_for(tmp_path, gate) -> None:
    gate.open.set()
    with ThreadPoolExecutor(2) as threads, NightStore(tmp_path / "night.sqlite") as store:
        executor = Counting(threads)
        given = 0
        for _ in measure_files(made_files(tmp_path, 12), store, executor=executor, in_hand=4):
            given += 1
            assert executor.handed <= given + 4
    assert given == 12


def test_what_workers_have_in_hand_is_kept_when_stopped_and_the_rest_called_off(
    tmp_path, gate
) -> None:
    paths = made_files(tmp_path, 12)
    with ThreadPoolExecutor(2) as threads, NightStore(tmp_path / "night.sqlite") as store:
        gate.open.set()
        measured = measure_files(paths, store, executor=threads, in_hand=6)
        first = next(measured)
        measured.close()
        known = store.identities().keys()
        assert first.file_name in known
        assert known == set(gate.begun)
        assert len(known) < 12
        rest = list(measure_files(paths, store, executor=threads, in_hand=6))
    assert len(rest) == 12
    assert sorted(gate.begun) == [path.name for path in paths]


def test_a_bug_in_a_worker_is_not_hidden_and_loses_nothing(tmp_path, gate, monkeypatch) -> None:
    gate.open.set()

    def sometimes(path: Path) -> FrameMeasures:
        if path.name == "03.fits":
            raise ZeroDivisionError(path.name)
        return gate(path)

    monkeypatch.setattr(measuring, "measure_file", sometimes)
    with ThreadPoolExecutor(2) as threads, NightStore(tmp_path / "night.sqlite") as store:
        with pytest.raises(ZeroDivisionError, match=r"03\.fits"):
            list(measure_files(made_files(tmp_path, 8), store, executor=threads, in_hand=4))
        assert store.identities().keys() == set(gate.begun)


@pytest.fixture(scope="module")
def cluster():
    """A scheduler and two worker processes of one thread on this machine."""
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        host="127.0.0.1", silence_logs=50,
    ) as running:  # fmt: skip
        yield running


def test_a_worker_killed_in_mid_run_loses_nothing(tmp_path, alone, cluster) -> None:
    frames = tmp_path / "night"
    frames.mkdir()
    for number, path in enumerate(frame_paths(SAMPLE)[:6] * 8):
        (frames / f"{number:02d}-{path.name}").symlink_to(path)
    paths = frame_paths(frames)
    with (
        NightStore(tmp_path / "night.sqlite") as store,
        cluster_executor(cluster.scheduler_address, [frames]) as (executor, threads),
    ):
        assert threads == 2
        results, victim = [], None
        for one in measure_files(paths, store, executor=executor, in_hand=2 * threads):
            results.append(one)
            if len(results) == 5:
                victim = next(iter(cluster.workers.values())).pid
                os.kill(victim, signal.SIGKILL)
        assert store.identities().keys() == {path.name for path in paths}
    assert victim is not None
    expected = dict(alone)
    assert len(results) == 48
    for one in results:
        assert isinstance(one, FrameMeasures)
        assert one.fwhm_px == expected[one.file_name[3:]]


def test_the_command_measures_over_a_cluster(tmp_path, cluster, capsys) -> None:
    words = ["score", str(SAMPLE), "--scheduler", cluster.scheduler_address]
    assert main([*words, "--out", str(tmp_path / "far")]) == 0
    assert main(["score", str(SAMPLE), "--jobs", "2", "--out", str(tmp_path / "here")]) == 0
    capsys.readouterr()
    for name in ("frames.ecsv", "night.json", "keep.txt"):
        assert (tmp_path / "far" / name).read_bytes() == (tmp_path / "here" / name).read_bytes()


def test_a_folder_that_workers_do_not_see_is_told(tmp_path, cluster) -> None:
    with (
        pytest.raises(ClusterError, match=r"does not see .*gone.*under the same path"),
        cluster_executor(cluster.scheduler_address, [tmp_path / "gone"]),
    ):
        pass


def test_a_scheduler_that_does_not_answer_is_told(monkeypatch) -> None:
    monkeypatch.setattr("starwinnow.cluster._PATIENCE_S", 0.5)
    with (
        pytest.raises(ClusterError, match=r"no scheduler answers there.*tcp://host:8786"),
        cluster_executor("tcp://127.0.0.1:1", []),
    ):
        pass
