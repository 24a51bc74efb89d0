"""A run that grows: each new frame judged at once, at a cost that does not grow with the run.

Until `SETTLING_FRAMES` frames have a score the whole run is scored and judged anew with each
frame, and all its verdicts are provisional. Then the reference settles, and a frame is judged by
itself against what has been kept so far. At every doubling of the run all of it is judged once
more, which may change the reference and earlier verdicts.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis import FrameDiagnosis
from starwinnow.frame_measures import FrameMeasures
from starwinnow.growing_stack import GrowingStack
from starwinnow.live_causes import LiveCauses
from starwinnow.relate import Relation, relate
from starwinnow.same_field import Field, Member, RelationCache, best_reference
from starwinnow.scoring import FrameScore, RunScores, Scale, score_run
from starwinnow.settings import Settings
from starwinnow.stack_forecast import star_amplitudes
from starwinnow.stars import Stars
from starwinnow.verdict import Verdict, against, judge_run

__all__ = ["DECISIVE_CAUSES", "SETTLING_FRAMES", "Judged", "LiveRun"]

SETTLING_FRAMES = 10
"""So many scored frames make a reference settle: its percentile then is the second best frame."""

DECISIVE_CAUSES = frozenset({"mask-on", "overexposed"})
"""With one of these a frame is left out whatever its worth."""

# Frames without a score that are remembered whole while the reference has not settled: a cloudy
# beginning must not fill the memory.
_MOST_UNSCORED = 30
# A better reference replaces the settled one only when it is worth so much more: smaller steps
# would change every figure on the screen for nothing.
_BETTER_REFERENCE = 1.05
_NO_ROWS = np.empty(0, np.intp)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """A frame of the run as it stands now.

    Attributes
    ----------
    frame : FrameMeasures
        Its figures; without stars and pictures once the reference has settled.
    score : FrameScore
    verdict : {'keep', 'marginal', 'leave-out', 'not-scored'}
    kept : bool
    causes : tuple of str
    note : str
    """

    frame: FrameMeasures
    score: FrameScore
    verdict: Verdict
    kept: bool
    causes: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True)
class _Part:
    """A frame's part of a mean."""

    amplitude: NDArray[np.complex128]
    variance: float


class LiveRun:
    """Frames of the same settings and field, in the order in which they arrive.

    Parameters
    ----------
    number : int
        Of the run, in the order in which runs began to arrive.
    settings : Settings
    """

    def __init__(self, number: int, settings: Settings) -> None:
        self.number = number
        self.settings = settings
        self.settled = False
        self.reference_changes = 0
        self.judged: dict[str, Judged] = {}
        self.scored = 0
        self.kept_worth_s = 0.0
        self.collected_s = 0.0
        self.reference: FrameMeasures | None = None
        self.stack = GrowingStack()
        self._whole: dict[str, FrameMeasures] = {}
        self._relations: RelationCache = {}
        # Where frames are laid on, once settled, and the reference's light relative to it.
        self._anchor: FrameMeasures | None = None
        self._anchor_light = 1.0
        self._scale: Scale | None = None
        self._next_review = 2 * SETTLING_FRAMES
        self._causes: LiveCauses | None = None
        self._diagnoses: dict[str, FrameDiagnosis] = {}

    def relation(self, frame: FrameMeasures) -> Relation | None:
        """How a frame lies on this run's field; None when it does not, or nothing is known."""
        base = self._anchor if self.settled else self.reference
        if base is None:
            return None
        return relate(frame.stars, base.stars, shape=frame.shape, reference_shape=base.shape)

    def add(self, frame: FrameMeasures, relation: Relation | None) -> list[Judged]:
        """Take in a frame and judge it.

        Parameters
        ----------
        frame : FrameMeasures
            Replaces the one of the same name.
        relation : Relation or None
            What `relation` said of it.

        Returns
        -------
        list of Judged
            The frame first, then the frames whose place in or out of the stack changed.
        """
        self.forget(frame.file_name)
        if not self.settled:
            return self._add_unsettled(frame)
        judged = self._judge(frame, relation)
        self.judged[frame.file_name] = judged
        self._count(judged, 1)
        if judged.verdict == "not-scored" or self.scored < self._next_review:
            return [judged]
        self._next_review *= 2
        changed = self.review()
        return [self.judged[frame.file_name], *(j for j in changed if j.frame is not judged.frame)]

    def forget(self, name: str) -> None:
        """Drop what is known of a frame, which has been written anew."""
        known = self.judged.pop(name, None)
        self._whole.pop(name, None)
        self._diagnoses.pop(name, None)
        if self._causes is not None:
            self._causes.forget(name)
        if known is None:
            return
        self._count(known, -1)
        if known.kept and self.settled:
            part = self._part(known)
            self.stack.remove(part.amplitude, part.variance)

    def review(self) -> list[Judged]:
        """Judge the whole settled run again; returns the frames that went in or out."""
        self._choose_reference()
        assert self._scale is not None
        entries = list(self.judged.values())
        scores = [self._scale.score(j.frame, j.score.relation) for j in entries]
        return self._judge_all([j.frame for j in entries], self._scores(scores))

    def scores(self) -> RunScores:
        """Scores of the settled run's frames as they stand, in the order of `judged`."""
        return self._scores([judged.score for judged in self.judged.values()])

    def _scores(self, scores: list[FrameScore]) -> RunScores:
        assert self._scale is not None
        assert self.reference is not None
        return RunScores(
            reference_file=self.reference.file_name,
            reference_rule="",
            reference_exposure_s=self._scale.exposure_s,
            response=None,
            scores=tuple(scores),
        )

    def _count(self, judged: Judged, sign: int) -> None:
        """Add a frame to the sums of the run, or take it out."""
        self.scored += sign * (judged.verdict != "not-scored")
        self.collected_s += sign * (judged.frame.capture.exposure_s or math.nan)
        if judged.kept:
            self.kept_worth_s += sign * judged.score.worth_s

    def _add_unsettled(self, frame: FrameMeasures) -> list[Judged]:
        self._whole[frame.file_name] = frame
        frames = list(self._whole.values())
        scores = score_run(frames, self.settings, cache=self._relations)
        self.reference = next((f for f in frames if f.file_name == scores.reference_file), None)
        changed = self._judge_all(frames, scores)
        if self.scored >= SETTLING_FRAMES and self.reference is not None:
            self._settle(self.reference)
        else:
            self._thin_out()
        new = self.judged[frame.file_name]
        return [new, *(j for j in changed if j.frame.file_name != frame.file_name)]

    def _thin_out(self) -> None:
        """Keep only the figures of the oldest frames without a score, if there are many."""
        unscored_names = [n for n in self._whole if self.judged[n].verdict == "not-scored"]
        for name in unscored_names[:-_MOST_UNSCORED]:
            self.judged[name] = _slim(self.judged[name])
            del self._whole[name]

    def _settle(self, reference: FrameMeasures) -> None:
        """Fix the field and the unit of worth; from here on frames are remembered by figures."""
        self.settled = True
        self._anchor = reference
        self._causes = LiveCauses(reference, self.settings)
        for frame in self._whole.values():
            relation = self.relation(frame)
            if relation is not None:
                self._causes.add(frame, relation)
        self._whole, self._relations = {}, {}
        self.judged = {name: _slim(judged) for name, judged in self.judged.items()}
        self.reference = self.judged[reference.file_name].frame
        self._scale = Scale(self.reference, None, self.settings)
        self._refill()

    def _judge(self, frame: FrameMeasures, relation: Relation | None) -> Judged:
        """Judge one frame against what is kept, and take it in when it helps."""
        assert self._scale is not None
        assert self.reference is not None
        diagnosis = self._diagnose(frame, relation)
        if relation is not None:
            relation = _without_rows(_dimmed(relation, self._anchor_light))
        score = self._scale.score(frame, relation)
        causes, note = against(frame, score, self.reference.file_name, diagnosis)
        judged = _slim(
            Judged(
                frame=frame, score=score, verdict="not-scored", kept=False, causes=causes, note=note
            )
        )
        if DECISIVE_CAUSES & set(causes) or (diagnosis is not None and diagnosis.leave_out):
            return replace(judged, verdict="leave-out")
        if not score.worth_s > 0:
            return judged
        part = self._part(judged)
        gain = self.stack.gain(part.amplitude, part.variance)
        verdict: Verdict = "keep" if gain > 0 else "leave-out"
        if self.stack.is_marginal(gain):
            verdict = "marginal"
        if gain > 0:
            self.stack.add(part.amplitude, part.variance)
        return replace(judged, verdict=verdict, kept=gain > 0)

    def _diagnose(self, frame: FrameMeasures, relation: Relation | None) -> FrameDiagnosis | None:
        """Tell why a frame is bad, and keep that; None where nothing can be told."""
        if relation is None or self._causes is None:
            return None
        diagnosis = self._causes.add(frame, relation)
        if diagnosis is not None and (diagnosis.causes or diagnosis.leave_out):
            self._diagnoses[frame.file_name] = diagnosis
        return diagnosis

    def _judge_all(self, frames: list[FrameMeasures], scores: RunScores) -> list[Judged]:
        """Judge frames together by the rule of the keep set; returns those that went in or out."""
        diagnoses = list(self._diagnoses.values())
        verdicts = judge_run(frames, scores, self.settings, diagnoses).verdicts
        changed = []
        for frame, score, verdict in zip(frames, scores.scores, verdicts, strict=True):
            decided = bool(DECISIVE_CAUSES & set(verdict.causes))
            known = self.judged.get(frame.file_name)
            judged = Judged(
                frame=frame,
                score=score,
                verdict="leave-out" if decided else verdict.verdict,
                kept=verdict.kept and not decided,
                causes=verdict.causes,
                note=verdict.note,
            )
            self.judged[frame.file_name] = judged
            if known is not None and known.kept != judged.kept:
                changed.append(judged)
        self.scored, self.kept_worth_s, self.collected_s = 0, 0.0, 0.0
        for judged in self.judged.values():
            self._count(judged, 1)
        if self.settled:
            self._refill()
        return changed

    def _choose_reference(self) -> None:
        """Move the unit of worth to a clearly better frame; the field stays where it is laid on."""
        assert self._scale is not None
        assert self._anchor is not None
        members = [
            Member(frame=j.frame, transparency=j.score.transparency, overlap=relation.overlap)
            for j in self.judged.values()
            if (relation := j.score.relation) is not None
        ]
        best = best_reference(Field(anchor=self._anchor, members=members))
        if best is None or best is self.reference:
            return
        judged = self.judged[best.file_name]
        relation = judged.score.relation
        if relation is None or not judged.score.depth * relation.overlap > _BETTER_REFERENCE:
            return
        light = judged.score.transparency
        self._anchor_light *= light
        self.judged = {name: _relit(j, light) for name, j in self.judged.items()}
        self.reference = best
        self._scale = Scale(best, None, self.settings)
        self.reference_changes += 1

    def _refill(self) -> None:
        """Build the sums of the kept frames anew."""
        self.stack = GrowingStack()
        for judged in self.judged.values():
            if judged.kept:
                part = self._part(judged)
                self.stack.add(part.amplitude, part.variance)

    def _part(self, judged: Judged) -> _Part:
        """Work out what a scored frame adds to the mean."""
        fwhm_px = math.nan if self.reference is None else self.reference.fwhm_px
        star = star_amplitudes([judged.frame], aim=self.settings.aim, fwhm_ref_px=fwhm_px)[0]
        transparency, noise = judged.score.transparency, judged.frame.noise_adu
        if self.settings.mean == "scaled":
            return _Part(star, (noise / transparency) ** 2)
        return _Part(transparency * star, noise**2)


def _dimmed(relation: Relation, light: float) -> Relation:
    """How a frame lies on its field, with its light relative to a reference of so much light."""
    return replace(
        relation,
        transparency=relation.transparency / light,
        transparency_err=relation.transparency_err / light,
    )


def _relit(judged: Judged, light: float) -> Judged:
    relation = judged.score.relation
    if relation is None:
        return judged
    return replace(judged, score=replace(judged.score, relation=_dimmed(relation, light)))


def _without_rows(relation: Relation) -> Relation:
    return replace(relation, frame_rows=_NO_ROWS, reference_rows=_NO_ROWS)


def _slim(judged: Judged) -> Judged:
    """Without star list and pictures, which take fifty times the memory of all else."""
    nothing = np.empty((0, 0), np.float32)
    frame = replace(
        judged.frame,
        stars=Stars.empty(),
        average_star=nothing,
        average_star_err=nothing,
        thumbnail=np.empty((0, 0), np.uint8),
    )
    relation = judged.score.relation
    score = judged.score
    if relation is not None:
        score = replace(score, relation=_without_rows(relation))
    return replace(judged, frame=frame, score=score)
