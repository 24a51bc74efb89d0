"""Everything the page shows, as plain values in one block that page and tests read."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any, overload

from starwinnow import __version__
from starwinnow.across_field import FieldShape, across_field
from starwinnow.best_spell import best_spell
from starwinnow.diagnosis import Episode, cause_words
from starwinnow.frame_measures import FrameMeasures
from starwinnow.night import NightSnapshot, RunSummary
from starwinnow.quantities import FRAME_COLUMNS, Quantity
from starwinnow.report.exports import night_members
from starwinnow.report.field_words import field_words, log_words
from starwinnow.report.file_values import six_digits, utc_text
from starwinnow.report.page_pictures import star_picture, webp
from starwinnow.report.page_words import (
    headline,
    local_clock,
    lost_words,
    run_title,
    top_figures,
    worth_words,
)

__all__ = ["page_data"]

# Points of the curve of signal-to-noise against frames: more than a screen can show apart.
_MOST_POINTS = 300
# The map needs no more frames than this: the same stars are in all of them.
_MOST_MAPPED = 40
# In less time than this the dither of a few frames passes for drift (common practice, no source).
_LEAST_HOURS = 0.25


def page_data(
    snapshot: NightSnapshot, measures: Mapping[str, FrameMeasures], *, folder: str
) -> dict[str, Any]:
    """Gather what the page shows.

    Parameters
    ----------
    snapshot : NightSnapshot
    measures : mapping
        What was measured of each frame, by the name of its file.
    folder : str
        Name of the night's folder.

    Returns
    -------
    dict
        `night` is what `night.json` holds, with its frames turned into columns.
    """
    night = night_members(snapshot)
    clock = {row.file: local_clock(row.start_utc) for row in snapshot.rows}
    columns = _columns(night.pop("frames"))
    night["runs"], night["unreadable"] = list(night["runs"]), list(night["unreadable"])
    for run, summary in zip(night["runs"], snapshot.runs, strict=True):
        run.update(_run_more(snapshot, summary, measures, clock, run["episodes"]))
    return {
        "night": night,
        "folder": folder,
        "version": __version__,
        "written": utc_text(datetime.now(UTC)),
        "zone": datetime.now(UTC).astimezone().tzname() or "local time",
        "columns": [_column(quantity) for quantity in FRAME_COLUMNS],
        "frames": columns,
        "more": {
            "clock": [clock[row.file] for row in snapshot.rows],
            "local_ms": [_local_ms(row.start_utc) for row in snapshot.rows],
            "temperature_c": [_temperature(measures.get(row.file)) for row in snapshot.rows],
            "focuser_position": [
                _capture(measures.get(row.file), "focuser_position") for row in snapshot.rows
            ],
            "pictures": _Pictures([measures.get(row.file) for row in snapshot.rows]),
        },
        "words": {code: cause_words(code) for code in _codes(snapshot)},
    }


class _Pictures(Sequence[str]):
    """The frames' small pictures, packed when they are asked for: most of a long night's page."""

    def __init__(self, frames: Sequence[FrameMeasures | None]) -> None:
        self._frames = frames

    def __len__(self) -> int:
        return len(self._frames)

    @overload
    def __getitem__(self, place: int) -> str: ...
    @overload
    def __getitem__(self, place: slice) -> list[str]: ...
    def __getitem__(self, place: int | slice) -> str | list[str]:
        if isinstance(place, slice):
            return [self[number] for number in range(*place.indices(len(self)))]
        frame = self._frames[place]
        return "" if frame is None else webp(frame.thumbnail)


def _columns(frames: Iterable[Mapping[str, Any]]) -> dict[str, list[Any]]:
    columns: dict[str, list[Any]] = {}
    for frame in frames:
        for name, value in frame.items():
            columns.setdefault(name, []).append(value)
    return columns


def _column(quantity: Quantity) -> dict[str, str]:
    return {
        "name": quantity.name,
        "kind": quantity.kind,
        "unit": {"pix": "px", "adu": "ADU"}.get(quantity.unit, quantity.unit),
        "meaning": quantity.meaning,
        "format": quantity.format,
    }


def _codes(snapshot: NightSnapshot) -> list[str]:
    return sorted({code for row in snapshot.rows for code in row.causes})


def _run_more(
    snapshot: NightSnapshot,
    run: RunSummary,
    measures: Mapping[str, FrameMeasures],
    clock: Mapping[str, str],
    episodes: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    rows = [row for row in snapshot.rows if row.run == run.run]
    spell = best_spell(rows)
    mapped = [row for row in spell if not row.causes] or spell
    mapped = mapped[:: max(1, -(-len(mapped) // _MOST_MAPPED))]
    rates = _rates(snapshot, run)
    focuser = [
        (row.start_utc, _capture(measures.get(row.file), "focuser_position")) for row in rows
    ]
    field = across_field([measures[row.file] for row in mapped if row.file in measures])
    order = [row.file for row in snapshot.ranked(run.run)]
    step = max(1, -(-len(order) // _MOST_POINTS))
    points = sorted({*range(0, len(order), step), run.gain.kept - 1, len(order) - 1} - {-1})
    return {
        "title": run_title(run),
        "headline": headline(run),
        "figures": top_figures(snapshot, run, clock),
        "lost": lost_words(run),
        "lost_s": {code: six_digits(worth) for code, worth in run.lost_s.items()},
        "growth": {
            "frames": [point + 1 for point in points],
            "plain_snr": [six_digits(run.growth.plain_snr[point]) for point in points],
            "weighted_snr": [six_digits(run.growth.weighted_snr[point]) for point in points],
        }
        if run.growth.plain_snr
        else {"frames": [], "plain_snr": [], "weighted_snr": []},
        "near": _near_the_choice(run),
        "spell": [row.file for row in spell],
        "field": None if field is None else _field_object(field),
        "field_words": field_words(field),
        "shown": _shown(snapshot, run, measures),
        "star": star_picture(measures[run.reference.file].average_star) if run.reference else "",
        "rates": rates,
        "log_words": log_words(run, rates, focuser),
        "episodes": [
            {**plain, **_episode_words(run, episode, clock)}
            for plain, episode in zip(episodes, run.episodes, strict=True)
        ],
    }


def _episode_words(run: RunSummary, episode: Episode, clock: Mapping[str, str]) -> dict[str, str]:
    first, last = (clock[name][:5] for name in (episode.first_file, episode.last_file))
    names = f"{episode.first_file} to {episode.last_file}"
    return {
        "words": cause_words(episode.cause),
        "when": (first if first == last else f"{first} to {last}") if first and last else names,
        "cost": worth_words(run, episode.cost_s),
        "exposed": worth_words(run, episode.exposed_s),
    }


def _near_the_choice(run: RunSummary) -> dict[str, float | int | None]:
    """Signal-to-noise of the best frames, one percent of them fewer and more than the keep set."""
    plain, kept = run.growth.plain_snr, run.gain.kept
    if not plain or not kept:
        return {}
    change = max(1, round(kept / 100))
    fewer, more = kept - change, kept + change
    return {
        "change": change,
        "kept": six_digits(run.gain.keep_snr),
        "fewer": six_digits(plain[fewer - 1]) if fewer >= 1 else None,
        "more": six_digits(plain[more - 1]) if more <= len(plain) else None,
    }


def _field_object(field: FieldShape) -> dict[str, Any]:
    plain = asdict(field)
    for name in ("tilt", "curvature", "stretch", "coma", "saddle"):
        change = plain[name]
        plain[name] = {
            key: six_digits(value) if isinstance(value, float) else value
            for key, value in change.items()
        }
    plain["cells"] = [
        {
            key: six_digits(value) if isinstance(value, float) else value
            for key, value in one.items()
        }
        for one in plain["cells"]
    ]
    return plain


def _shown(
    snapshot: NightSnapshot, run: RunSummary, measures: Mapping[str, FrameMeasures]
) -> list[dict[str, str]]:
    """Best, worst and one frame of each cause, with the average star beside the reference's."""
    ranked = snapshot.ranked(run.run)
    notes = {row.file: row.note for row in snapshot.rows}
    chosen: dict[str, list[str]] = {}
    if ranked:
        chosen.setdefault(ranked[0].file, []).append("best")
    if len(ranked) > 1:
        chosen.setdefault(ranked[-1].file, []).append("worth least")
    seen: set[str] = set()
    members = [row for row in snapshot.rows if row.run == run.run]
    for row in sorted(members, key=lambda row: (-(row.rank or 0), row.file)):
        fresh = [code for code in row.causes[:1] if code not in seen]
        for code in fresh:
            seen.add(code)
            chosen.setdefault(row.file, []).append(cause_words(code))
    return [
        {
            "file": name,
            "why": ", ".join(why),
            "note": notes[name],
            "star": star_picture(measures[name].average_star),
        }
        for name, why in chosen.items()
        if name in measures
    ]


def _rates(snapshot: NightSnapshot, run: RunSummary) -> dict[str, float | None]:
    """Drift and turn of the field by the hour, straight lines through all frames of the run."""
    rows = [
        row
        for row in snapshot.rows
        if row.run == run.run and row.start_utc is not None and math.isfinite(row.dx_px)
    ]
    names = {"dx_px": "dx_px_h", "dy_px": "dy_px_h", "rotation_deg": "rotation_deg_h"}
    hours = [row.start_utc.timestamp() / 3600 for row in rows if row.start_utc]
    if not hours or max(hours) - min(hours) < _LEAST_HOURS:
        return dict.fromkeys(names.values())
    middle = math.fsum(hours) / len(hours)
    spread = math.fsum((hour - middle) ** 2 for hour in hours)
    return {
        rate: six_digits(
            math.fsum(
                (hour - middle) * float(getattr(row, name))
                for hour, row in zip(hours, rows, strict=True)
            )
            / spread
        )
        for name, rate in names.items()
    }


def _local_ms(moment: datetime | None) -> float | None:
    """Milliseconds that a clock without a zone would show, for the plots' axis."""
    if moment is None:
        return None
    local = moment.astimezone().replace(tzinfo=UTC)
    return round(local.timestamp() * 1000)


def _capture(one: FrameMeasures | None, name: str) -> float | None:
    return None if one is None else six_digits(getattr(one.capture, name))


def _temperature(one: FrameMeasures | None) -> float | None:
    """Of the focuser, else of the air; the sensor's is that of its cooler."""
    focuser = _capture(one, "focuser_temperature_c")
    return _capture(one, "ambient_temperature_c") if focuser is None else focuser
