"""A run's frames beside its ordinary ones: by how much light, noise and star size changed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.light_by_place import Cut, Slope, light_slope, view_cut
from starwinnow.diagnosis.ordinary import Ordinary, course_of, ordinary_of
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.same_field import in_time
from starwinnow.scoring import FrameScore, RunScores

__all__ = ["Evidence", "gather", "usual_levels"]

Column = NDArray[np.float64]

# With one of these a frame's star is not ordinary.
_SPOILT = FrameFlag.DISCS | FrameFlag.DOUBLED | FrameFlag.OVEREXPOSED | FrameFlag.FEW_STARS
# Relative error of a frame's noise.
_NOISE_ERR = 0.004
# With so little ln of light left, most stars may be hidden and the rest as bright as usual: that is
# so where they show this part of the usual light.
_FEW_LEFT, _CLEAR = -0.5, 0.75
# Frames that lost so much light or more are asked whether the loss depends on place.
_ASKED_LIGHT = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Changes against what is ordinary in the run at that time, n frames in time order.

    A slow course, such as that of a sinking target, is taken out.

    Attributes
    ----------
    frames : list of FrameMeasures
    scores : list of FrameScore
    light, light_err : ndarray of float64, shape (n,)
        ln of the starlight; below zero where some is lost.
    noise : ndarray of float64, shape (n,)
        ln of the noise.
    size, size_err : ndarray of float64, shape (n,)
        ln of the star's noise-equivalent area.
    of_light, of_noise, of_size : Ordinary
        Levels, and how far each scatters on its own.
    ordinary : ndarray of bool, shape (n,)
        Frames in which nothing is out of the ordinary.
    slopes : list of Slope or None
        Light by place, where it was asked for.
    cuts : list of Cut or None
        Where something hides a part of the view.
    """

    frames: list[FrameMeasures]
    scores: list[FrameScore]
    light: Column
    light_err: Column
    noise: Column
    size: Column
    size_err: Column
    of_light: Ordinary
    of_noise: Ordinary
    of_size: Ordinary
    ordinary: NDArray[np.bool_]
    slopes: list[Slope | None]
    cuts: list[Cut | None]

    def __len__(self) -> int:
        return len(self.frames)

    @property
    def loss(self) -> Column:
        """Ln of an ordinary frame's worth for depth over that of each frame, shape (n,)."""
        return self.size + 2 * self.noise - 2 * self.light


def gather(
    measures: Sequence[FrameMeasures], scores: RunScores, *, by_place: bool = True
) -> Evidence | None:
    """Compare the scored frames of a run with what is ordinary among them.

    Parameters
    ----------
    measures : sequence of FrameMeasures
    scores : RunScores
        In the same order.
    by_place : bool
        Whether to look at each star by its place; without it no star list is needed.

    Returns
    -------
    Evidence or None
        None where no frame was scored.
    """
    by_name = {score.file_name: score for score in scores.scores}
    frames = [one for one in in_time(measures) if _is_known(one, by_name[one.file_name])]
    if not frames:
        return None
    chosen = [by_name[one.file_name] for one in frames]
    names = [one.file_name for one in measures] if by_place else []
    reference = measures[names.index(str(scores.reference_file))] if by_place else None
    size_err = np.array([one.nea_err_px / one.nea_px for one in frames])
    light_err = np.array([one.transparency_err / one.transparency for one in chosen])
    light, noise, size = _raw_columns(frames, chosen)
    levels, ordinary = usual_levels(frames, chosen)
    dim = light + levels[0].level
    return Evidence(
        frames=frames,
        scores=chosen,
        light=dim,
        light_err=light_err,
        noise=noise - levels[1].level,
        size=size - levels[2].level,
        size_err=size_err,
        of_light=levels[0],
        of_noise=levels[1],
        of_size=levels[2],
        ordinary=ordinary,
        slopes=[
            _slope(one, reference, score, scores) if lost < -_ASKED_LIGHT else None
            for one, score, lost in zip(frames, chosen, dim, strict=True)
        ],
        cuts=[
            _cut(one, reference, score, float(lost))
            for one, score, lost in zip(frames, chosen, dim, strict=True)
        ],
    )


def _raw_columns(
    frames: Sequence[FrameMeasures], scores: Sequence[FrameScore]
) -> tuple[Column, Column, Column]:
    """Ln of starlight, noise and the star's area, each of shape (n,)."""
    return (
        np.log([one.transparency for one in scores]),
        np.log([one.noise_adu for one in frames]),
        np.log([one.nea_px for one in frames]),
    )


def usual_levels(
    frames: Sequence[FrameMeasures], scores: Sequence[FrameScore]
) -> tuple[list[Ordinary], NDArray[np.bool_]]:
    """Tell what is ordinary in light lost, noise and size, and frames ordinary in all three."""
    light, noise, size = _raw_columns(frames, scores)
    errors = (
        np.array([one.transparency_err / one.transparency for one in scores]),
        np.full(len(noise), _NOISE_ERR),
        np.array([one.nea_err_px / one.nea_px for one in frames]),
    )
    course = course_of(frames)
    ordinary = ~np.array([bool(one.flags & _SPOILT) for one in frames])
    levels = []
    for values, error in zip((-light, noise, size), errors, strict=True):
        level = ordinary_of(values, error, course, ordinary)
        ordinary &= level.near(values)
        levels.append(level)
    return levels, ordinary


def _is_known(frame: FrameMeasures, score: FrameScore) -> bool:
    figures = (score.transparency, frame.nea_px, frame.noise_adu)
    usable = all(math.isfinite(figure) and figure > 0 for figure in figures)
    return usable and FrameFlag.OVEREXPOSED not in frame.flags


def _slope(
    frame: FrameMeasures, reference: FrameMeasures | None, score: FrameScore, scores: RunScores
) -> Slope | None:
    if score.relation is None or reference is None:
        return None
    return light_slope(frame, reference, score.relation, scores.response)


def _cut(
    frame: FrameMeasures, reference: FrameMeasures | None, score: FrameScore, light: float
) -> Cut | None:
    """Look for what hides a part of the view, from a frame with this ln of light."""
    if score.relation is None or reference is None or frame is reference:
        return None
    cut = view_cut(frame, reference, score.relation, score.transparency)
    if cut is None and light < _FEW_LEFT:
        # Leaves let some light through: where they hide most stars, those tell the frame's light.
        usual = score.transparency * math.exp(-light)
        cut = view_cut(frame, reference, score.relation, usual, least_clear=_CLEAR)
    return cut
