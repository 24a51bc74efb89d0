"""Measures and a reference -> what each frame of a run is worth."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from starwinnow.field_response import FieldResponse, fit_response, transparency_through
from starwinnow.frame_measures import FrameMeasures
from starwinnow.information import flux_scale_error, information, information_error
from starwinnow.relate import Relation
from starwinnow.same_field import RelationCache, Relations, best_reference, fields_of, in_time
from starwinnow.settings import Aim, Settings

__all__ = ["FrameScore", "RunScores", "Scale", "lay_on_reference", "score_run", "unscored"]


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
        Flux of the same stars, 1 = reference, with all errors; the field response, where the
        run has one, is taken out.
    depth : float
        Information for `depth` where frame and reference overlap, 1 = reference.
    worth_s, worth_err_s : float
        Equivalent seconds of the reference for the chosen aim, averaged over the reference's
        area: information times overlap. Reference frames instead of seconds where
        `RunScores.reference_exposure_s` is None.
    """

    file_name: str
    relation: Relation | None
    transparency: float
    transparency_err: float
    depth: float
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
    response : FieldResponse or None
        How much light reaches which place of the sensor; None where the stars do not tell.
    scores : tuple of FrameScore
        In the order the measures were given.
    """

    reference_file: str | None
    reference_rule: str
    reference_exposure_s: float | None
    response: FieldResponse | None
    scores: tuple[FrameScore, ...]


def score_run(
    measures: Sequence[FrameMeasures],
    settings: Settings,
    *,
    cache: RelationCache | None = None,
    digests: dict[str, bytes] | None = None,
) -> RunScores:
    """Score the frames of one run against its reference.

    The reference is a frame whose worth for `depth` is at about the 90th percentile of the run:
    good, never a single lucky frame, the same for every aim, looking where most others look,
    independent of the order given, and seldom another while the run grows.

    A frame that sees a part of the reference's area adds nothing to the rest: its worth is its
    information times that overlap. Whether it helps where it does lie is another question,
    which the keep set answers from the information alone.

    Parameters
    ----------
    measures : sequence of FrameMeasures
        Frames of one field, filter, exposure, binning and size, with different file names.
    settings : Settings
        The aim that worth is for.
    cache : dict, optional
        Relations known from earlier calls; new ones are added.
    digests : dict, optional
        Digests of stars, as `Relations` takes them.

    Returns
    -------
    RunScores
        Frames that cannot be laid on the reference have NaN.
    """
    laid = lay_on_reference(measures, Relations({} if cache is None else cache, digests))
    if laid is None:
        return RunScores(
            reference_file=None,
            reference_rule="no frame has stars that the others could be compared with",
            reference_exposure_s=None,
            response=None,
            scores=tuple(unscored(frame) for frame in measures),
        )
    reference, placed = laid.reference, laid.placed
    response = fit_response(
        reference,
        [(one, placed[one.file_name]) for one in in_time(measures) if one.file_name in placed],
    )
    scale = Scale(reference, response, settings)
    return RunScores(
        reference_file=reference.file_name,
        reference_rule=(
            "a frame at about the 90th percentile of worth for depth among the"
            f" {laid.alike} that show the same field"
        ),
        reference_exposure_s=scale.exposure_s,
        response=response,
        scores=tuple(scale.score(frame, placed.get(frame.file_name)) for frame in measures),
    )


@dataclass(frozen=True, slots=True)
class _Laid:
    """The reference of a run, by file name how frames lie on it, and how many show its field."""

    reference: FrameMeasures
    placed: dict[str, Relation]
    alike: int


def lay_on_reference(measures: Sequence[FrameMeasures], relations: Relations) -> _Laid | None:
    """Choose the reference of a run and lay the frames on it; None where none can be chosen."""
    fields = fields_of(measures, relations)
    reference = best_reference(fields[0]) if fields else None
    if reference is None:
        return None
    placed = {
        frame.file_name: relation
        for frame in measures
        if (relation := relations.of(frame, reference)) is not None
    }
    return _Laid(reference, placed, len(fields[0]))


def unscored(frame: FrameMeasures) -> FrameScore:
    """Score of a frame of which nothing can be told."""
    return FrameScore(
        file_name=frame.file_name,
        relation=None,
        transparency=math.nan,
        transparency_err=math.nan,
        depth=math.nan,
        worth_s=math.nan,
        worth_err_s=math.nan,
    )


class Scale:
    """Information in units of the reference's.

    Parameters
    ----------
    reference : FrameMeasures
        The frame whose information is the unit.
    response : FieldResponse or None
        Shade of the optics, where it is known.
    settings : Settings
        The aim that worth is for.
    """

    def __init__(
        self, reference: FrameMeasures, response: FieldResponse | None, settings: Settings
    ) -> None:
        self.reference = reference
        self.response = response
        self.aim = settings.aim
        self.exposure_s = reference.capture.exposure_s or None
        aims: set[Aim] = {"depth", self.aim}
        self._units = {aim: self._absolute(reference, 1.0, aim) for aim in aims}

    def _absolute(self, frame: FrameMeasures, transparency: float, aim: Aim) -> float:
        return information(frame, transparency, aim=aim, fwhm_ref_px=self.reference.fwhm_px)

    def _transparency(self, frame: FrameMeasures, relation: Relation) -> tuple[float, float]:
        """Transparency with the error of the stars, through the field response if there is one."""
        if self.response is None or frame is self.reference:
            return relation.transparency, relation.transparency_err
        return transparency_through(self.response, frame, self.reference, relation)

    def score(self, frame: FrameMeasures, relation: Relation | None) -> FrameScore:
        """Put together a frame's score; NaN where it cannot be told."""
        transparency = transparency_err = error = overlap = math.nan
        if relation is not None:
            overlap = relation.overlap
            transparency, stars_err = self._transparency(frame, relation)
            error = information_error(frame, stars_err / transparency, self.reference, aim=self.aim)
            profiles = math.hypot(flux_scale_error(frame), flux_scale_error(self.reference))
            transparency_err = math.hypot(stars_err, transparency * profiles)
            if frame is self.reference:
                transparency_err = 0.0
        values = {
            aim: self._absolute(frame, transparency, aim) / unit
            for aim, unit in self._units.items()
        }
        worth_s = overlap * values[self.aim] * (self.exposure_s or 1.0)
        return FrameScore(
            file_name=frame.file_name,
            relation=relation,
            transparency=transparency,
            transparency_err=transparency_err,
            depth=values["depth"],
            worth_s=worth_s,
            worth_err_s=worth_s * error,
        )
