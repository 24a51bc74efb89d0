"""Worth and causes -> verdict, keep set and weights."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis import FrameDiagnosis
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.keep_set import flip_gains, keep_set, row_squares
from starwinnow.scoring import FrameScore, RunScores
from starwinnow.settings import Aim, Mean, Settings
from starwinnow.stack_forecast import (
    StackParts,
    growing_snr,
    mean_weights,
    stack_fwhm,
    stack_parts,
    stack_snr,
)

__all__ = [
    "MARGINAL_PART",
    "FrameVerdict",
    "RunVerdicts",
    "StackGain",
    "StackGrowth",
    "Verdict",
    "against",
    "judge_run",
]

Verdict = Literal["keep", "marginal", "leave-out", "not-scored"]

# A frame is marginal below this part of a typical kept frame's share of the stack.
MARGINAL_PART = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameVerdict:
    """What to do with one frame.

    Attributes
    ----------
    file_name : str
        Name of the file inside its folder.
    verdict : {'keep', 'marginal', 'leave-out', 'not-scored'}
        `marginal` frames may go either way.
    kept : bool
        Whether the frame is in the keep set (a marginal frame can be in or out).
    weight : float
        Weight of the raw frame in a weighted mean, 1 = reference; NaN when not scored.
    rank : int or None
        1 is the frame worth most; None when not scored.
    causes : tuple of str
        Codes of what stands against the frame, weightiest first.
    note : str
        The same in words, '' when there is nothing to say.
    """

    file_name: str
    verdict: Verdict
    kept: bool
    weight: float
    rank: int | None
    causes: tuple[str, ...]
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StackGain:
    """Predicted figures of ways to stack, beside a mean of all scored frames.

    Attributes
    ----------
    aim, mean : str
        What the figures are for.
    scored, kept, marginal : int
        Frames with a score, frames in the keep set, frames called marginal.
    keep_snr : float
        S/N of the mean of the keep set, 1 = mean of all scored frames; NaN without scores.
    weighted_snr : float
        S/N of the weighted mean of all scored raw frames, on the same scale.
    all_fwhm_px, keep_fwhm_px : float
        FWHM of the stars in the mean of all scored frames and in that of the keep set, px.
    all_worth_s, kept_worth_s : float
        Sum of worth over the scored frames and over the keep set (same unit as `worth_s`).
    """

    aim: Aim
    mean: Mean
    scored: int
    kept: int
    marginal: int
    keep_snr: float
    weighted_snr: float
    all_fwhm_px: float
    keep_fwhm_px: float
    all_worth_s: float
    kept_worth_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StackGrowth:
    """Signal-to-noise of the best frame, the best two, and so on, 1 = mean of all scored frames.

    Attributes
    ----------
    plain_snr, weighted_snr : tuple of float
        Of their mean, and of their mean with each raw frame by its weight.
    """

    plain_snr: tuple[float, ...] = ()
    weighted_snr: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunVerdicts:
    """Verdicts of a run, in the order its scores were given, and what the keep set gains."""

    verdicts: tuple[FrameVerdict, ...]
    gain: StackGain
    growth: StackGrowth


def judge_run(
    measures: Sequence[FrameMeasures],
    scores: RunScores,
    settings: Settings,
    diagnoses: Sequence[FrameDiagnosis] = (),
) -> RunVerdicts:
    """Decide on every frame of a run.

    The keep set is the one whose mean has the highest signal-to-noise for the aim. A frame is
    `marginal`, in or out, when the other choice would change that by less than a quarter of a
    typical kept frame's share, 1 / (2 N). Both look at the area that all frames see: a frame
    that helps there is kept however small its overlap with the reference, which lowers its worth
    and its rank.

    A frame whose diagnosis speaks against it whatever its worth, such as half the view blocked, is
    left out and has no part in the stack.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        The frames of the run.
    scores : RunScores
        Their scores, in the same order.
    settings : Settings
        Aim and kind of mean.
    diagnoses : sequence of FrameDiagnosis, optional
        What is wrong with the frames.

    Returns
    -------
    RunVerdicts
        In the same order; frames without score are `not-scored`.
    """
    known = {one.file_name: one for one in diagnoses}
    spoilt = {name for name, one in known.items() if one.leave_out} - {scores.reference_file}
    spoilt |= {frame.file_name for frame in measures if FrameFlag.MASK_ON in frame.flags}
    parts = stack_parts(*_stackable(measures, scores, spoilt), settings.aim)
    stack = _Stack(parts, settings)
    verdicts = []
    for frame, score in zip(measures, scores.scores, strict=True):
        row = stack.rows.get(frame.file_name)
        name = frame.file_name
        causes, note = against(frame, score, scores.reference_file, known.get(name))
        absent: Verdict = "leave-out" if frame.file_name in spoilt else "not-scored"
        verdicts.append(
            FrameVerdict(
                file_name=frame.file_name,
                verdict=absent if row is None else stack.verdict(row),
                kept=row is not None and bool(stack.kept[row]),
                weight=math.nan if row is None else float(stack.weights[row]),
                rank=None if row is None else int(stack.ranks[row]),
                causes=causes,
                note=note,
            )
        )
    return RunVerdicts(verdicts=tuple(verdicts), gain=stack.gain(), growth=stack.growth())


def _stackable(
    measures: Sequence[FrameMeasures], scores: RunScores, spoilt: set[str]
) -> tuple[list[FrameMeasures], RunScores]:
    """Frames that are not spoilt, whatever their worth, and their scores.

    None of them where even the reference is: nothing is left to compare with.
    """
    clear = [
        (frame, score)
        for frame, score in zip(measures, scores.scores, strict=True)
        if frame.file_name not in spoilt
    ]
    if all(frame.file_name != scores.reference_file for frame, _ in clear):
        clear = []
    frames = [frame for frame, _ in clear]
    return frames, replace(scores, scores=tuple(score for _, score in clear))


class _Stack:
    """The scored frames of a run as parts of a mean, in the order given."""

    def __init__(self, parts: StackParts, settings: Settings) -> None:
        self.parts = parts
        self.settings = settings
        self.rows = {name: row for row, name in enumerate(parts.file_names)}
        self.scale = mean_weights(parts, settings.mean)
        self.amplitudes = parts.amplitudes
        if settings.mean == "scaled":
            self.amplitudes = self.scale[:, np.newaxis] * parts.amplitudes
        self.variances = (self.scale * parts.noise_adu) ** 2
        self.kept = keep_set(self.amplitudes, self.variances)
        self.marginal = self._marginal()
        names = np.array(parts.file_names)
        self.ranks = np.empty(len(parts), np.intp)
        self.ranks[np.lexsort((names, -parts.worth_s))] = np.arange(1, len(parts) + 1)
        self.weights = self._weights()

    def _marginal(self) -> NDArray[np.bool_]:
        """Frames that may go either way."""
        if len(self.kept) == 0:
            return self.kept
        changes = np.sqrt(1 + flip_gains(self.amplitudes, self.variances, self.kept)) - 1
        share = 1 / (2 * np.count_nonzero(self.kept))
        marginal: NDArray[np.bool_] = np.abs(changes) < MARGINAL_PART * share
        return marginal

    def _weights(self) -> NDArray[np.float64]:
        """Weights of raw frames, 1 for the reference.

        The best weight of a raw frame in a pixel stack is T p / s^2, with p the strength of its
        star for the aim: 1 for `glow`, 1 / sqrt(NEA) for `depth` (Fischer & Kochanski 1994,
        AJ 107, 802; Zackay & Ofek 2017).
        """
        if len(self.parts) == 0:
            return np.ones(0)
        strength = np.sqrt(row_squares(self.parts.amplitudes))
        weights: NDArray[np.float64] = strength / self.parts.noise_adu**2
        reference = self.parts.reference
        return weights if reference is None else weights / weights[reference]

    def verdict(self, row: int) -> Verdict:
        """Name the decision on one frame."""
        if self.marginal[row]:
            return "marginal"
        return "keep" if self.kept[row] else "leave-out"

    def growth(self) -> StackGrowth:
        """Let the stack grow frame by frame, the one worth most first."""
        if len(self.kept) == 0:
            return StackGrowth()
        order = np.argsort(self.ranks)
        whole = stack_snr(self.parts, self.scale)
        plain, weighted = (
            growing_snr(self.parts, weights, order) / whole
            for weights in (self.scale, self.weights)
        )
        return StackGrowth(plain_snr=tuple(plain.tolist()), weighted_snr=tuple(weighted.tolist()))

    def gain(self) -> StackGain:
        """Compare the keep set and the weighted mean with the mean of all scored frames."""
        keep_snr = weighted_snr = math.nan
        keep = self.kept * self.scale
        if len(self.kept):
            all_snr = stack_snr(self.parts, self.scale)
            keep_snr = stack_snr(self.parts, keep) / all_snr
            weighted_snr = stack_snr(self.parts, self.weights) / all_snr
        return StackGain(
            aim=self.settings.aim,
            mean=self.settings.mean,
            scored=len(self.kept),
            kept=int(np.count_nonzero(self.kept)),
            marginal=int(np.count_nonzero(self.marginal)),
            keep_snr=keep_snr,
            weighted_snr=weighted_snr,
            all_fwhm_px=stack_fwhm(self.parts, self.scale),
            keep_fwhm_px=stack_fwhm(self.parts, keep),
            all_worth_s=math.fsum(self.parts.worth_s),
            kept_worth_s=math.fsum(self.parts.worth_s[self.kept]),
        )


def against(
    frame: FrameMeasures,
    score: FrameScore,
    reference: str | None,
    diagnosis: FrameDiagnosis | None = None,
) -> tuple[tuple[str, ...], str]:
    """Say in codes what stands against a frame; in words what flags don't.

    What speaks against it whatever its worth comes first, then what the diagnosis found,
    weightiest first, with its evidence.
    """
    causes, note = _by_itself(frame, score, reference)
    found = () if diagnosis is None else diagnosis.causes
    words = [f"{one.code}: {one.evidence}" for one in found]
    return causes + tuple(one.code for one in found), "; ".join(filter(None, (note, *words)))


def _by_itself(
    frame: FrameMeasures, score: FrameScore, reference: str | None
) -> tuple[tuple[str, ...], str]:
    causes = []
    note = ""
    if FrameFlag.MASK_ON in frame.flags:
        causes.append("mask-on")
    if FrameFlag.OVEREXPOSED in frame.flags:
        causes.append("overexposed")
    few = bool(frame.flags & (FrameFlag.FEW_STARS | FrameFlag.NO_STARS))
    if few:
        causes.append("few-stars")
    if FrameFlag.NO_STARS in frame.flags:
        return tuple(causes), note
    if reference is None:
        note = "no frame of its run has stars that could be compared"
    elif score.relation is None:
        note = f"no field in common with {reference} found"
        if not few:
            causes.append("other-field")
    elif math.isnan(score.transparency):
        note = f"no star whose light can be compared with {reference}"
    return tuple(causes), note
