"""A night that grows frame by frame, and what is known of it at one moment."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import get_args

from starwinnow.diagnosis import Episode, FitCache, diagnose_run, worth_lost
from starwinnow.frame_measures import FrameMeasures
from starwinnow.frame_rows import FrameRow, row_aside, row_scored, row_unreadable
from starwinnow.runs import Run, binning_of, split_night
from starwinnow.same_field import RelationCache
from starwinnow.scoring import RunScores, score_run
from starwinnow.settings import Settings
from starwinnow.store import Unreadable
from starwinnow.verdict import StackGain, StackGrowth, Verdict, judge_run

__all__ = ["FrameRow", "Night", "NightSnapshot", "RunSummary"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One run: light frames of one field, filter, exposure, binning and image size.

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
    target : str or None
        What most of its headers call the target.
    field_response : str
        Whether the light of a star depends on its place, and how that was dealt with.
    corner_light : float
        Light of a star in the corners over that in the middle; NaN where it is not known.
    note : str
        What else is to be known of the run, '' for nothing.
    episodes : tuple of Episode
        What went wrong for a while, in time order.
    lost_s : dict
        Worth lost by cause, in the unit of `worth_s`.
    growth : StackGrowth
        What the stack shows as it grows, the best frame first.
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
    target: str | None = None
    field_response: str = ""
    corner_light: float = math.nan
    note: str = ""
    episodes: tuple[Episode, ...] = ()
    lost_s: dict[str, float] = field(default_factory=dict)
    growth: StackGrowth = field(default_factory=StackGrowth)


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

    def began(self, run: int) -> datetime | None:
        """Start of the first frame of a run; None where no header says."""
        starts = [row.start_utc for row in self.rows if row.run == run and row.start_utc]
        return min(starts, default=None)

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

    Parameters
    ----------
    relations, star_fits : dict, optional
        How frames lie on each other, and fits of average stars, known from elsewhere; they
        change nothing but the time it takes.
    """

    def __init__(
        self, relations: RelationCache | None = None, star_fits: FitCache | None = None
    ) -> None:
        self._measures: dict[str, FrameMeasures] = {}
        self._unreadable: dict[str, Unreadable] = {}
        self._relations: RelationCache = {} if relations is None else relations
        self._digests: dict[str, bytes] = {}
        self._star_fits: FitCache = {} if star_fits is None else star_fits

    @property
    def measures(self) -> Mapping[str, FrameMeasures]:
        """What was measured of each frame, by the name of its file."""
        return self._measures

    def add(self, measures: FrameMeasures) -> None:
        """Take in a measured frame."""
        self._forget(measures.file_name)
        self._measures[measures.file_name] = measures

    def add_unreadable(self, name: str, reason: str) -> None:
        """Take in a file that could not be read, with its one-line reason."""
        self._forget(name)
        self._unreadable[name] = Unreadable(name=name, reason=reason)

    def _forget(self, name: str) -> None:
        self._measures.pop(name, None)
        self._unreadable.pop(name, None)
        self._digests.pop(name, None)

    def snapshot(self, settings: Settings) -> NightSnapshot:
        """Split into runs, score and judge each."""
        runs, asides = split_night(self._measures.values(), self._relations, self._digests)
        rows = [row_unreadable(item) for item in self._unreadable.values()]
        rows += [row_aside(aside) for aside in asides]
        summaries = []
        for number, run in enumerate(runs, start=1):
            summary, run_rows = self._judge(number, run, settings)
            summaries.append(summary)
            rows.extend(run_rows)
        return NightSnapshot(
            settings=settings,
            rows=tuple(sorted(rows, key=_time_order)),
            runs=tuple(summaries),
            unreadable=tuple(self._unreadable[name] for name in sorted(self._unreadable)),
        )

    def _judge(
        self, number: int, run: Run, settings: Settings
    ) -> tuple[RunSummary, list[FrameRow]]:
        scores = score_run(run.frames, settings, cache=self._relations, digests=self._digests)
        diagnosis = diagnose_run(run.frames, scores, cache=self._star_fits)
        judged = judge_run(run.frames, scores, settings, diagnosis.frames)
        rows = [
            row_scored(number, *parts)
            for parts in zip(run.frames, scores.scores, judged.verdicts, strict=True)
        ]
        summary = _summary(run, scores, rows, judged.gain)
        return replace(
            summary,
            episodes=diagnosis.episodes,
            lost_s=worth_lost(diagnosis.frames, scores.scores),
            growth=judged.growth,
        ), rows


def _time_order(row: FrameRow) -> tuple[bool, datetime, str]:
    start = row.start_utc
    return start is None, start or datetime.max.replace(tzinfo=UTC), row.file


def _summary(run: Run, scores: RunScores, rows: Sequence[FrameRow], gain: StackGain) -> RunSummary:
    first = run.frames[0]
    counts = Counter(row.verdict for row in rows)
    light, light_err = (math.nan, math.nan)
    if scores.response is not None:
        light, light_err = scores.response.corner_light()
    return RunSummary(
        run=rows[0].run or 0,
        target=_target(run),
        filter_name=first.capture.filter_name,
        exposure_s=first.capture.exposure_s,
        binning=binning_of(first.capture),
        shape=first.shape,
        frames=len(rows),
        collected_s=math.fsum(row.exposure_s for row in rows),
        reference=next((row for row in rows if row.file == scores.reference_file), None),
        reference_rule=scores.reference_rule,
        field_response=_response_words(scores, light, light_err),
        corner_light=light,
        note=run.note,
        worth_in_seconds=scores.reference_exposure_s is not None,
        verdicts={verdict: counts[verdict] for verdict in get_args(Verdict)},
        gain=gain,
    )


def _target(run: Run) -> str | None:
    """Commonest name of the target; of two as common the one that came first."""
    names = Counter(frame.capture.object_name for frame in run.frames if frame.capture.object_name)
    return names.most_common(1)[0][0] if names else None


def _response_words(scores: RunScores, light: float, light_err: float) -> str:
    """Say whether the light of a star depends on its place."""
    if scores.response is None:
        return (
            "not fitted: the stars kept their places, are too few, or get the same light everywhere"
        )
    return (
        f"taken out of transparency: by the stars of {scores.response.frames} frames, corners get"
        f" {100 * light:.0f} ± {100 * light_err:.0f} % of the light of the middle"
    )
