"""All causes of each frame of a run, weightiest first."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.causes import OUTRIGHT
from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.light_causes import LightLoss, light_losses
from starwinnow.diagnosis.moved_stars import ShapeLoss
from starwinnow.diagnosis.raised import raised
from starwinnow.diagnosis.shape_causes import shape_losses
from starwinnow.diagnosis.shape_fit import ShapeFit

__all__ = ["Findings", "find_causes"]

Column = NDArray[np.float64]

# A cause is named from this loss on.
_LEAST_NAMED = 0.045
# Cloud throws the light of lamps and Moon back: the noise is its own. Beside haze or dew, noise
# counts as a cause of its own when it costs this part as much.
_OWN_NOISE = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What was found in one frame, before it is put into words.

    Attributes
    ----------
    losses : dict of str to float
        ln of worth by cause.
    light : LightLoss or None
    shape : tuple of ShapeLoss
    """

    losses: dict[str, float]
    light: LightLoss | None
    shape: tuple[ShapeLoss, ...]


def find_causes(evidence: Evidence, fits: dict[int, ShapeFit]) -> list[Findings]:
    """Put together what light, noise and stars say of each frame, in the evidence's order."""
    light = _light_without_knocks(evidence, fits)
    lost = light_losses(evidence, fits, light)
    halos = {row for row, one in lost.items() if one.code == "dew"}
    bright = raised(evidence.noise, evidence.ordinary, evidence.of_noise)
    shapes = shape_losses(evidence, fits, halos)
    return [
        _findings(row, evidence, fits, light, lost.get(row), shapes.get(row, []), bright)
        for row in range(len(evidence))
    ]


def _light_without_knocks(evidence: Evidence, fits: dict[int, ShapeFit]) -> Column:
    """Ln of the light, that of a second image outside the star put back.

    NaN where a part of the view is hidden.
    """
    light = evidence.light.copy()
    for row, fit in fits.items():
        if fit.best == "knock":
            light[row] += math.log(max(float(fit.parameters["knock"][0]), 1.0))
    hidden = [row for row, cut in enumerate(evidence.cuts) if cut is not None]
    light[hidden] = np.nan
    return light


def _findings(
    row: int,
    evidence: Evidence,
    fits: dict[int, ShapeFit],
    light: Column,
    lost: LightLoss | None,
    shapes: list[ShapeLoss],
    bright: dict[int, float],
) -> Findings:
    losses: dict[str, float] = {}
    cut = evidence.cuts[row]
    if cut is not None:
        losses["blocked-view"] = -math.log(max(1 - cut.hidden, 0.02))
    if evidence.frames[row].streak is not None:
        losses["streak"] = math.nan
    if lost is not None:
        halo = fits[row].parts[fits[row].best]["halo"] if lost.code == "dew" and row in fits else 0
        losses[lost.code] = 2 * lost.loss + max(halo, 0.0)
    for one in shapes:
        taken = 2 * max(float(light[row] - evidence.light[row]), 0.0)
        losses[one.code] = one.loss + (taken if one.code == "knocked" else 0.0)
    noise = 2 * bright.get(row, 0.0)
    if cut is None and noise > 0:
        if lost is not None and (lost.code == "cloud" or noise < _OWN_NOISE * losses[lost.code]):
            losses[lost.code] += noise
        else:
            losses["bright-sky"] = noise
    named = {
        code: loss for code, loss in losses.items() if code in OUTRIGHT or loss >= _LEAST_NAMED
    }
    return Findings(losses=named, light=lost, shape=tuple(shapes))
