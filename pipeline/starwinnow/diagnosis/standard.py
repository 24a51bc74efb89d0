"""Which frames of a run show its ordinary star, by which the stars of all others are measured."""

import math
from dataclasses import dataclass

import numpy as np

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.frame_measures import FrameMeasures

__all__ = ["FEWEST_ORDINARY", "Standard", "standard_of"]

FEWEST_ORDINARY = 3
"""Fewer frames do not tell what is ordinary."""

_MOST_ORDINARY = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Standard:
    """What other stars are measured by.

    Attributes
    ----------
    frames : list of FrameMeasures
        At most 24, in time order; empty where too few are ordinary.
    wander : float
        How far the ordinary size wanders, in ln of the star's area.
    """

    frames: list[FrameMeasures]
    wander: float = 0.0


def standard_of(evidence: Evidence) -> Standard:
    """Choose the frames whose stars together are the run's ordinary star.

    They are the middle ones in size of those that are ordinary among the first 1, 2, 4, 8, ...
    So, for as long as a run does not double, they stay the same but for frames on the edge of the
    ordinary; the wander, told in steps of a fifth, does too; and so does all that was measured
    by them.
    """
    first = 1 << max(len(evidence).bit_length() - 1, 0)
    rows = np.flatnonzero(evidence.ordinary[:first])
    if len(rows) < FEWEST_ORDINARY:
        rows = np.flatnonzero(evidence.ordinary)
    if len(rows) < FEWEST_ORDINARY:
        return Standard(frames=[])
    area = np.array([evidence.frames[row].nea_px for row in rows])
    order = np.argsort(np.abs(np.log(area / np.median(area))), kind="stable")
    chosen = np.sort(rows[order[:_MOST_ORDINARY]])
    wander = 2.0 ** (round(4 * math.log2(evidence.of_size.sigma)) / 4)
    return Standard(frames=[evidence.frames[row] for row in chosen], wander=wander)
