"""Measures and a reference -> what each frame of a run is worth."""

import itertools
import math
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.information import flux_scale_error, information, information_error
from starwinnow.relate import Relation, identity, relate
from starwinnow.settings import AIMS, Aim, Settings

__all__ = ["FrameScore", "RelationCache", "RunScores", "choose_reference", "score_run"]

# High enough to be a good frame, low enough not to be a single lucky one.
_REFERENCE_PERCENTILE = 0.9
# So many frames are tried until one shows the field of more than half of the run.
_PROVISIONAL_TRIES = 5
# Flags of frames that do not serve as reference while others are there.
_POOR_REFERENCE = FrameFlag.FEW_STARS | FrameFlag.OVEREXPOSED | FrameFlag.MASK_ON

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


def choose_reference(measures: Sequence[FrameMeasures]) -> int | None:
    """Pick the frame that the others are related to first: most stars in mid-run.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        The frames of one run, in any order.

    Returns
    -------
    int or None
        Its index; None when no frame has stars.
    """
    return next(iter(_provisional_references(measures)), None)


def _provisional_references(measures: Sequence[FrameMeasures]) -> list[int]:
    """List indices of frames with stars, likeliest first, whatever the order given.

    The middle third of the run in time comes first, since what drifts is nearest to all frames
    there; within it the most stars.
    """
    in_time = sorted(range(len(measures)), key=lambda index: _time_order(measures[index]))
    third = len(in_time) // 3
    middle = set(in_time[third : len(in_time) - third])
    usable = [index for index in in_time if measures[index].star_count > 0]
    return sorted(
        usable,
        key=lambda index: (
            bool(measures[index].flags & _POOR_REFERENCE),
            index not in middle,
            -measures[index].star_count,
            measures[index].file_name,
        ),
    )


def _time_order(measures: FrameMeasures) -> tuple[datetime, str]:
    start = measures.capture.start_utc or datetime.min.replace(tzinfo=UTC)
    return start, measures.file_name


def score_run(
    measures: Sequence[FrameMeasures], settings: Settings, *, cache: RelationCache | None = None
) -> RunScores:
    """Score the frames of one run against its reference.

    The reference is the frame whose information for `depth` is at the 90th percentile of the
    run: good, never a single lucky frame, the same for every aim, and independent of the order
    given. To find it, all frames are first related to a provisional one.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        Frames of one field, filter, exposure, binning and size, with different file names.
    settings : Settings
        The aim that worth is for.
    cache : dict, optional
        Relations known from earlier calls; new ones are added. Its user drops the entries of a
        frame that was measured anew.

    Returns
    -------
    RunScores
        Frames that cannot be laid on the reference have NaN.
    """
    run = _Run(measures, {} if cache is None else cache)
    related = run.largest_group()
    reference = _final_reference(related)
    if reference is None:
        return RunScores(
            reference_file=None,
            reference_rule="no frame has stars that the others could be compared with",
            reference_exposure_s=None,
            scores=tuple(_unscored(frame) for frame in measures),
        )
    scale = _Scale(reference, settings)
    return RunScores(
        reference_file=reference.file_name,
        reference_rule=(
            "the frame at the 90th percentile of worth for depth among the"
            f" {len(related)} that show the same field"
        ),
        reference_exposure_s=scale.exposure_s,
        scores=tuple(scale.score(frame, run.relation(frame, reference)) for frame in measures),
    )


def _unscored(frame: FrameMeasures) -> FrameScore:
    return FrameScore(
        file_name=frame.file_name,
        relation=None,
        transparency=math.nan,
        transparency_err=math.nan,
        glow=math.nan,
        depth=math.nan,
        detail=math.nan,
        worth_s=math.nan,
        worth_err_s=math.nan,
    )


class _Run:
    """The frames of a run and how they lie on each other, each pair worked out once."""

    def __init__(self, measures: Sequence[FrameMeasures], cache: RelationCache) -> None:
        self.measures = measures
        self.cache = cache

    def relation(self, frame: FrameMeasures, reference: FrameMeasures) -> Relation | None:
        """Relate a frame to another, or recall how."""
        if frame is reference:
            return identity(frame.stars, frame.shape)
        names = frame.file_name, reference.file_name
        if names not in self.cache:
            self.cache[names] = relate(
                frame.stars, reference.stars, shape=frame.shape, reference_shape=reference.shape
            )
        return self.cache[names]

    def largest_group(self) -> list[tuple[FrameMeasures, float]]:
        """List frames that show one field, each with its transparency against one of them."""
        best: list[tuple[FrameMeasures, float]] = []
        for index in _provisional_references(self.measures)[:_PROVISIONAL_TRIES]:
            related = [
                (frame, relation.transparency)
                for frame in self.measures
                if (relation := self.relation(frame, self.measures[index])) is not None
            ]
            if len(related) > len(best):
                best = related
            if len(best) > len(self.measures) / 2:
                break
        return best


def _final_reference(related: list[tuple[FrameMeasures, float]]) -> FrameMeasures | None:
    """Choose the frame at the 90th percentile; poor ones only where there is nothing else."""
    good = [pair for pair in related if not pair[0].flags & _POOR_REFERENCE]
    aims: tuple[Aim, ...] = ("depth", "glow")
    for group, aim in itertools.product((good, related), aims):
        known = [
            (value, frame.file_name, frame)
            for frame, transparency in group
            if math.isfinite(value := information(frame, transparency, aim=aim, fwhm_ref_px=1.0))
        ]
        if known:
            return sorted(known)[round(_REFERENCE_PERCENTILE * (len(known) - 1))][2]
    return None


class _Scale:
    """Information in units of the reference's."""

    def __init__(self, reference: FrameMeasures, settings: Settings) -> None:
        self.reference = reference
        self.aim = settings.aim
        self.exposure_s = reference.capture.exposure_s or None
        self.units = {aim: self._information(reference, 1.0, aim) for aim in AIMS}

    def _information(self, frame: FrameMeasures, transparency: float, aim: Aim) -> float:
        return information(frame, transparency, aim=aim, fwhm_ref_px=self.reference.fwhm_px)

    def score(self, frame: FrameMeasures, relation: Relation | None) -> FrameScore:
        """Put together a frame's score; NaN where it cannot be told."""
        transparency = transparency_err = error = math.nan
        if relation is not None:
            transparency = relation.transparency
            stars_error = relation.transparency_err / transparency
            error = information_error(frame, stars_error, self.reference, aim=self.aim)
            profiles = math.hypot(flux_scale_error(frame), flux_scale_error(self.reference))
            transparency_err = transparency * math.hypot(stars_error, profiles)
            if frame is self.reference:
                transparency_err = 0.0
        values = {
            aim: self._information(frame, transparency, aim) / self.units[aim] for aim in AIMS
        }
        worth_s = values[self.aim] * (self.exposure_s or 1.0)
        return FrameScore(
            file_name=frame.file_name,
            relation=relation,
            transparency=transparency,
            transparency_err=transparency_err,
            glow=values["glow"],
            depth=values["depth"],
            detail=values["detail"],
            worth_s=worth_s,
            worth_err_s=worth_s * error,
        )
