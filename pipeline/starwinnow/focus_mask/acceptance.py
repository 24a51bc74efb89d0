"""Whether what was fitted are a mask's spikes: their light, side by side."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.spike_fit import Fit, spike_light
from starwinnow.focus_mask.star_window import StarWindow

__all__ = ["Evidence", "evidence_of", "is_hopeful", "is_mask", "what_lacks"]

_RING_PX = 3.0
_LEAST_PART = 0.12
_LEAST_SIDE_SNR = 4.0
# Nine lines evenly spread can stand for a round halo, whose noise they share: refractors, discs and
# vanes without a mask gave up to 4.8, three-fold masks of 3e5 electrons and more 7 and above.
_LEAST_SIDE_SNR_OF_NINE = 6.0
# A half-open grating sends as much light into all its orders together as straight on (8 / pi^2 of
# it into the first: from memory); so much more is no mask's unless the core is saturated.
_MOST_PART = 1.5
_LEAST_LINE_SNR = 6.0
_MOST_SIDE_RATIO = 2.5
_MOST_LEG_RATIO = 2.2
_LEAST_WEAKEST = 0.12
_MOST_SKEW_DEG = 1.2
# Masks have 12 to 30 degrees. Faint ones scattered by .5 about theirs; a disc out of focus gave
# 10.9.
_OUTER_DEG = (11.5, 30.5)
# Masks of 1e5 electrons gave up to .32, and .6 when 400 um out of focus.
_MOST_ERROR_PX = 1.0
# Offsets that may lie further out than was looked for are no mask's (see `spike_search`).
_MOST_OFFSET_PX, _OFFSET_SIGMA = 16.0, 2.0
# So far out spikes spread and fade, however bright the star.
_FAR_OUT_PX = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Light of the spikes.

    Attributes
    ----------
    light, error : ndarray, shape (3, 2) or (9, 2)
        Of each triple's centre spike and outer pair, each side, ADU.
    core_part : float
        Light of all spikes over that of the core.
    skew_deg : float
        Difference of the outer spikes' angles from the centre spike.
    outer_deg : float
        Their mean.
    offset_px, error_px : float
        Largest size of an offset, and largest standard error.
    """

    light: NDArray[np.float64]
    error: NDArray[np.float64]
    core_part: float
    skew_deg: float
    outer_deg: float
    offset_px: float
    error_px: float


def evidence_of(fit: Fit, window: StarWindow) -> Evidence:
    """Add up the spikes' light over the rings."""
    spikes, variance = spike_light(fit)
    variance = np.where(spikes > 0, variance, 0)
    light = _RING_PX * spikes.sum(axis=0).reshape(-1, 2)
    error = _RING_PX * np.sqrt(variance.sum(axis=0)).reshape(-1, 2)
    return Evidence(
        light=light,
        error=np.maximum(error, 1e-9),
        core_part=float(light.sum() / max(window.core_light, 1e-9)),
        skew_deg=float(np.degrees(2 * fit.layout.skew(fit.params))),
        outer_deg=float(np.degrees(fit.params[fit.layout.outer])),
        offset_px=float(np.abs(fit.layout.offsets(fit.params)[0]).max()),
        error_px=float(fit.offset_errors().max()),
    )


def is_hopeful(evidence: Evidence) -> bool:
    """Whether a rough fit may still turn out to be a mask: half of what a mask must show."""
    lines = evidence.light.sum(axis=1)
    low, high = evidence.light.min(axis=1), evidence.light.max(axis=1)
    return bool(
        evidence.core_part >= _LEAST_PART / 2
        and (evidence.light / evidence.error).min() > _least_side_snr(evidence) / 2
        and np.all(high < 2 * _MOST_SIDE_RATIO * low)
        and lines.min() > _LEAST_WEAKEST / 2 * lines.max()
    )


def what_lacks(evidence: Evidence) -> str:
    """Say what would make spikes of a mask's shape plain enough; '' where there are none."""
    if not _is_faint(evidence):
        return ""
    if evidence.offset_px > _FAR_OUT_PX:
        return (
            "the star is so far out of focus that its spikes fade: focus roughly on the stars first"
        )
    return "the spikes are too faint to tell: expose longer or point at a brighter star"


def _is_faint(evidence: Evidence) -> bool:
    """Whether spikes of a mask's shape are there that only stand out too little."""
    snr = evidence.light / evidence.error
    low, high = evidence.light.min(axis=1), evidence.light.max(axis=1)
    return bool(
        _LEAST_PART <= evidence.core_part < _MOST_PART
        and _LEAST_SIDE_SNR / 2 < snr.min() <= _least_side_snr(evidence)
        and np.all(high < _MOST_SIDE_RATIO * low)
        and _OUTER_DEG[0] < evidence.outer_deg < _OUTER_DEG[1]
    )


def _least_side_snr(evidence: Evidence) -> float:
    return _LEAST_SIDE_SNR if len(evidence.light) == 3 else _LEAST_SIDE_SNR_OF_NINE


def is_mask(evidence: Evidence) -> bool:
    """All of: light enough, both sides and both legs alike, angles of a mask, a usable error."""
    light, error = evidence.light, evidence.error
    snr = light / error
    lines = light.sum(axis=1)
    line_snr = lines / np.hypot(error[:, 0], error[:, 1])
    low, high = light.min(axis=1), light.max(axis=1)
    legs = lines.reshape(-1, 3)[:, 1:]
    return bool(
        evidence.core_part >= _LEAST_PART
        and snr.min() > _least_side_snr(evidence)
        and line_snr.min() > _LEAST_LINE_SNR
        and np.all(high < _MOST_SIDE_RATIO * low)
        and np.all(legs.max(axis=1) < _MOST_LEG_RATIO * legs.min(axis=1))
        and lines.min() > _LEAST_WEAKEST * lines.max()
        and abs(evidence.skew_deg) < _MOST_SKEW_DEG
        and _OUTER_DEG[0] < evidence.outer_deg < _OUTER_DEG[1]
        and evidence.offset_px + _OFFSET_SIGMA * evidence.error_px < _MOST_OFFSET_PX
        and evidence.error_px < _MOST_ERROR_PX
    )
