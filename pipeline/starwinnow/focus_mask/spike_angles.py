"""Directions of spikes in two frames, or of the triples of a three-fold mask, compared.

Directions are those of lines, in [0, 180): 179 and 1 degrees are near each other, but their
normals, towards which offsets are positive, point opposite ways. A three-fold mask looks the same
after a third of a turn, so any of its centre spikes may be the one given.
"""

import math

from starwinnow.focus_mask.reading import MaskKind

__all__ = ["same_side", "turned_by"]


def same_side(spike_deg: float, reference_deg: float, kind: MaskKind | None) -> bool:
    """Tell whether offsets of both centre spikes count as positive on the same side."""
    return math.cos(math.radians(_fold(kind) * (spike_deg - reference_deg))) > 0


def turned_by(first_deg: float, second_deg: float, kind: MaskKind | None) -> float:
    """Angle by which the masks of two frames differ, up to half a turn, degrees."""
    fold = _fold(kind)
    return abs((fold * (first_deg - second_deg) + 90) % 180 - 90) / fold


def _fold(kind: MaskKind | None) -> int:
    return 3 if kind == "three-fold" else 1
