"""Why starlight is lost: cloud, haze or dew, told over whole stretches of frames."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.raised import raised
from starwinnow.diagnosis.shape_fit import ShapeFit
from starwinnow.diagnosis.spans import spans

__all__ = ["LightLoss", "light_losses"]

Column = NDArray[np.float64]

_LEAST_SIGMA = 0.004
# Beside a stretch so many frames more belong to it while they lack this much light, in scatters
# of single frames and in ln.
_MOST_END, _END_SIGMA, _LEAST_END = 5, 1.7, 0.014
# A slope across the frame this sure, and this steep, is a cloud's edge; so are stars that scatter.
_SURE_SLOPE, _LEAST_SLOPE, _PATCHY = 7.0, 0.03, 1.6
_MOST_SLOPE_EVIDENCE = 15.0
# A change of the loss's pace by so many of its errors is a cloud's.
_QUICK = 6.0
# Part of the lost light that is seen again as halo: dew from here on, and by so many errors.
_LEAST_DEW_SLOPE, _DEW_SIGMAS, _LEAST_DEW_SLOPE_ALONE = 0.12, 5.0, 0.25
# Errors of a fitted halo that the fit does not know of.
_HALO_SIGMA = 0.008
# Fewer frames without a mark of their own may be a thin cloud as well as haze.
_FEWEST_HAZE = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class LightLoss:
    """Why one frame lost light.

    Attributes
    ----------
    code : str
        'cloud', 'haze', 'dew' or two of them.
    rows : tuple of int
        The stretch of frames it was told from.
    loss : float
        ln of the light that arrived without it over that with it.
    halo : float
        Part of the frame's light in a wide halo; NaN where it was not asked.
    slope_sigmas, across : float
        Steepest slope of the light across a frame of the stretch.
    """

    code: str
    rows: tuple[int, ...]
    loss: float
    halo: float
    slope_sigmas: float
    across: float


def light_losses(
    evidence: Evidence, fits: dict[int, ShapeFit], light: Column
) -> dict[int, LightLoss]:
    """Tell which frames lost light, and to what.

    Parameters
    ----------
    evidence : Evidence
    fits : dict of int to ShapeFit
        For the halo.
    light : ndarray of float64, shape (n,)
        ln of the light of each frame, what a knock took out of the star's image put back; NaN
        for frames that say nothing of the sky.

    Returns
    -------
    dict of int to LightLoss
        By row of the evidence.
    """
    known = np.isfinite(light)
    lost = raised(-light, evidence.ordinary & known, evidence.of_light, extra=_edges(evidence))
    lost |= _faint_ends(lost, evidence, light)
    light = np.where(known, light, np.nan)
    for row, loss in lost.items():
        light[row] = -loss
    dim = sorted(lost)
    losses = {}
    unknown = [int(row) for row in np.flatnonzero(~np.isfinite(light))]
    for rows in spans(dim, unknown):
        code, slope_sigmas, across = _name(rows, evidence, fits, light)
        for row in rows:
            losses[row] = LightLoss(
                code=code,
                rows=tuple(rows),
                loss=max(-float(light[row]), 0.0),
                halo=fits[row].halo()[0] if row in fits else math.nan,
                slope_sigmas=slope_sigmas,
                across=across,
            )
    return losses


def _faint_ends(lost: dict[int, float], evidence: Evidence, light: Column) -> dict[int, float]:
    """Frames beside a stretch that lost a little of the light: what comes slowly began before."""
    ends = {}
    least = max(_END_SIGMA * evidence.of_light.white, _LEAST_END)
    for rows in spans(lost):
        for row, way in ((rows[0] - 1, -1), (rows[-1] + 1, 1)):
            for beside in range(row, row + _MOST_END * way, way):
                if not 0 <= beside < len(light) or not light[beside] < -least:
                    break
                ends[beside] = -float(light[beside])
    return ends


def _edges(evidence: Evidence) -> Column:
    """Evidence of a cloud's edge in each frame, in ln of odds, shape (n,)."""
    odds = np.zeros(len(evidence))
    for row, slope in enumerate(evidence.slopes):
        if slope is not None and slope.sigmas > _SURE_SLOPE and slope.across > _LEAST_SLOPE:
            odds[row] = min(slope.sigmas**2 / 2, _MOST_SLOPE_EVIDENCE)
    return odds


def _name(
    rows: list[int], evidence: Evidence, fits: dict[int, ShapeFit], light: Column
) -> tuple[str, float, float]:
    """Name what a stretch of frames lost light to; with its steepest slope."""
    slopes = [slope for row in rows if (slope := evidence.slopes[row]) is not None]
    steep = [one for one in slopes if one.across > _LEAST_SLOPE]
    steepest = max(steep, key=lambda one: one.sigmas, default=None)
    sigmas, across = (steepest.sigmas, steepest.across) if steepest else (0.0, 0.0)
    if _is_dew(rows, fits, light):
        return "dew", sigmas, across
    patchy = [one.patchiness for one in slopes if math.isfinite(one.patchiness)]
    quick = _quickness(rows, evidence, light) > _QUICK
    if sigmas > _SURE_SLOPE or quick or (patchy and float(np.median(patchy)) > _PATCHY):
        return "cloud", sigmas, across
    return ("haze" if len(rows) >= _FEWEST_HAZE else "cloud|haze"), sigmas, across


def _is_dew(rows: list[int], fits: dict[int, ShapeFit], light: Column) -> bool:
    """Whether light comes back as halo in step with what is lost."""
    asked = [row for row in rows if row in fits]
    if not asked:
        return False
    halo, error = np.array([fits[row].halo() for row in asked]).T
    weight = 1 / (error**2 + _HALO_SIGMA**2)
    lost = -light[asked]
    strength = float(np.sum(weight * lost**2))
    if not strength > 0:
        # Of the frames asked none lost light, or it is not known how much.
        return False
    slope = float(np.sum(weight * lost * halo)) / strength
    scatter = np.sum(weight * (halo - slope * lost) ** 2) / max(len(asked) - 1, 1)
    slope_err = math.sqrt(max(float(scatter), 1.0) / float(np.sum(weight * lost**2)))
    least = _LEAST_DEW_SLOPE if len(asked) > 1 else _LEAST_DEW_SLOPE_ALONE
    return slope > least and slope > _DEW_SIGMAS * slope_err


def _quickness(rows: list[int], evidence: Evidence, light: Column) -> float:
    """Largest change of pace of ln light in or at the ends of a stretch, in its errors."""
    first, last = max(rows[0] - 1, 0), min(rows[-1] + 1, len(light) - 1)
    values = light[first : last + 1]
    values = values[np.isfinite(values)]
    if len(values) < 3:
        return 0.0
    sigma = max(evidence.of_light.white, _LEAST_SIGMA) * math.sqrt(6)
    return float(np.abs(np.diff(values, 2)).max() / sigma)
