"""Several folders in one command: one summary, and one bad folder does not stop the others."""

import json
import shutil
from pathlib import Path

import pytest

from starwinnow import readers
from starwinnow_cli.main import main
from starwinnow_cli.screen import display_width

SAMPLE = Path(__file__).parents[2] / "sample_frames"


@pytest.fixture
def archive(tmp_path, monkeypatch) -> Path:
    """Two nights of five frames, and an empty folder."""
    monkeypatch.setenv("COLUMNS", "80")
    paths = readers.frame_paths(SAMPLE)
    for name, some in (("monday", paths[:5]), ("tuesday", paths[5:10]), ("cloudy", [])):
        (tmp_path / name).mkdir()
        for path in some:
            shutil.copy2(path, tmp_path / name)
    return tmp_path


def nights(archive: Path, *names: str) -> list[str]:
    return [str(archive / name) for name in names]


def test_several_nights_have_one_summary(archive, capsys) -> None:
    assert main(["score", *nights(archive, "monday", "tuesday")]) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert max(display_width(line) for line in lines) <= 80
    assert [line.split()[:2] for line in lines[1:4]] == [
        ["monday", "5"], ["tuesday", "5"], ["2", "nights"],
    ]  # fmt: skip
    assert "Night 2 of 2" in err
    for name in ("monday", "tuesday"):
        assert (archive / name / "starwinnow" / "keep.txt").exists()


def test_a_folder_without_frames_is_told_and_the_others_are_scored(archive, capsys) -> None:
    assert main(["score", *nights(archive, "monday", "cloudy", "tuesday")]) == 1
    out, err = capsys.readouterr()
    assert "holds no frames" in err
    assert "1 folder could not be scored" in out
    assert "2 nights" in out
    assert main(["score", *nights(archive, "cloudy", "gone")]) == 2


def test_each_night_is_one_line_of_json(archive, capsys) -> None:
    assert main(["score", *nights(archive, "monday", "tuesday"), "--json"]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [Path(line["folder"]).name for line in lines] == ["monday", "tuesday"]
    for line in lines:
        written = (Path(line["folder"]) / "starwinnow" / "night.json").read_text(encoding="utf-8")
        assert line["night"] == json.loads(written)


def test_results_of_several_nights_part_in_one_place(archive, tmp_path, capsys) -> None:
    out = tmp_path / "results"
    words = ["score", *nights(archive, "monday", "tuesday"), "--out", str(out)]
    assert main(words) == 0
    assert {path.name for path in out.iterdir()} == {"monday", "tuesday"}
    (archive / "other" / "monday").mkdir(parents=True)
    assert main(["score", *nights(archive, "monday", "other/monday"), "--out", str(out)]) == 2
    assert "would overwrite each other" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--jobs", "0"], ["--jobs", "2", "--scheduler", "tcp://a:1"]])
def test_jobs_that_make_no_sense_are_wrong_use(archive, words, capsys) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["score", *nights(archive, "monday"), *words])
    assert ended.value.code == 2
