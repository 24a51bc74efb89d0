"""Results of an unchanged night come back whole; any change has it scored anew."""

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from starwinnow import stored_results
from starwinnow.measuring import measure_files
from starwinnow.night import Night, NightSnapshot
from starwinnow.readers import frame_paths
from starwinnow.settings import Settings
from starwinnow.store import NightStore, Unreadable
from starwinnow.stored_results import keep_results, recall_results

SAMPLE = Path(__file__).parents[1] / "sample_frames"


@pytest.fixture
def scored(tmp_path) -> Iterator[tuple[list[Path], NightStore, NightSnapshot]]:
    """Six frames, one torn file, a store with their results."""
    for path in frame_paths(SAMPLE)[:6]:
        shutil.copy2(path, tmp_path)
    (tmp_path / "torn.fits").write_bytes(b"torn")
    paths = frame_paths(tmp_path)
    night = Night()
    with NightStore(tmp_path / "night.sqlite") as store:
        for one in measure_files(paths, store):
            if isinstance(one, Unreadable):
                night.add_unreadable(one.name, one.reason)
            else:
                night.add(one)
        snapshot = night.snapshot(Settings())
        keep_results(snapshot, store)
        yield paths, store, snapshot


def test_results_come_back_whole(scored) -> None:
    paths, store, snapshot = scored
    recalled = recall_results(paths, store, Settings(), threads=2)
    # NaN equals nothing, but its text does; numpy's numbers come back as plain ones.
    assert repr(recalled) == re.sub(r"np\.float64\((.*?)\)", r"\1", repr(snapshot))
    assert len(snapshot.unreadable) == 1


def test_other_settings_files_or_content_are_scored_anew(scored) -> None:
    paths, store, _ = scored
    assert recall_results(paths, store, Settings(aim="glow")) is None
    assert recall_results(paths[1:], store, Settings()) is None
    status = paths[0].stat()
    content = bytearray(paths[0].read_bytes())
    content[5000] ^= 1
    paths[0].write_bytes(content)
    assert recall_results(paths, store, Settings()) is None
    os.utime(paths[0], ns=(status.st_atime_ns, status.st_mtime_ns))
    assert recall_results(paths, store, Settings()) is None
    paths[0].unlink()
    assert recall_results(paths, store, Settings()) is None


def test_another_program_scores_anew(scored, monkeypatch) -> None:
    paths, store, _ = scored
    monkeypatch.setattr(stored_results, "_program", lambda: "another")
    assert recall_results(paths, store, Settings()) is None


def test_damaged_results_are_not_used(scored) -> None:
    paths, store, _ = scored
    store._connection.execute(
        "UPDATE night SET value = replace(value, 'keep', 'kept') WHERE key = 'results'"
    )
    assert recall_results(paths, store, Settings()) is None
