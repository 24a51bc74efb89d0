"""Which way the mask's outer slits lean: read from the spikes far out of focus, or from a move."""

import math
from collections.abc import Iterable

from starwinnow.focus_mask.optics import lean_of
from starwinnow.focus_mask.reading import MaskReading, SpikeTriple
from starwinnow.rig import Chevron

__all__ = ["chevron_from_lean", "chevron_from_scale", "outer_angle_deg"]

_CHEVRONS: tuple[Chevron, Chevron] = ("+", "-")
# The better one must fit within three errors, the other be worse by this much in chi squared:
# odds of 90 to 1.
_WORST_FIT, _LEAST_LEAD = 9.0, 9.0
# Travel of a focuser is often known to a tenth only (common practice, no source); the two scales
# lie 45 % apart for the usual mask.
_TRAVEL_DOUBT = 0.1


def outer_angle_deg(triple: SpikeTriple) -> float:
    """Angle of the outer spikes from the centre spike, mean of both, degrees."""
    turns = [abs((outer - triple.centre_deg + 90) % 180 - 90) for outer in triple.outer_deg]
    return sum(turns) / 2


def chevron_from_lean(readings: Iterable[MaskReading]) -> Chevron | None:
    """Decide from where the spikes lie about their stars' light centres, all frames together.

    Returns
    -------
    {'+', '-'} or None
        None where the offsets are too small to tell.
    """
    misfit = dict.fromkeys(_CHEVRONS, 0.0)
    measured = 0
    for reading in readings:
        for star in reading.stars:
            for triple in star.triples:
                if reading.kind is None or not math.isfinite(triple.lean + triple.lean_err):
                    continue
                measured += 1
                for chevron in _CHEVRONS:
                    expected = lean_of(reading.kind, outer_angle_deg(triple), chevron)
                    misfit[chevron] += ((triple.lean - expected) / triple.lean_err) ** 2
    return _clear_winner(misfit, measured)


def chevron_from_scale(
    measured_um: float, measured_err_um: float, expected_um: dict[Chevron, float]
) -> Chevron | None:
    """Decide from a measured scale, um a pixel, against what each chevron would give."""
    doubt = math.hypot(measured_err_um / measured_um, _TRAVEL_DOUBT)
    misfit = {
        chevron: (math.log(measured_um / expected) / doubt) ** 2
        for chevron, expected in expected_um.items()
    }
    return _clear_winner(misfit, 1)


def _clear_winner(misfit: dict[Chevron, float], measured: int) -> Chevron | None:
    if measured == 0 or not all(math.isfinite(value) for value in misfit.values()):
        return None
    best, other = sorted(_CHEVRONS, key=misfit.__getitem__)
    clear = misfit[other] - misfit[best] >= _LEAST_LEAD
    return best if clear and misfit[best] <= _WORST_FIT * measured else None
