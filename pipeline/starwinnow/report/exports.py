"""The results as files: `frames.ecsv`, `night.json` and the keep lists."""

import io
import json
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starwinnow import __version__
from starwinnow.errors import OutputError
from starwinnow.quantities import FRAME_COLUMNS, Quantity
from starwinnow.report.file_values import six_digits, utc_text
from starwinnow.whole_file import write_whole

if TYPE_CHECKING:
    # Scoring takes half a second to load: not before there is something to score.
    from starwinnow.diagnosis import Episode
    from starwinnow.night import FrameRow, NightSnapshot, RunSummary

__all__ = [
    "JSON_SCHEMA_VERSION",
    "PAGE_NAME",
    "frames_table_parts",
    "keep_list_name",
    "keep_list_text",
    "night_json",
    "night_json_parts",
    "night_members",
    "prepare_output",
    "write_exports",
    "write_text",
]

JSON_SCHEMA_VERSION = 3
# Of the page that `page` writes; it stands here because pages take long to load.
PAGE_NAME = "report.html"
# Rows of the table made at once.
_ROWS = 500


def prepare_output(folder: Path) -> None:
    """Make the results' folder where it is missing and make sure that it can be written.

    Raises
    ------
    OutputError
        If it cannot.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder, prefix=".write-test-"):
            pass
    except OSError as error:
        raise _cannot_write(folder, error) from error


def write_exports(snapshot: "NightSnapshot", folder: Path) -> None:
    """Write the files, each whole or not at all.

    Where there are several runs, `keep-run1.txt` and so on hold the keep list of each by itself,
    beside `keep.txt` with all of them; those of runs that are no more are taken away.

    Raises
    ------
    OutputError
        If one cannot be written; the former ones are then still whole.
    """
    parts: dict[str, Iterable[str]] = {
        "frames.ecsv": frames_table_parts(snapshot),
        "night.json": night_json_parts(snapshot),
        "keep.txt": [keep_list_text(snapshot)],
    }
    if len(snapshot.runs) > 1:
        parts |= {keep_list_name(r.run): [keep_list_text(snapshot, r.run)] for r in snapshot.runs}
    for name, some in parts.items():
        write_text(folder / name, some)
    for path in folder.glob("keep-run*.txt"):
        if path.name not in parts and re.fullmatch(r"keep-run\d+\.txt", path.name):
            path.unlink(missing_ok=True)


def frames_table_parts(snapshot: "NightSnapshot") -> Iterator[str]:
    """One row a file in time order, as ECSV: units and meanings are in the header.

    Numbers have six significant digits; those that could not be measured are `nan`, whole
    numbers that are not known and empty texts are left empty.

    Yields
    ------
    str
        The header, then some rows at a time: a table takes fifty times the room of its rows.
    """
    header = _table_text([])
    yield header
    for start in range(0, len(snapshot.rows), _ROWS):
        yield _table_text(snapshot.rows[start : start + _ROWS]).removeprefix(header)


def _table_text(rows: Sequence["FrameRow"]) -> str:
    # astropy takes half a second to load: only those pay who write a table.
    from astropy.table import Column, MaskedColumn, Table  # noqa: PLC0415

    table = Table(meta={"program": "starwinnow", "version": __version__})
    for quantity in FRAME_COLUMNS:
        values = [_file_value(row, quantity) for row in rows]
        options: dict[str, Any] = {"description": quantity.meaning, "name": quantity.name}
        if quantity.unit:
            options["unit"] = quantity.unit
        if quantity.kind == "whole":
            mask = [value is None for value in values]
            filled = [0 if value is None else value for value in values]
            # Columns with a mask are written ten times as slowly.
            masked = MaskedColumn(filled, mask=mask, dtype="int64", **options)
            table.add_column(masked if any(mask) else Column(masked.filled(), **options))
        elif quantity.kind == "number":
            table.add_column(Column(values, dtype="float64", **options))
        else:
            table.add_column(Column([value or "" for value in values], dtype="str", **options))
    text = io.StringIO()
    table.write(text, format="ascii.ecsv", delimiter=",")
    return text.getvalue()


def night_json(snapshot: "NightSnapshot") -> dict[str, Any]:
    """Turn summary and frames into plain values; `docs/night-schema.json` describes them."""
    members = night_members(snapshot).items()
    return {key: list(value) if isinstance(value, Iterator) else value for key, value in members}


def night_json_parts(snapshot: "NightSnapshot") -> Iterator[str]:
    """JSON of `night_json`, one run or frame a line, in parts that each are short."""
    # An encoder that indents is ten times as slow, and Ctrl-C waits for it.
    separator = "{\n"
    for key, value in night_members(snapshot).items():
        yield f"{separator} {_compact(key)}: "
        separator = ",\n"
        if isinstance(value, Iterator):
            yield from _lines(value)
        else:
            yield _compact(value)
    yield "\n}\n"


def night_members(snapshot: "NightSnapshot") -> dict[str, Any]:
    """Members of `night_json`; lists are made item by item, as those of a long night are large."""
    return {
        "schema_version": JSON_SCHEMA_VERSION,
        "package_version": __version__,
        "settings": asdict(snapshot.settings),
        "runs": (_run_object(run, snapshot) for run in snapshot.runs),
        "unreadable": ({"file": one.name, "reason": one.reason} for one in snapshot.unreadable),
        "frames": (_frame_object(row) for row in snapshot.rows),
    }


def _lines(items: Iterator[Any]) -> Iterator[str]:
    separator = "[\n"
    for item in items:
        yield f"{separator}  {_compact(item)}"
        separator = ",\n"
    yield "[]" if separator == "[\n" else "\n ]"


def _compact(value: Any) -> str:
    return json.dumps(value, allow_nan=False)


def keep_list_name(run: int) -> str:
    """Name of the file with the keep list of one of several runs."""
    return f"keep-run{run}.txt"


def keep_list_text(snapshot: "NightSnapshot", run: int | None = None) -> str:
    """Names of the frames to stack, one a line, best first; of all runs one after the other.

    These are the keep sets: a marginal frame is listed when it is in its run's keep set.
    """
    return "".join(f"{row.file}\n" for row in snapshot.kept() if run in {None, row.run})


def _run_object(run: "RunSummary", snapshot: "NightSnapshot") -> dict[str, Any]:
    members = [row for row in snapshot.rows if row.run == run.run]
    starts = [row.start_utc for row in members if row.start_utc is not None]
    return {
        "run": run.run,
        "target": run.target,
        "filter": run.filter_name,
        "exposure_s": six_digits(run.exposure_s),
        "binning": None if run.binning is None else list(run.binning),
        "width_px": run.shape[1],
        "height_px": run.shape[0],
        "first_start_utc": utc_text(min(starts, default=None)),
        "last_start_utc": utc_text(max(starts, default=None)),
        "frames": run.frames,
        "verdicts": dict(run.verdicts),
        "collected_s": six_digits(run.collected_s),
        "worth_unit": "s" if run.worth_in_seconds else "reference frames",
        "all_worth_s": six_digits(run.gain.all_worth_s),
        "kept_worth_s": six_digits(run.gain.kept_worth_s),
        "kept": run.gain.kept,
        "keep_snr": six_digits(run.gain.keep_snr),
        "weighted_snr": six_digits(run.gain.weighted_snr),
        "field_response": run.field_response,
        "corner_light": six_digits(run.corner_light),
        "note": run.note,
        "all_fwhm_px": six_digits(run.gain.all_fwhm_px),
        "keep_fwhm_px": six_digits(run.gain.keep_fwhm_px),
        "episodes": [_episode_object(episode) for episode in run.episodes],
        "reference_rule": run.reference_rule,
        "reference": None if run.reference is None else _frame_object(run.reference),
    }


def _episode_object(episode: "Episode") -> dict[str, Any]:
    return {
        "cause": episode.cause,
        "first_file": episode.first_file,
        "last_file": episode.last_file,
        "start_utc": utc_text(episode.start_utc),
        "end_utc": utc_text(episode.end_utc),
        "frames": episode.frames,
        "size": episode.size,
        "cost_s": six_digits(episode.cost_s),
        "exposed_s": six_digits(episode.exposed_s),
        "advice": episode.advice,
    }


def _frame_object(row: "FrameRow") -> dict[str, Any]:
    values: dict[str, Any] = {q.name: _file_value(row, q) for q in FRAME_COLUMNS}
    numbers = {q.name: six_digits(values[q.name]) for q in FRAME_COLUMNS if q.kind == "number"}
    return values | numbers | {"causes": list(row.causes), "kept": row.kept}


def _file_value(row: "FrameRow", quantity: Quantity) -> Any:
    value = getattr(row, quantity.name)
    if quantity.name == "causes":
        return ";".join(value)
    if isinstance(value, datetime):
        return utc_text(value)
    if quantity.kind == "number":
        return float(f"{value:.6g}")
    return value


def write_text(path: Path, parts: Iterable[str]) -> None:
    """Write a file of results, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written; the former one is then still whole.
    """
    try:
        write_whole(path, (part.encode("utf-8") for part in parts))
    except OSError as error:
        raise _cannot_write(path, error) from error


def _cannot_write(path: Path, error: OSError) -> OutputError:
    return OutputError(
        f"{path}: results cannot be written here ({error.strerror}). Give a folder that can be "
        "written with --out."
    )
