"""Worth and causes -> verdict, keep set and weights."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures
from starwinnow.scoring import RunScores
from starwinnow.settings import Aim, Mean, Settings

__all__ = ["FrameVerdict", "RunVerdicts", "StackGain", "Verdict", "judge_run", "keep_set"]

Verdict = Literal["keep", "marginal", "leave-out", "not-scored"]


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
    """Predicted signal-to-noise of ways to stack, relative to a mean of all scored frames.

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
    all_worth_s: float
    kept_worth_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunVerdicts:
    """Verdicts of a run, in the order its scores were given, and what the keep set gains."""

    verdicts: tuple[FrameVerdict, ...]
    gain: StackGain


def keep_set(
    amplitudes: NDArray[np.float64] | NDArray[np.complex128], variances: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Frames whose mean has the highest signal-to-noise."""
    raise NotImplementedError


def judge_run(
    measures: Sequence[FrameMeasures], scores: RunScores, settings: Settings
) -> RunVerdicts:
    """Decide on every frame of a run; `measures` and `scores.scores` in the same order."""
    raise NotImplementedError
