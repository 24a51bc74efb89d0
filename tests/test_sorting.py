"""Sorting into folders: every byte kept, nothing overwritten, stopped runs ended or undone."""

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from starwinnow.errors import OutputError
from starwinnow.sorting import How, plan_sorting, read_sorting
from starwinnow_cli.main import main

_COMMAND = "import sys; from starwinnow_cli.main import main; sys.exit(main(sys.argv[1:]))"


def _night(folder: Path, count: int = 6, size: int = 5_000) -> dict[str, bytes]:
    rng = np.random.default_rng(4)
    contents = {f"f{n:03}.fits": rng.bytes(size) for n in range(count)}
    (folder / "starwinnow").mkdir(parents=True)
    for name, content in contents.items():
        (folder / name).write_bytes(content)
    rows = [{"file": name, "kept": n % 3 != 0} for n, name in enumerate(contents)]
    (folder / "starwinnow" / "night.json").write_text(json.dumps({"frames": rows}))
    return contents


def _frames(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.suffix == ".fits"}


@pytest.mark.parametrize("how", ["copy", "link", "move"])
def test_sorted_and_taken_back(how: How, tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    contents = _night(night)
    arguments = ["sort", str(night), "--to", str(to)]
    way = [] if how == "copy" else [f"--{how}"]
    assert main([*arguments, *way, "--dry-run"]) == 0
    assert not to.exists()
    for _ in range(2):
        assert main([*arguments, *way]) == 0
        assert _frames(to) == contents
        assert {path.name for path in (to / "left-out").iterdir()} == {"f000.fits", "f003.fits"}
        assert _frames(night) == ({} if how == "move" else contents)
    assert main([*arguments, "--undo"]) == 0
    assert _frames(night) == contents
    assert not to.exists()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    contents = _night(night)
    (to / "kept").mkdir(parents=True)
    (to / "kept" / "f001.fits").write_bytes(b"mine")
    with pytest.raises(OutputError, match="nothing is ever overwritten"):
        plan_sorting(night, night / "starwinnow", to, "move").carry_out()
    assert _frames(night) == contents
    assert _frames(to) == {"f001.fits": b"mine"}


def test_frames_are_not_moved_onto_themselves(tmp_path: Path) -> None:
    night = tmp_path / "kept"
    contents = _night(night)
    with pytest.raises(OutputError, match="holds the frames"):
        plan_sorting(night, night / "starwinnow", tmp_path, "move").carry_out()
    assert _frames(night) == contents


def test_equal_file_of_another_is_not_taken_for_a_copy(tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    contents = _night(night)
    (to / "kept").mkdir(parents=True)
    (to / "kept" / "f001.fits").write_bytes(contents["f001.fits"])
    assert main(["sort", str(night), "--to", str(to)]) == 2
    assert list(_frames(to)) == ["f001.fits"]


def test_frame_changed_since_is_not_moved(tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    _night(night)
    sorting = plan_sorting(night, night / "starwinnow", to, "move")
    (night / "f001.fits").write_bytes(b"other")
    with pytest.raises(OutputError, match="gone or changed"):
        sorting.carry_out()
    assert (night / "f001.fits").read_bytes() == b"other"


def test_undo_keeps_what_was_changed_since(tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    _night(night)
    plan_sorting(night, night / "starwinnow", to, "move").carry_out()
    (to / "kept" / "f001.fits").write_bytes(b"worked on")
    sorting = read_sorting(night, to)
    assert sorting is not None
    assert sorting.undo() == ["f001.fits"]
    assert _frames(to) == {"f001.fits": b"worked on"}


@pytest.mark.parametrize("way", ["copy", "move"])
@pytest.mark.parametrize("end", ["again", "undo"])
def test_killed_in_the_middle(way: str, end: str, tmp_path: Path) -> None:
    night, to = tmp_path / "night", tmp_path / "sorted"
    contents = _night(night, count=150, size=1_000_000)
    arguments = ["sort", str(night), "--to", str(to), *(["--move"] if way == "move" else [])]
    run = subprocess.Popen([sys.executable, "-c", _COMMAND, *arguments])
    while len(_names(to)) < 20 and run.poll() is None:
        time.sleep(0.002)
    run.kill()
    run.wait()
    assert 20 <= len(_names(to)) < 150
    if end == "undo":
        assert main(["sort", str(night), "--to", str(to), "--undo"]) == 0
        assert _frames(night) == contents
        assert not to.exists()
    else:
        assert main(arguments) == 0
        assert _frames(to) == contents
        assert _frames(night) == ({} if way == "move" else contents)
        assert not list(to.rglob(".*"))


def _names(folder: Path) -> list[Path]:
    return list(folder.glob("*/*.fits"))
