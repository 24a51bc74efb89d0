"""frames.ecsv, night.json and keep.txt: read back by other programs, whole or not at all."""

import csv
import json
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table
from astropy.time import Time
from jsonschema import Draft202012Validator

from starwinnow.errors import OutputError
from starwinnow.night import FrameRow, NightSnapshot, RunSummary
from starwinnow.quantities import FRAME_COLUMNS, RUN_FIGURES
from starwinnow.report import exports
from starwinnow.report.exports import (
    frames_table_parts,
    keep_list_text,
    night_json,
    prepare_output,
    write_exports,
)
from starwinnow.settings import Settings
from starwinnow.store import Unreadable
from starwinnow.verdict import StackGain

ROOT = Path(__file__).parents[1]
NAN = float("nan")
START = datetime(2024, 4, 5, 22, 59, 58, 123456, tzinfo=UTC)


def made_rows() -> list[FrameRow]:
    best = FrameRow(
        file="one, two.fits",
        run=1,
        start_utc=START,
        exposure_s=8.0,
        stars=57,
        background_adu=1000.123456,
        noise_adu=10.98765432,
        fwhm_px=3.14159265,
        fwhm_err_px=0.0123456789,
        hfr_px=1.7,
        transparency=1.0,
        worth_s=8.0,
        weight=1.0,
        rank=1,
        verdict="keep",
        kept=True,
    )
    return [
        best,
        replace(
            best,
            file="zwei ö.fits",
            start_utc=START + timedelta(seconds=9),
            rank=3,
            verdict="leave-out",
            kept=False,
            causes=("cloud", "out-of-focus|soft-seeing"),
            note='said "so"',
        ),
        replace(best, file="three.fits", rank=2, verdict="marginal", fwhm_px=NAN),
        FrameRow(file="dark.fits", causes=("not-light",), note="a dark frame", stars=0),
        FrameRow(file="torn.fits", causes=("unreadable",), note="it ends early"),
    ]


def made_snapshot() -> NightSnapshot:
    rows = made_rows()
    gain = StackGain(
        aim="depth",
        mean="unscaled",
        scored=3,
        kept=2,
        marginal=1,
        keep_snr=1.0512345678,
        weighted_snr=1.06,
        all_fwhm_px=3.14159265,
        keep_fwhm_px=2.95,
        all_worth_s=20.0,
        kept_worth_s=15.0,
    )
    run = RunSummary(
        run=1,
        filter_name="L",
        exposure_s=8.0,
        binning=(1, 1),
        shape=(300, 400),
        frames=3,
        collected_s=24.0,
        reference=rows[0],
        reference_rule="the best of them",
        worth_in_seconds=True,
        verdicts={"keep": 1, "marginal": 1, "leave-out": 1, "not-scored": 0},
        gain=gain,
    )
    return NightSnapshot(
        settings=Settings(),
        rows=tuple(rows),
        runs=(run,),
        unreadable=(Unreadable(name="torn.fits", reason="it ends early"),),
    )


@pytest.fixture
def table(tmp_path) -> Table:
    write_exports(made_snapshot(), tmp_path)
    return Table.read(tmp_path / "frames.ecsv", format="ascii.ecsv")


def test_astropy_reads_columns_units_and_meanings_back(table) -> None:
    assert table.colnames == [quantity.name for quantity in FRAME_COLUMNS]
    for quantity in FRAME_COLUMNS:
        column = table[quantity.name]
        assert column.description == quantity.meaning
        assert (str(column.unit) if column.unit else "") == quantity.unit
        assert column.dtype.kind == {"text": "U", "whole": "i", "number": "f"}[quantity.kind]


def test_values_come_back_to_six_digits_and_unknown_ones_as_unknown(table) -> None:
    assert list(table["file"]) == [row.file for row in made_rows()]
    assert table["fwhm_px"][0] == 3.14159
    assert table["background_adu"][0] == 1000.12
    assert np.isnan(table["fwhm_px"][2])
    assert np.isnan(table["worth_s"][4])
    assert table["rank"].tolist() == [1, 3, 2, None, None]
    assert table["stars"].tolist() == [57, 57, 57, 0, None]
    assert table["causes"][1] == "cloud;out-of-focus|soft-seeing"
    assert table["note"][1] == 'said "so"'


def test_times_are_utc_and_read_by_astropy(table) -> None:
    assert table["start_utc"][0] == "2024-04-05T22:59:58.123Z"
    assert abs(Time(str(table["start_utc"][0])).to_datetime(UTC) - START) < timedelta(seconds=0.001)


def test_a_spreadsheet_can_read_the_table() -> None:
    """After the header's comment lines it is plain CSV."""
    lines = [
        line for line in "".join(frames_table_parts(made_snapshot())).splitlines() if line[0] != "#"
    ]
    rows = list(csv.DictReader(lines))
    assert [row["file"] for row in rows] == [row.file for row in made_rows()]


def test_tables_of_many_rows_are_made_in_parts(monkeypatch) -> None:
    whole = "".join(frames_table_parts(made_snapshot()))
    monkeypatch.setattr(exports, "_ROWS", 2)
    parts = list(frames_table_parts(made_snapshot()))
    assert len(parts) == 1 + -(-len(made_rows()) // 2)
    assert "".join(parts) == whole


def test_a_night_without_a_readable_frame_still_has_typed_columns(tmp_path) -> None:
    empty = replace(made_snapshot(), rows=made_rows()[4:], runs=())
    write_exports(empty, tmp_path)
    table = Table.read(tmp_path / "frames.ecsv", format="ascii.ecsv")
    assert len(table) == 1
    assert table["fwhm_px"].dtype.kind == "f"


def schema() -> dict[str, object]:
    text = (ROOT / "docs/night-schema.json").read_text(encoding="utf-8")
    loaded: dict[str, object] = json.loads(text)
    return loaded


def test_the_summary_follows_its_schema(tmp_path) -> None:
    Draft202012Validator.check_schema(schema())
    write_exports(made_snapshot(), tmp_path)
    content = json.loads((tmp_path / "night.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema()).validate(content)
    assert content == night_json(made_snapshot())
    assert content["runs"][0]["keep_snr"] == 1.05123
    assert content["runs"][0]["all_fwhm_px"] == 3.14159
    assert content["runs"][0]["reference"]["file"] == "one, two.fits"
    assert content["frames"][2]["fwhm_px"] is None
    assert content["frames"][4]["rank"] is None
    assert content["unreadable"] == [{"file": "torn.fits", "reason": "it ends early"}]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda content: content.pop("schema_version"),
        lambda content: content["frames"][0].update(fwhm_px="3"),
        lambda content: content["frames"][0].update(start_utc="2024-04-05 22:59:58"),
        lambda content: content["frames"][0].update(verdict="perhaps"),
        lambda content: content["runs"][0].update(extra=1),
    ],
)
def test_the_schema_refuses_what_is_not_promised(spoil) -> None:
    content = json.loads(json.dumps(night_json(made_snapshot())))
    spoil(content)
    assert not Draft202012Validator(schema()).is_valid(content)


def test_the_schema_explains_every_figure_with_its_unit() -> None:
    parts = schema()["$defs"]
    for quantities, name in ((FRAME_COLUMNS, "frame"), (RUN_FIGURES, "run")):
        described = parts[name]["properties"]
        for quantity in quantities:
            if "$ref" in described[quantity.name] or quantity.name == "causes":
                continue
            unit = f" ({quantity.unit})" if quantity.unit else ""
            assert described[quantity.name]["description"] == quantity.meaning + unit


def test_the_keep_list_is_the_keep_set_best_first() -> None:
    """A marginal frame is listed when it is in the keep set, whatever its verdict is called."""
    assert keep_list_text(made_snapshot()) == "one, two.fits\nthree.fits\n"


def test_several_runs_have_a_keep_list_each_and_no_list_outlives_its_run(tmp_path) -> None:
    (tmp_path / "keep-running.txt").write_text("the observer's own")
    one = made_snapshot()
    second = replace(one.runs[0], run=2)
    rows = [replace(row, run=2 if row.file == "three.fits" else row.run) for row in one.rows]
    write_exports(replace(one, rows=tuple(rows), runs=(one.runs[0], second)), tmp_path)
    assert (tmp_path / "keep-run1.txt").read_text() == "one, two.fits\n"
    assert (tmp_path / "keep-run2.txt").read_text() == "three.fits\n"
    assert (tmp_path / "keep.txt").read_text() == "one, two.fits\nthree.fits\n"
    write_exports(one, tmp_path)
    assert {path.name for path in tmp_path.glob("keep*")} == {"keep.txt", "keep-running.txt"}


def test_results_that_cannot_be_finished_leave_the_old_ones_whole(tmp_path, monkeypatch) -> None:
    write_exports(made_snapshot(), tmp_path)
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}

    def failing_sync(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", failing_sync)
    changed = replace(made_snapshot(), rows=tuple(made_rows()[:1]))
    with pytest.raises(OutputError, match=r"frames\.ecsv: .*No space left on device.*--out"):
        write_exports(changed, tmp_path)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before
    assert set(before) == {"frames.ecsv", "night.json", "keep.txt"}


def test_results_have_the_usual_permissions(tmp_path) -> None:
    (tmp_path / "plain").write_text("x")
    write_exports(made_snapshot(), tmp_path)
    assert (tmp_path / "keep.txt").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_place_that_cannot_be_written_is_a_clear_error(tmp_path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError, match=r"results cannot be written here .* with --out"):
        prepare_output(tmp_path / "file" / "results")
    if os.geteuid() != 0:
        (tmp_path / "closed").mkdir(mode=0o555)
        with pytest.raises(OutputError, match="Permission denied"):
            prepare_output(tmp_path / "closed")


def test_the_place_for_results_is_made_and_left_empty(tmp_path) -> None:
    prepare_output(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []
