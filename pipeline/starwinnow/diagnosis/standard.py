"""Which frames of a run show its ordinary star, by which the stars of all others are measured."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from starwinnow.diagnosis.ordinary import course_of, ordinary_of
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures

__all__ = ["FEWEST_ORDINARY", "SPOILT", "Standard", "standard_of"]

FEWEST_ORDINARY = 3
"""Fewer frames do not tell what is ordinary."""

SPOILT = FrameFlag.DISCS | FrameFlag.DOUBLED | FrameFlag.OVEREXPOSED | FrameFlag.FEW_STARS
"""With one of these a frame's star is not ordinary."""

_MOST_ORDINARY = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """What other stars are measured by.

    Attributes
    ----------
    frames : list of FrameMeasures
        At most 24, nearest to the ordinary size first; empty where too few are ordinary.
    wander : float
        How far the ordinary size wanders, in ln of the star's area.
    """

    frames: list[FrameMeasures]
    wander: float = 0.0


def standard_of(frames: Sequence[FrameMeasures]) -> Standard:
    """Choose the frames whose stars together are the run's ordinary star.

    Only the frames' own stars count, and only those of the first 1, 2, 4, 8, ... frames: for as
    long as a run does not double its choice stays, and so does all that was measured by it.

    Parameters
    ----------
    frames : sequence of FrameMeasures
        Scored frames of the run in time order; their pictures are not needed.
    """
    for count in (1 << max(len(frames).bit_length() - 1, 0), len(frames)):
        first = frames[:count]
        if not first:
            break
        size = np.log([one.nea_px for one in first])
        errors = np.array([one.nea_err_px / one.nea_px for one in first])
        usual = ordinary_of(size, errors, course_of(first))
        spoilt = np.array([bool(one.flags & SPOILT) for one in first])
        rows = np.flatnonzero(usual.near(size) & ~spoilt)
        if len(rows) >= FEWEST_ORDINARY:
            away = np.abs(size - usual.level)[rows]
            nearest = rows[np.argsort(away, kind="stable")][:_MOST_ORDINARY]
            return Standard(frames=[first[row] for row in nearest], wander=usual.sigma)
    return Standard(frames=[])
