"""A night judged while it grows: runs told apart, verdicts, and the snapshot of each moment."""

import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from starwinnow.advice import AdviceBoard, Circumstances
from starwinnow.focus_trend import focus_trend
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures
from starwinnow.live_run import SETTLING_FRAMES, Judged, LiveRun
from starwinnow.live_snapshot import (
    STRIP_FRAMES,
    LiveCounts,
    LiveFrame,
    LiveReference,
    LiveSnapshot,
    LiveState,
    Revision,
    WorthSoFar,
)
from starwinnow.relate import Relation, relate
from starwinnow.runs import fingerprint, not_light, settings_of
from starwinnow.same_field import start_utc
from starwinnow.settings import Settings
from starwinnow.store import Unreadable

__all__ = ["LiveNight"]

# The same number as in `runs`: so many frames of another field are a run of their own.
_FEWEST_OF_A_FIELD = 3
_FIELDS_TRIED = 3
_MOST_REVISIONS = 20
# Frames that trends look at; ten minutes of 5 s exposures.
_HISTORY_FRAMES = 120
_PACE_S = 600.0


class LiveNight:
    """What is known of a running night; what it remembers of a frame is small.

    Parameters
    ----------
    folder : str
        Name of the watched folder.
    settings : Settings
    now : callable
        Gives the time, UTC.
    """

    def __init__(
        self,
        folder: str,
        settings: Settings,
        *,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.runs: list[LiveRun] = []
        self.state: LiveState = "waiting"
        self._now = now
        self._news_utc = now()
        self._keys: dict[int, tuple[object, ...]] = {}
        self._run_of: dict[str, LiveRun] = {}
        self._standing: dict[str, LiveFrame] = {}
        self._counts: Counter[str] = Counter()
        self._pixels: dict[bytes, str] = {}
        self._strays: list[FrameMeasures] = []
        self._recent: deque[str] = deque(maxlen=_HISTORY_FRAMES)
        self._revisions: deque[Revision] = deque(maxlen=_MOST_REVISIONS)
        self._board = AdviceBoard()
        self._run: LiveRun | None = None
        self._target: str | None = None
        self._temperatures: dict[str, float] = {}
        self.latest_picture: NDArray[np.uint8] | None = None
        self.latest_capture: Capture | None = None

    def standing(self, name: str) -> LiveFrame | None:
        """Say what is thought of a file now; None when it was never seen."""
        return self._standing.get(name)

    def add(self, frame: FrameMeasures) -> list[LiveFrame]:
        """Take in a measured frame.

        Returns
        -------
        list of LiveFrame
            The frame first, then earlier frames of which the night has changed its mind, or
            whose verdict is no longer provisional.
        """
        self.forget(frame.file_name)
        if frame.thumbnail.size:
            self.latest_picture = frame.thumbnail
        self.latest_capture = frame.capture
        aside = self._aside(frame)
        if aside is not None:
            return [self._settle(_measured(frame, self._now(), causes=aside[:1], note=aside[1]))]
        run, relation = self._home(frame)
        if run is None:
            return self._add_stray(frame)
        self._strays = []
        return self._add_to(run, frame, relation)

    def add_unreadable(self, item: Unreadable) -> LiveFrame:
        """Take in a file that could not be read."""
        self.forget(item.name)
        return self._settle(
            LiveFrame(
                file=item.name,
                run=None,
                start_utc=None,
                judged_utc=self._now(),
                verdict="not-scored",
                kept=False,
                provisional=False,
                causes=("unreadable",),
                note=item.reason,
            )
        )

    def forget(self, name: str) -> None:
        """Drop what is known of a file, which is gone or has been written anew."""
        known = self._standing.pop(name, None)
        if known is None:
            return
        self._count(known, -1)
        self._strays = [stray for stray in self._strays if stray.file_name != name]
        run = self._run_of.pop(name, None)
        if run is not None:
            run.forget(name)
        self._temperatures.pop(name, None)
        if name in self._recent:
            self._recent.remove(name)
        self._pixels = {print_: n for print_, n in self._pixels.items() if n != name}

    def mark_fed(self, name: str, *, unearned: bool = False) -> None:
        """Note that a frame is in the feed folder.

        `unearned` says that it was put there on an earlier verdict, which this night's frames so
        far do not confirm: that is a change of mind.
        """
        known = self._standing.get(name)
        if known is None or known.fed:
            return
        self._count(known, -1)
        self._standing[name] = replace(known, fed=True)
        self._count(self._standing[name], 1)
        if unearned:
            self._revisions.append(
                Revision(file=name, was_kept=True, kept=False, fed=True, at_utc=self._now())
            )

    def change_state(self, state: LiveState) -> None:
        """Note whether the folder can be seen, or that the watch has ended."""
        if state != self.state:
            self.state = state
            self._news_utc = self._now()

    def snapshot(self, circumstances: Circumstances, *, waiting: int = 0) -> LiveSnapshot:
        """Give all there is to show now.

        Parameters
        ----------
        circumstances : Circumstances
            What advice needs beside the frames.
        waiting : int
            Files seen that have no verdict yet.
        """
        run = self._run
        history = self._history()
        temperatures = [self._temperatures.get(frame.file, math.nan) for frame in history]
        focus = focus_trend(history, temperatures)
        recent = list(self._recent)[-STRIP_FRAMES:]
        strip = tuple(self._standing[name] for name in recent)
        counts = self._counts
        return LiveSnapshot(
            folder=self.folder,
            state=self.state,
            news_utc=self._news_utc,
            settings=self.settings,
            run=run.number if run else 0,
            target=self._target,
            last=strip[-1] if strip else None,
            strip=strip,
            counts=LiveCounts(waiting=waiting, **counts),
            reference=_reference(run),
            worth=self._worth(run, history),
            focus=focus,
            advice=self._board.advise(history, focus, circumstances, self._now()),
            revisions=tuple(reversed(self._revisions)),
            picture=self.latest_picture,
        )

    def _history(self) -> list[LiveFrame]:
        """Return the latest frames of the present run, oldest first."""
        number = self._run.number if self._run else None
        frames = [self._standing[name] for name in self._recent]
        present = [frame for frame in frames if number and frame.run in {number, None}]
        return sorted(present, key=lambda frame: frame.start_utc or frame.judged_utc)

    def _aside(self, frame: FrameMeasures) -> tuple[str, str] | None:
        """Cause and note of a frame that belongs to no run."""
        if note := not_light(frame):
            return "not-light", note
        first = self._pixels.setdefault(fingerprint(frame), frame.file_name)
        if first != frame.file_name:
            return "duplicate", f"the same pixels as {first}, which counts"
        return None

    def _home(self, frame: FrameMeasures) -> tuple[LiveRun | None, Relation | None]:
        """Find the run that a frame belongs to, and how it lies there; none for a stray."""
        key = settings_of(frame)
        alike = [run for run in reversed(self.runs) if self._keys[run.number] == key]
        for run in alike[:_FIELDS_TRIED]:
            relation = run.relation(frame)
            if relation is not None:
                return run, relation
        if not alike:
            return self._new_run(key), None
        latest = alike[0]
        if frame.star_count == 0 or latest.reference is None:
            return latest, None
        return None, None

    def _new_run(self, key: tuple[object, ...]) -> LiveRun:
        run = LiveRun(len(self.runs) + 1, self.settings)
        self.runs.append(run)
        self._keys[run.number] = key
        return run

    def _add_stray(self, frame: FrameMeasures) -> list[LiveFrame]:
        """Take in a frame of another field; three of one field make a run of their own."""
        key = settings_of(frame)
        latest = next(run for run in reversed(self.runs) if self._keys[run.number] == key)
        company = [stray for stray in self._strays if _same_field(frame, stray)]
        self._strays = [*company, frame]
        if len(self._strays) < _FEWEST_OF_A_FIELD:
            return self._add_to(latest, frame, None)
        run, strays = self._new_run(key), self._strays
        self._strays = []
        given: list[LiveFrame] = []
        for stray in strays:
            former = self._standing.get(stray.file_name)
            self.forget(stray.file_name)
            moved = self._add_to(run, stray, None)
            if former is not None and former.fed:
                self.mark_fed(stray.file_name)
            given = [moved[0], *given]
        return given

    def _add_to(
        self, run: LiveRun, frame: FrameMeasures, relation: Relation | None
    ) -> list[LiveFrame]:
        was_settled = run.settled
        name = frame.file_name
        self._run, self._target = run, frame.capture.object_name or self._target
        self._run_of[name] = run
        temperature = _temperature(frame)
        if temperature is not None:
            self._temperatures[name] = temperature
        new, *changed = run.add(frame, relation)
        given = [self._settle(self._live(run, new))]
        if run.settled and not was_settled:
            # All provisional verdicts of the run stand now.
            changed = [judged for judged in run.judged.values() if judged.frame.file_name != name]
        given += self._revise(run, changed)
        return given

    def _revise(self, run: LiveRun, changed: Iterable[Judged]) -> list[LiveFrame]:
        """Take over changed verdicts; those that had been settled are listed as changes of mind."""
        revised = []
        for judged in changed:
            known = self._standing[judged.frame.file_name]
            now = replace(self._live(run, judged), judged_utc=known.judged_utc, fed=known.fed)
            if known.kept != now.kept:
                self._revisions.append(
                    Revision(
                        file=now.file,
                        was_kept=known.kept,
                        kept=now.kept,
                        fed=known.fed,
                        at_utc=self._now(),
                    )
                )
            self._count(known, -1)
            self._standing[now.file] = now
            self._count(now, 1)
            revised.append(now)
        return revised

    def _live(self, run: LiveRun, judged: Judged) -> LiveFrame:
        frame, score, relation = judged.frame, judged.score, judged.score.relation
        row = _measured(frame, self._now(), causes=judged.causes, note=judged.note)
        if relation is not None:
            row = replace(
                row,
                overlap=relation.overlap,
                rotation_deg=relation.rotation_deg,
                dx_px=relation.dx_px,
                dy_px=relation.dy_px,
            )
        return replace(
            row,
            run=run.number,
            verdict=judged.verdict,
            kept=judged.kept,
            provisional=not run.settled,
            worth_s=score.worth_s,
            worth_err_s=score.worth_err_s,
            transparency=score.transparency,
        )

    def _settle(self, frame: LiveFrame) -> LiveFrame:
        """Note a new verdict as the latest news."""
        self._standing[frame.file] = frame
        self._count(frame, 1)
        self._recent.append(frame.file)
        self._news_utc = self._now()
        if self.state == "waiting":
            self.state = "watching"
        return frame

    def _count(self, frame: LiveFrame, sign: int) -> None:
        self._counts["frames"] += sign
        self._counts["fed"] += sign * frame.fed
        if frame.causes == ("unreadable",):
            self._counts["unreadable"] += sign
        elif frame.verdict == "not-scored":
            self._counts["not_scored"] += sign
        else:
            self._counts["kept" if frame.kept else "left_out"] += sign
            self._counts["marginal"] += sign * (frame.verdict == "marginal")

    def _worth(self, run: LiveRun | None, history: Sequence[LiveFrame]) -> WorthSoFar:
        if run is None or run.reference is None:
            return WorthSoFar()
        exposure_s = run.reference.capture.exposure_s
        kept_s = run.kept_worth_s
        deeper = math.nan
        if kept_s > 0:
            # Noise falls, and depth rises, with the square root of worth: 2.5 lg sqrt.
            deeper = 1.25 * math.log10(kept_s / (exposure_s or 1.0))
        pace = _pace(history)
        return WorthSoFar(
            collected_s=run.collected_s,
            kept_s=kept_s,
            in_seconds=exposure_s is not None,
            deeper_mag=deeper,
            double_in_s=kept_s / pace if pace > 0 else math.nan,
        )


def _measured(
    frame: FrameMeasures, now: datetime, *, causes: tuple[str, ...], note: str
) -> LiveFrame:
    """Figures of a frame that need no other."""
    exposure_s = frame.capture.exposure_s
    return LiveFrame(
        file=frame.file_name,
        run=None,
        start_utc=start_utc(frame),
        judged_utc=now,
        verdict="not-scored",
        kept=False,
        provisional=False,
        exposure_s=math.nan if exposure_s is None else exposure_s,
        fwhm_px=frame.fwhm_px,
        hfr_px=frame.hfr_px,
        hfr_err_px=frame.hfr_err_px,
        axis_ratio=frame.axis_ratio,
        background_adu=frame.background_adu,
        stars=frame.star_count,
        flags=frame.flags,
        causes=causes,
        note=note,
    )


def _temperature(frame: FrameMeasures) -> float | None:
    """Of the air or the focuser; a cooled sensor says nothing of the tube."""
    capture = frame.capture
    if capture.focuser_temperature_c is not None:
        return capture.focuser_temperature_c
    return capture.ambient_temperature_c


def _reference(run: LiveRun | None) -> LiveReference:
    if run is None:
        return LiveReference(frames_left=SETTLING_FRAMES)
    return LiveReference(
        file=run.reference.file_name if run.reference else None,
        settled=run.settled,
        frames_left=0 if run.settled else max(SETTLING_FRAMES - run.scored, 0),
        changes=run.reference_changes,
    )


def _same_field(frame: FrameMeasures, other: FrameMeasures) -> bool:
    if settings_of(frame) != settings_of(other):
        return False
    relation = relate(frame.stars, other.stars, shape=frame.shape, reference_shape=other.shape)
    return relation is not None


def _pace(history: Sequence[LiveFrame]) -> float:
    """Worth kept per second of the clock over the last ten minutes; 0 where it is not known."""
    known = [frame for frame in history if frame.start_utc is not None]
    if len(known) < 2:
        return 0.0
    ends = [
        frame.start_utc.timestamp() + (frame.exposure_s if frame.exposure_s > 0 else 0.0)
        for frame in known
        if frame.start_utc is not None
    ]
    last = max(ends)
    inside = [(end, f) for end, f in zip(ends, known, strict=True) if last - end <= _PACE_S]
    first = min(end - (f.exposure_s if f.exposure_s > 0 else 0.0) for end, f in inside)
    worth = math.fsum(f.worth_s for _, f in inside if f.kept and f.worth_s > 0)
    return worth / (last - first) if last > first else 0.0
