"""The report of the sample night as the command writes it, against the other files on disk."""

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest
from astropy.table import Table

from starwinnow_cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_frames"


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("results")
    assert main(["score", str(SAMPLE), "--out", str(folder)]) == 0
    return folder


def page_block(results: Path) -> dict[str, Any]:
    text = (results / "report.html").read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert found
    block: dict[str, Any] = json.loads(found[1])
    return block


def test_figures_of_the_page_are_those_of_the_table(results: Path) -> None:
    table = Table.read(results / "frames.ecsv", format="ascii.ecsv")
    frames = page_block(results)["frames"]
    assert list(table["file"]) == frames["file"]
    assert len(table) == 16
    for name in table.colnames:
        for written, shown in zip(table[name], frames[name], strict=True):
            if name in {"causes", "note", "start_utc"} or isinstance(shown, str):
                continue
            if shown is None:
                assert written is None or not math.isfinite(written), name
            else:
                assert written == shown, name
    assert list(table["verdict"]) == frames["verdict"]
    assert [text.split(";") if text else [] for text in table["causes"]] == frames["causes"]


def test_figures_of_the_page_are_those_of_the_summary(results: Path) -> None:
    summary = json.loads((results / "night.json").read_text(encoding="utf-8"))
    page = page_block(results)
    for row, frame in enumerate(summary.pop("frames")):
        assert {name: page["frames"][name][row] for name in frame} == frame
    for run, shown in zip(summary.pop("runs"), page["night"]["runs"], strict=True):
        plain = [{k: one[k] for k in run["episodes"][0]} for one in shown["episodes"]]
        assert run.pop("episodes") == plain
        assert {name: shown[name] for name in run} == run
    assert {name: page["night"][name] for name in summary} == summary


def test_the_page_is_written_anew_from_the_store_alone(
    results: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = page_block(results)
    (results / "report.html").unlink()
    nothing = tmp_path / SAMPLE.name
    nothing.mkdir()
    assert main(["report", str(nothing), "--out", str(results), "--theme", "red"]) == 0
    assert capsys.readouterr().out == f"{results / 'report.html'}\n"
    assert 'data-theme="red"' in (results / "report.html").read_text(encoding="utf-8")
    after = page_block(results)
    for block in (before, after):
        block.pop("written")
    assert after == before


def test_a_folder_that_was_never_scored(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "holds no scored night (night.sqlite is missing)" in told
    assert f"starwinnow score {tmp_path}" in told
    assert not (tmp_path / "starwinnow").exists()
