"""Measures and a reference -> what each frame of a run is worth."""

from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass

from starwinnow.frame_measures import FrameMeasures
from starwinnow.relate import Relation
from starwinnow.settings import Aim, Settings

__all__ = [
    "FrameScore",
    "RelationCache",
    "RunScores",
    "choose_reference",
    "information",
    "score_run",
]

RelationCache = MutableMapping[tuple[str, str], Relation | None]
"""Relations already worked out, by (file name, reference's file name)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameScore:
    """What one frame is worth beside the run's reference; NaN where it cannot be told.

    Attributes
    ----------
    file_name : str
        Name of the file inside its folder.
    relation : Relation or None
        How the frame lies on the reference; None when it does not show the same field.
    transparency, transparency_err : float
        Flux of the same stars, 1 = reference, with all errors.
    glow, depth, detail : float
        Information for each aim, 1 = reference.
    worth_s, worth_err_s : float
        Equivalent seconds of the reference for the chosen aim; reference frames instead of
        seconds where `RunScores.reference_exposure_s` is None.
    """

    file_name: str
    relation: Relation | None
    transparency: float
    transparency_err: float
    glow: float
    depth: float
    detail: float
    worth_s: float
    worth_err_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RunScores:
    """The scores of a run and what they are relative to.

    Attributes
    ----------
    reference_file : str or None
        File name of the reference; None when no frame could be scored.
    reference_rule : str
        How the reference was chosen, in words for the observer.
    reference_exposure_s : float or None
        Exposure of the reference, s. None when its header does not say: worth then counts
        reference frames.
    scores : tuple of FrameScore
        In the order the measures were given.
    """

    reference_file: str | None
    reference_rule: str
    reference_exposure_s: float | None
    scores: tuple[FrameScore, ...]


def information(
    measures: FrameMeasures, transparency: float, *, aim: Aim, fwhm_ref_px: float
) -> float:
    """Information a frame carries for an aim, in 1/ADU^2 (and 1/px^2 for `depth`)."""
    raise NotImplementedError


def choose_reference(measures: Sequence[FrameMeasures]) -> int | None:
    """Index of the provisional reference; None when no frame has stars."""
    raise NotImplementedError


def score_run(
    measures: Sequence[FrameMeasures], settings: Settings, *, cache: RelationCache | None = None
) -> RunScores:
    """Score the frames of one run."""
    raise NotImplementedError
