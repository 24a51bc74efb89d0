"""A night that grows frame by frame, and what is known of it at one moment."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

from starwinnow.errors import UnreadableFrameError
from starwinnow.flags import FRAME_FLAG_MEANINGS
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.readers import read_frame
from starwinnow.same_field import RelationCache
from starwinnow.scoring import FrameScore, RunScores, score_run
from starwinnow.settings import Settings
from starwinnow.store import Identity, NightStore, Unreadable, identify
from starwinnow.verdict import FrameVerdict, StackGain, Verdict, judge_run

__all__ = ["FrameRow", "Night", "NightSnapshot", "RunSummary", "measure_files"]

_NAN = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRow:
    """One file of the night: a field for each of `quantities.FRAME_COLUMNS`, which explains them.

    Attributes
    ----------
    kept : bool
        Whether the frame is in its run's keep set; the one field that is no column.
    """

    file: str
    run: int | None = None
    start_utc: datetime | None = None
    exposure_s: float = _NAN
    stars: int | None = None
    background_adu: float = _NAN
    noise_adu: float = _NAN
    fwhm_px: float = _NAN
    fwhm_err_px: float = _NAN
    fwhm_arcsec: float = _NAN
    hfr_px: float = _NAN
    hfr_err_px: float = _NAN
    axis_ratio: float = _NAN
    axis_ratio_err: float = _NAN
    trail_deg: float = _NAN
    nea_px: float = _NAN
    transparency: float = _NAN
    transparency_err: float = _NAN
    dx_px: float = _NAN
    dy_px: float = _NAN
    rotation_deg: float = _NAN
    worth_s: float = _NAN
    worth_err_s: float = _NAN
    weight: float = _NAN
    rank: int | None = None
    verdict: Verdict = "not-scored"
    causes: tuple[str, ...] = ()
    note: str = ""
    kept: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One run: light frames of one filter, exposure, binning and image size.

    Attributes
    ----------
    run : int
        Number of the run, 1 for the one that started first.
    filter_name : str or None
    exposure_s : float or None
    binning : tuple of int or None
    shape : tuple of int
        (ny, nx), px.
    frames : int
        Light frames of the run.
    collected_s : float
        Their exposure time together, s; NaN where the headers do not say.
    reference : FrameRow or None
        The frame that worth and transparency are relative to.
    reference_rule : str
        How it was chosen.
    worth_in_seconds : bool
        False when worth counts reference frames, because no exposure time is known.
    verdicts : dict
        How many frames got which verdict.
    gain : StackGain
        What the keep set and the weights gain.
    """

    run: int
    filter_name: str | None
    exposure_s: float | None
    binning: tuple[int, int] | None
    shape: tuple[int, int]
    frames: int
    collected_s: float
    reference: FrameRow | None
    reference_rule: str
    worth_in_seconds: bool
    verdicts: dict[Verdict, int]
    gain: StackGain


@dataclass(frozen=True, slots=True, kw_only=True)
class NightSnapshot:
    """What is known of a night at one moment.

    Attributes
    ----------
    settings : Settings
    rows : tuple of FrameRow
        Every file, by start time and then name; files without a time last.
    runs : tuple of RunSummary
    unreadable : tuple of Unreadable
        By name.
    """

    settings: Settings
    rows: tuple[FrameRow, ...]
    runs: tuple[RunSummary, ...]
    unreadable: tuple[Unreadable, ...]

    def ranked(self, run: int) -> list[FrameRow]:
        """Scored frames of a run, best first."""
        scored = [row for row in self.rows if row.run == run and row.rank is not None]
        return sorted(scored, key=lambda row: row.rank or 0)

    def kept(self) -> list[FrameRow]:
        """Frames of the keep sets, run after run, best first."""
        return [row for run in self.runs for row in self.ranked(run.run) if row.kept]


class Night:
    """The frames of one folder, as far as they are known.

    Adding a name again replaces what was known of it. A snapshot does not depend on the order
    of adding.
    """

    def __init__(self) -> None:
        self._measures: dict[str, FrameMeasures] = {}
        self._unreadable: dict[str, Unreadable] = {}
        self._relations: RelationCache = {}

    def add(self, measures: FrameMeasures) -> None:
        """Take in a measured frame."""
        self._forget(measures.file_name)
        self._measures[measures.file_name] = measures

    def add_unreadable(self, name: str, reason: str) -> None:
        """Take in a file that could not be read, with its one-line reason."""
        self._forget(name)
        self._unreadable[name] = Unreadable(name=name, reason=reason)

    def _forget(self, name: str) -> None:
        known = self._measures.pop(name, None)
        self._unreadable.pop(name, None)
        if known is None:
            return
        for pair in [pair for pair in self._relations if name in pair]:
            del self._relations[pair]

    def snapshot(self, settings: Settings) -> NightSnapshot:
        """Split into runs, score and judge each."""
        rows = [
            FrameRow(file=item.name, causes=("unreadable",), note=item.reason)
            for item in self._unreadable.values()
        ]
        runs: dict[tuple[object, ...], list[FrameMeasures]] = {}
        for measures in sorted(self._measures.values(), key=_measures_order):
            if measures.capture.image_type in (None, "light"):
                runs.setdefault(_run_key(measures), []).append(measures)
            else:
                rows.append(_not_light(measures))
        summaries = []
        for number, members in enumerate(runs.values(), start=1):
            summary, run_rows = self._judge(number, members, settings)
            summaries.append(summary)
            rows.extend(run_rows)
        return NightSnapshot(
            settings=settings,
            rows=tuple(sorted(rows, key=lambda row: _time_order(row.start_utc, row.file))),
            runs=tuple(summaries),
            unreadable=tuple(self._unreadable[name] for name in sorted(self._unreadable)),
        )

    def _judge(
        self, number: int, members: list[FrameMeasures], settings: Settings
    ) -> tuple[RunSummary, list[FrameRow]]:
        scores = score_run(members, settings, cache=self._relations)
        judged = judge_run(members, scores, settings)
        rows = [
            _scored(number, *parts)
            for parts in zip(members, scores.scores, judged.verdicts, strict=True)
        ]
        return _summary(number, members, scores, rows, judged.gain), rows


def measure_files(paths: Iterable[Path], store: NightStore) -> Iterator[FrameMeasures | Unreadable]:
    """Measure files one after the other, or recall them where the store knows them.

    Each result is in the store before it is given, so that nothing is lost when the caller
    stops. Files that cannot be read are results too.

    Raises
    ------
    StoreError
        If the store cannot be written.
    """
    for path in paths:
        if not path.name.isprintable():
            shown = path.name.encode("unicode_escape", "surrogatepass").decode("ascii")
            yield Unreadable(
                name=shown, reason="its name holds characters that are no text; rename the file"
            )
            continue
        try:
            identity = identify(path)
        except OSError as error:
            yield Unreadable(name=path.name, reason=f"cannot be opened ({error.strerror})")
            continue
        yield store.find(identity) or _measure_new(path, identity, store)


def _measure_new(path: Path, identity: Identity, store: NightStore) -> FrameMeasures | Unreadable:
    result: FrameMeasures | Unreadable
    try:
        result = measure(read_frame(path))
    except UnreadableFrameError as error:
        reason = " ".join(str(error).split()).removeprefix(f"{path.name}: ")
        result = Unreadable(name=path.name, reason=reason)
    store.put(identity, result)
    return result


def _time_order(start_utc: datetime | None, name: str) -> tuple[bool, datetime, str]:
    return start_utc is None, start_utc or datetime.max.replace(tzinfo=UTC), name


def _measures_order(measures: FrameMeasures) -> tuple[bool, datetime, str]:
    return _time_order(_start(measures.capture), measures.file_name)


def _start(capture: Capture) -> datetime | None:
    """Start of the exposure; a date without a time of day orders nothing inside a night."""
    return None if capture.date_only else capture.start_utc


def _binning(capture: Capture) -> tuple[int, int] | None:
    if capture.binning_x is None or capture.binning_y is None:
        return None
    return capture.binning_x, capture.binning_y


def _run_key(measures: FrameMeasures) -> tuple[object, ...]:
    capture = measures.capture
    # Cameras note the same exposure with a rounding error now and then.
    exposure = None if capture.exposure_s is None else float(f"{capture.exposure_s:.3g}")
    return capture.filter_name, exposure, _binning(capture), measures.shape


def _row(measures: FrameMeasures) -> FrameRow:
    """Columns that need no other frame."""
    capture = measures.capture
    scale = capture.scale_arcsec
    return FrameRow(
        file=measures.file_name,
        start_utc=_start(capture),
        exposure_s=_NAN if capture.exposure_s is None else capture.exposure_s,
        stars=measures.star_count,
        background_adu=measures.background_adu,
        noise_adu=measures.noise_adu,
        fwhm_px=measures.fwhm_px,
        fwhm_err_px=measures.fwhm_err_px,
        fwhm_arcsec=_NAN if scale is None else measures.fwhm_px * scale,
        hfr_px=measures.hfr_px,
        hfr_err_px=measures.hfr_err_px,
        axis_ratio=measures.axis_ratio,
        axis_ratio_err=measures.axis_ratio_err,
        trail_deg=measures.trail_deg,
        nea_px=measures.nea_px,
        note=_limits(measures),
    )


def _not_light(measures: FrameMeasures) -> FrameRow:
    note = f"a {measures.capture.image_type} frame: it does not look at the sky"
    return replace(_row(measures), causes=("not-light",), note=note)


def _scored(
    run: int, measures: FrameMeasures, score: FrameScore, verdict: FrameVerdict
) -> FrameRow:
    row = _row(measures)
    relation = score.relation
    return replace(
        row,
        run=run,
        transparency=score.transparency,
        transparency_err=score.transparency_err,
        dx_px=_NAN if relation is None else relation.dx_px,
        dy_px=_NAN if relation is None else relation.dy_px,
        rotation_deg=_NAN if relation is None else relation.rotation_deg,
        worth_s=score.worth_s,
        worth_err_s=score.worth_err_s,
        weight=verdict.weight,
        rank=verdict.rank,
        verdict=verdict.verdict,
        causes=verdict.causes,
        note="; ".join(filter(None, (verdict.note, row.note))),
        kept=verdict.kept,
    )


def _limits(measures: FrameMeasures) -> str:
    """Say in words what limits the figures of a frame."""
    texts = [text for flag, text in FRAME_FLAG_MEANINGS.items() if flag in measures.flags]
    if measures.capture.date_only and measures.capture.start_utc is not None:
        texts.append(f"the file gives a date only, {measures.capture.start_utc:%Y-%m-%d}")
    return "; ".join(texts)


def _summary(
    number: int,
    members: list[FrameMeasures],
    scores: RunScores,
    rows: list[FrameRow],
    gain: StackGain,
) -> RunSummary:
    first = members[0]
    counts = Counter(row.verdict for row in rows)
    return RunSummary(
        run=number,
        filter_name=first.capture.filter_name,
        exposure_s=first.capture.exposure_s,
        binning=_binning(first.capture),
        shape=first.shape,
        frames=len(members),
        collected_s=math.fsum(row.exposure_s for row in rows),
        reference=next((row for row in rows if row.file == scores.reference_file), None),
        reference_rule=scores.reference_rule,
        worth_in_seconds=scores.reference_exposure_s is not None,
        verdicts={verdict: counts[verdict] for verdict in get_args(Verdict)},
        gain=gain,
    )
