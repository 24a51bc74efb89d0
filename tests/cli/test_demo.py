"""The demo: a made-up night, scored, its story told, and nobody's frames overwritten."""

import re
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

from starwinnow_cli.demo import STORY
from starwinnow_cli.main import main
from starwinnow_sim.scenario import sample_night


def told() -> dict[str, list[int]]:
    """Numbers of the frames in the story, by what happened."""
    text = " ".join(STORY)
    spans = {
        "gust": re.search(r"gust in frame (\d+)", text),
        "cloud": re.search(r"cloud over (\d+) to (\d+)", text),
        "light": re.search(r"lamps of a car in (\d+)", text),
        "knock": re.search(r"knock in (\d+)", text),
        "focus": re.search(r"focus in (\d+) and (\d+)", text),
    }
    numbers = {event: [int(n) for n in found.groups()] for event, found in spans.items() if found}
    return {event: list(range(span[0], span[-1] + 1)) for event, span in numbers.items()}


def test_the_story_is_what_the_simulator_renders() -> None:
    night = sample_night(np.random.default_rng(1), frames=24)
    usual_light = np.median([truth.transparency for truth in night])
    usual_background = np.median([truth.background_e for truth in night])
    trails = [np.hypot(truth.star.trail_x_px, truth.star.trail_y_px) for truth in night]
    happened = {
        "gust": [i for i, trail in enumerate(trails, 1) if trail > 3],
        "cloud": [i for i, t in enumerate(night, 1) if t.transparency < 0.8 * usual_light],
        "light": [i for i, t in enumerate(night, 1) if t.background_e > 2 * usual_background],
        "knock": [i for i, t in enumerate(night, 1) if t.star.bump_x_px or t.star.bump_y_px],
        "focus": [i for i, t in enumerate(night, 1) if t.star.defocus_px > 0],
    }
    assert told() == happened


def test_the_demo_finds_what_happened_and_tells_it(tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["demo"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("demo-night: 24 frames")
    assert lines[-3:] == list(STORY)
    assert len(lines) <= 22
    assert max(len(line) for line in lines) <= 80
    table = Table.read(tmp_path / "demo-night/starwinnow/frames.ecsv", format="ascii.ecsv")
    table.sort("rank")
    worst = {int(name[11:15]) for name in table["file"][-8:]}
    assert worst == {number for numbers in told().values() for number in numbers}


def test_the_demo_can_be_run_again(tmp_path) -> None:
    assert main(["demo", str(tmp_path / "demo")]) == 0
    assert main(["demo", str(tmp_path / "demo")]) == 0


@pytest.mark.parametrize("content", ["mine.fits", "notes.txt"])
def test_a_folder_with_other_files_is_refused_and_left_alone(tmp_path, capsys, content) -> None:
    (tmp_path / content).write_text("mine")
    assert main(["demo", str(tmp_path)]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == [content]


def test_a_folder_that_cannot_be_made_is_a_clear_error(tmp_path, capsys) -> None:
    (tmp_path / "wall").write_text("in the way")
    folder = Path(tmp_path / "wall" / "demo")
    assert main(["demo", str(folder)]) == 2
    assert f"{folder} cannot be made or written" in capsys.readouterr().err
