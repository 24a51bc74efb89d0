"""Fits of one frame's masked stars -> the reading: offsets, honest errors, one mean."""

from dataclasses import dataclass

import numpy as np

from starwinnow.focus_mask.acceptance import Evidence
from starwinnow.focus_mask.reading import MaskKind, MaskReading, SpikedStar, SpikeTriple
from starwinnow.focus_mask.spike_angles import same_side
from starwinnow.focus_mask.spike_fit import Fit
from starwinnow.focus_mask.star_window import StarWindow
from starwinnow.frame import Frame

__all__ = ["FoundStar", "join_stars"]

# What the model itself gets wrong, found on simulated stars: px, and part of the offset, which
# grows with it.
_FLOOR_PX = 0.006
_MODEL_PART = {"single": 0.008, "three-fold": 0.06}
_MODEL_PART_PER_PX = {"single": 0.004, "three-fold": 0.0}
# Aberrations off the axis move the zero; at the corner by about this.
_CORNER_PX = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundStar:
    """A masked star before it is put into words."""

    window: StarWindow
    fit: Fit
    other: Fit
    evidence: Evidence


def join_stars(found: list[FoundStar], frame: Frame) -> MaskReading:
    """Mean of the stars that see the same mask, stars near the axis counting most."""
    kind = found[0].fit.layout.kind
    stars = [_star(star) for star in found if star.fit.layout.kind == kind]
    ny, nx = frame.pixels.shape
    corner = np.hypot(nx, ny) / 2
    turn_deg = stars[0].triples[0].centre_deg
    offsets, variances = [], []
    for star in stars:
        # Directions are known up to half a turn, and the offset's sign goes with it.
        flips = [1 if same_side(one.centre_deg, turn_deg, kind) else -1 for one in star.triples]
        offset = np.mean([
            flip * one.offset_px for flip, one in zip(flips, star.triples, strict=True)
        ])  # fmt: skip
        # What the model gets wrong is shared by a star's triples.
        model = _model_err(kind, float(offset)) ** 2 if len(star.triples) > 1 else 0.0
        variance = np.mean([one.offset_err_px**2 for one in star.triples]) / len(star.triples)
        away = np.hypot(star.x_px - (nx - 1) / 2, star.y_px - (ny - 1) / 2) / corner
        extra = (_CORNER_PX * away**2) ** 2 if len(stars) > 1 else 0.0
        offsets.append(offset)
        variances.append(variance + model + extra)
    weight = 1 / np.array(variances)
    mean = float(np.sum(weight * offsets) / weight.sum())
    error = float(np.sqrt(1 / weight.sum()))
    return MaskReading(
        kind=kind, stars=tuple(stars), offset_px=mean, offset_err_px=error, reason=""
    )


def _star(found: FoundStar) -> SpikedStar:
    window, fit, evidence = found.window, found.fit, found.evidence
    total = float(evidence.light.sum() / np.sqrt((evidence.error**2).sum()))
    x, y = fit.layout.crossing(fit.params)
    return SpikedStar(
        x_px=x + window.x_px + window.left + window.shift_px,
        y_px=y + window.y_px + window.top + window.shift_px,
        triples=_triples(found),
        spike_snr=total,
        saturated_px=window.saturated_px,
    )


def _triples(found: FoundStar) -> tuple[SpikeTriple, ...]:
    fit, other = found.fit, found.other
    directions = fit.layout.lines(fit.params)[0].reshape(-1, 3)
    offsets, others = (one.layout.offsets(one.params)[0] for one in (fit, other))
    # The two shapes tried differ by what the model does not know.
    doubts = (offsets - others) / 3 * np.exp(-abs(fit.chi2 - other.chi2) / 50)
    lean, lean_err = _lean(found)
    triples = []
    for angles, offset, spread, doubt in zip(
        directions, offsets, fit.offset_errors(), doubts, strict=True
    ):
        model = _model_err(fit.layout.kind, offset)
        error = np.sqrt(spread**2 + _FLOOR_PX**2 + model**2 + doubt**2)
        half_turns = int(np.floor(angles[0] / np.pi))
        centre_deg, *outer_deg = np.degrees(angles)
        triples.append(
            SpikeTriple(
                offset_px=float(-offset if half_turns % 2 else offset),
                offset_err_px=float(error),
                centre_deg=float(centre_deg - 180 * half_turns),
                outer_deg=(float(outer_deg[0] % 180), float(outer_deg[1] % 180)),
                lean=lean,
                lean_err=lean_err,
            )
        )
    return tuple(triples)


def _model_err(kind: MaskKind, offset: float) -> float:
    return (_MODEL_PART[kind] + _MODEL_PART_PER_PX[kind] * abs(offset)) * abs(offset)


def _lean(found: FoundStar) -> tuple[float, float]:
    """Distance from the light centre to the centre spike over that to the crossing.

    Through a three-fold mask it is about 1 whichever way the slits lean, and tells nothing.
    """
    fit = found.fit
    if fit.layout.kind == "three-fold":
        return float("nan"), float("nan")
    x, y, turn, _, _, offset, _ = fit.params
    crossing = float(y * np.cos(turn) - x * np.sin(turn))
    spike = crossing + float(offset)
    # The core's own centre is good to this when not saturated, and worse when it is.
    centre_err = 0.1 if found.window.saturated_px == 0 else 0.4
    error = np.hypot(centre_err + 0.03 * abs(offset), np.sqrt(fit.covariance[5, 5]))
    if abs(offset) < 6 * error or crossing == 0 or crossing * spike > 0:
        return float("nan"), float("nan")
    ratio = abs(spike / crossing)
    return float(ratio), float(ratio * error * abs(offset) / abs(spike * crossing))
