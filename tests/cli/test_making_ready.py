"""Compiling before the first frames: announced, once, and only what they need."""

import shutil
from pathlib import Path

from starwinnow import compiled
from starwinnow.readers import frame_paths
from starwinnow.settings import Settings
from starwinnow_cli import score
from starwinnow_cli.demo import STORY
from starwinnow_cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_frames"


def test_compiling_is_announced_once_for_each_kind_of_frames(monkeypatch, capsys) -> None:
    ready: list[str] = []
    monkeypatch.setattr("starwinnow.preparation.usable_cores", lambda: 1)
    monkeypatch.setattr("starwinnow.preparation.is_ready", lambda part: part in ready)
    monkeypatch.setattr("starwinnow.preparation.mark_ready", ready.append)
    said = "{}: preparing the measuring code, about half a minute, once.\n"
    score.make_ready(["float32"])
    score.make_ready(["float32"])
    assert capsys.readouterr().err == said.format("First frames of this kind")
    assert ready == ["float32"]
    score.make_ready(what="First run")
    score.make_ready(what="First run")
    assert capsys.readouterr().err == said.format("First run")
    assert sorted(ready) == ["float32", "masks", "uint16"]


def test_only_what_the_frames_need_is_compiled(tmp_path, monkeypatch) -> None:
    """The sample night's frames are whole numbers."""
    folder = tmp_path / "night"
    folder.mkdir()
    for path in frame_paths(SAMPLE)[:8]:
        shutil.copy2(path, folder)
    asked: list[list[str]] = []
    monkeypatch.setattr("starwinnow.preparation.is_ready", lambda part: False)
    monkeypatch.setattr("starwinnow.preparation.prepare", asked.append)
    score.score_folder(folder, folder / "results", Settings())
    assert asked == [["uint16"]]


def test_the_demo_shows_its_night_before_it_prepares_what_other_frames_need(
    tmp_path, monkeypatch, capsys
) -> None:
    asked: list[tuple[list[str], bool]] = []
    shown: list[str] = []

    def prepare(parts: list[str]) -> None:
        shown.append(capsys.readouterr().out)
        asked.append((parts, STORY[0] in "".join(shown)))

    monkeypatch.setattr("starwinnow.preparation.is_ready", lambda part: False)
    monkeypatch.setattr("starwinnow.preparation.prepare", prepare)
    assert main(["demo", str(tmp_path / "demo")]) == 0
    assert asked == [(["uint16"], False), (["uint16", "float32", "masks"], True)]


def test_compiled_code_is_known_in_whatever_order_it_was_loaded(monkeypatch) -> None:
    score.make_ready(["uint16"])
    monkeypatch.setattr(compiled, "_dispatchers", compiled._dispatchers[::-1])
    assert compiled.is_ready("uint16")
