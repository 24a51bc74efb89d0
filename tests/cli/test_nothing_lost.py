"""What befalls a computer at night: clear words, old results whole, raw frames untouched."""

import errno
import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from astropy.io import fits

from starwinnow import measuring, readers, whole_file
from starwinnow.store import Identity, NightStore, Unreadable
from starwinnow_cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_frames"
SCORE = "import sys; from starwinnow_cli.main import main; sys.exit(main(['score', sys.argv[1]]))"
RESULTS = ("frames.ecsv", "night.json", "keep.txt")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Four plain frames of the sample night."""
    (tmp_path / "night").mkdir()
    plain = [path for path in readers.frame_paths(SAMPLE) if path.suffix == ".fits"]
    for path in plain[:4]:
        shutil.copy2(path, tmp_path / "night")
    return tmp_path / "night"


def digests(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in readers.frame_paths(folder)
    }


def results_of(folder: Path) -> dict[str, bytes]:
    return {name: (folder / "starwinnow" / name).read_bytes() for name in RESULTS}


def rows_of(folder: Path) -> dict[str, dict]:
    content = json.loads((folder / "starwinnow" / "night.json").read_text())
    return {row["file"]: row for row in content["frames"]}


def failing(number: int) -> Callable[..., None]:
    def fail(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


def test_a_full_disk_leaves_the_old_results_whole(folder, monkeypatch, capsys) -> None:
    assert main(["score", str(folder)]) == 0
    results, frames = results_of(folder), digests(folder)
    with monkeypatch.context() as patch:
        patch.setattr(whole_file.os, "fsync", failing(errno.ENOSPC))
        assert main(["score", str(folder), "--aim", "glow"]) == 2
    shown = capsys.readouterr().err
    assert "No space left on device" in shown
    assert "--out" in shown
    assert (results_of(folder), digests(folder)) == (results, frames)
    assert not list((folder / "starwinnow").glob(".*"))
    assert main(["score", str(folder), "--aim", "glow"]) == 0
    assert results_of(folder) != results


def test_a_disk_that_fills_while_measuring_keeps_what_was_measured(
    folder, monkeypatch, capsys
) -> None:
    put = NightStore.put

    def put_on_a_small_disk(store: NightStore, identity: Identity, result: object) -> None:
        put(store, identity, result)
        (pages,) = store._connection.execute("PRAGMA page_count").fetchone()
        store._connection.execute(f"PRAGMA max_page_count = {pages + 1}")

    with monkeypatch.context() as patch:
        patch.setattr(NightStore, "put", put_on_a_small_disk)
        assert main(["score", str(folder)]) == 2
    shown = capsys.readouterr().err
    assert "database or disk is full" in shown
    assert "frames already measured are kept" in shown
    measured: list[Path] = []
    read = readers.read_frame
    monkeypatch.setattr(
        measuring, "read_frame", lambda path, **how: measured.append(path) or read(path, **how)
    )
    assert main(["score", str(folder)]) == 0
    assert len(measured) == 3


def test_a_folder_that_cannot_be_written_to_is_told_with_a_way_on(
    folder, tmp_path, monkeypatch, capsys
) -> None:
    frames = digests(folder)
    with monkeypatch.context() as patch:
        patch.setattr(Path, "mkdir", failing(errno.EROFS))
        assert main(["score", str(folder)]) == 2
    shown = capsys.readouterr().err
    assert "Read-only file system" in shown
    assert "--out" in shown
    assert main(["score", str(folder), "--out", str(tmp_path / "elsewhere")]) == 0
    assert digests(folder) == frames
    assert {path.name for path in folder.iterdir()} == set(frames)


@pytest.mark.parametrize("moment", ["before it is opened", "before it is read"])
def test_a_file_that_vanishes_after_listing_is_named_and_no_more(
    moment, folder, monkeypatch, capsys
) -> None:
    lost = readers.frame_paths(folder)[1]
    identify = measuring.identify

    def identify_and_lose(path: Path) -> Identity:
        if path == lost and moment == "before it is opened":
            lost.unlink()
        identity = identify(path)
        if path == lost:
            lost.unlink()
        return identity

    monkeypatch.setattr(measuring, "identify", identify_and_lose)
    assert main(["score", str(folder)]) == 1
    gone = "cannot be opened (No such file or directory)"
    assert f"Not read: {lost.name}: {gone}" in capsys.readouterr().err
    rows = rows_of(folder)
    assert rows[lost.name]["note"] == gone
    assert [row["verdict"] != "not-scored" for row in rows.values()].count(True) == 3


def test_clocks_that_jump_lose_no_frame_and_no_measure(folder, monkeypatch) -> None:
    """A camera's computer set back by an hour, to its first day, and files from the future."""
    paths = readers.frame_paths(folder)
    for path, start in zip(
        paths,
        (
            "2024-03-09T21:00:00",
            "2024-03-09T20:00:08",
            "1970-01-01T00:00:03",
            "2024-03-09T21:00:00",
        ),
        strict=True,
    ):
        fits.setval(path, "DATE-OBS", value=start)
        later = datetime(2090, 1, 1, tzinfo=UTC).timestamp()
        os.utime(path, (later, later))
    assert main(["score", str(folder)]) == 0
    rows = rows_of(folder)
    assert all(row["verdict"] != "not-scored" for row in rows.values()), rows
    before = results_of(folder)
    monkeypatch.setattr(measuring, "read_frame", failing(errno.EIO))
    assert main(["score", str(folder)]) == 0
    assert results_of(folder) == before


def test_two_runs_at_once_end_as_one_does(folder, tmp_path) -> None:
    frames = digests(folder)
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", SCORE, str(folder)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for _ in range(2)
    ]
    for run in runs:
        _, shown = run.communicate(timeout=120)
        assert run.returncode == 0, shown
    assert digests(folder) == frames
    both = results_of(folder)
    assert main(["score", str(folder), "--out", str(tmp_path / "alone")]) == 0
    assert both == {name: (tmp_path / "alone" / name).read_bytes() for name in RESULTS}
    with NightStore(folder / "starwinnow" / "night.sqlite") as store:
        assert store.notice == ""
        for path in readers.frame_paths(folder):
            assert not isinstance(store.find(measuring.identify(path)), Unreadable | None)
