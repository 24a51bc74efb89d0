"""What a frame through the focus mask says about the focus: verdict, distance, tolerance."""

import math
from dataclasses import dataclass, replace
from typing import Literal

from starwinnow.focus_mask.chevron import outer_angle_deg
from starwinnow.focus_mask.optics import WAVELENGTH_UM, Optics, um_per_px
from starwinnow.focus_mask.reading import MaskKind, MaskReading
from starwinnow.focus_mask.spike_angles import same_side
from starwinnow.rig import Chevron

__all__ = ["FocusAnswer", "FocusVerdict", "focus_answer", "unreadable_answer"]

FocusVerdict = Literal["in-focus", "out-of-focus", "cannot-tell", "no-mask", "unreadable"]
_CHEVRONS: tuple[Chevron, Chevron] = ("+", "-")
_NAN = math.nan
# Light of the spikes over its error below which more light helps most: there the offset of a
# usual rig is known to a tenth of a pixel.
_FAINT_SNR = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusAnswer:
    """The answer for one frame; figures that are not known are NaN.

    Attributes
    ----------
    verdict : {'in-focus', 'out-of-focus', 'cannot-tell', 'no-mask', 'unreadable'}
        In focus or out of it only where two standard errors either way agree.
    kind : {'single', 'three-fold'} or None
        The mask found; None too where it cannot be told whether there is one.
    offset_px, offset_err_px : float
        Spike offset and its standard error, px.
    spike_deg : float
        Direction of the centre spike of the best star, from +x towards +y, degrees; a positive
        offset lies towards this + 90.
    chevron : {'+', '-'} or None
        Which way the outer slits lean, where it is known.
    um_per_px : tuple of float
        Focuser travel a pixel, um: one figure, two where the chevron is not known, none without
        optics.
    tolerance_um, focal_ratio, wavelength_um : float
        Tolerance either way, um, and what it rests on.
    parts_px : tuple of (float, float)
        Offset and error of each triple of a three-fold mask, on the best star, signed alike.
    missing : tuple of str
        What of the optics is not known, in plain words.
    reason : str
        Why there is no clear answer and what would help; '' where there is one.
    """

    verdict: FocusVerdict
    kind: MaskKind | None = None
    offset_px: float = _NAN
    offset_err_px: float = _NAN
    spike_deg: float = _NAN
    chevron: Chevron | None = None
    um_per_px: tuple[float, ...] = ()
    tolerance_um: float = _NAN
    focal_ratio: float = _NAN
    wavelength_um: float = WAVELENGTH_UM
    parts_px: tuple[tuple[float, float], ...] = ()
    missing: tuple[str, ...] = ()
    reason: str = ""

    @property
    def tolerances_px(self) -> tuple[float, ...]:
        """Tolerance either way for each scale, px, smallest first."""
        return tuple(sorted(self.tolerance_um / scale for scale in self.um_per_px))

    @property
    def tolerance_px(self) -> float:
        """The tolerance, px: the smaller one where the chevron is not known."""
        return min(self.tolerances_px, default=_NAN)

    @property
    def defocus_um(self) -> float:
        """Distance from focus, um; its sign is that of the offset and tells no direction.

        The middle of both values where the chevron is not known.
        """
        return self.offset_px * self._middle_scale

    @property
    def defocus_err_um(self) -> float:
        """Standard error of `defocus_um`, um; an unknown chevron widens it to both values."""
        spread = (max(self.um_per_px) - min(self.um_per_px)) / 2 if self.um_per_px else _NAN
        return math.hypot(self.offset_err_px * self._middle_scale, self.offset_px * spread)

    @property
    def tolerances_out(self) -> tuple[float, ...]:
        """Size of the offset in tolerances for each scale, smallest first."""
        return tuple(sorted(abs(self.offset_px) / limit for limit in self.tolerances_px))

    @property
    def _middle_scale(self) -> float:
        return sum(self.um_per_px) / len(self.um_per_px) if self.um_per_px else _NAN


def unreadable_answer(reason: str) -> FocusAnswer:
    """Answer for a file that could not be read."""
    return FocusAnswer(verdict="unreadable", reason=reason)


def focus_answer(reading: MaskReading, optics: Optics, chevron: Chevron | None) -> FocusAnswer:
    """Judge one frame.

    Parameters
    ----------
    reading : MaskReading
    optics : Optics
    chevron : {'+', '-'} or None
        Which way the outer slits lean, where it is known.
    """
    if reading.kind is not None and not reading.stars:
        return FocusAnswer(verdict="cannot-tell", reason=reading.reason)
    if reading.kind is None:
        return FocusAnswer(
            verdict="no-mask", reason=reading.reason or "no star shows a focus mask's spikes"
        )
    best = reading.stars[0].triples[0]
    angle = outer_angle_deg(best)
    possible = _CHEVRONS if chevron is None else (chevron,)
    scales = [um_per_px(optics, reading.kind, angle, one) for one in possible]
    answer = FocusAnswer(
        verdict="cannot-tell",
        kind=reading.kind,
        offset_px=reading.offset_px,
        offset_err_px=reading.offset_err_px,
        spike_deg=best.centre_deg,
        chevron=chevron,
        um_per_px=tuple(scale for scale in scales if math.isfinite(scale)),
        tolerance_um=optics.tolerance_um,
        focal_ratio=optics.focal_ratio,
        parts_px=_parts(reading) if reading.kind == "three-fold" else (),
        missing=optics.missing,
    )
    verdict, reason = _judged(answer, reading)
    return replace(answer, verdict=verdict, reason=reason)


def _parts(reading: MaskReading) -> tuple[tuple[float, float], ...]:
    triples = reading.stars[0].triples
    signs = [
        1 if same_side(triple.centre_deg, triples[0].centre_deg, reading.kind) else -1
        for triple in triples
    ]
    return tuple(
        (sign * triple.offset_px, triple.offset_err_px)
        for sign, triple in zip(signs, triples, strict=True)
    )


def _judged(answer: FocusAnswer, reading: MaskReading) -> tuple[FocusVerdict, str]:
    if not math.isfinite(answer.offset_px + answer.offset_err_px):
        return "cannot-tell", reading.reason or "the spikes' offset cannot be measured"
    if answer.missing:
        return "cannot-tell", (
            "neither header nor rig file tells all of the optics, so figures are in pixels only, "
            f"without a tolerance: state {_listed(answer.missing)} in a rig file (--rig)"
        )
    size, doubt = abs(answer.offset_px), 2 * answer.offset_err_px
    limits = answer.tolerances_px
    if size + doubt < limits[0]:
        return "in-focus", ""
    if size - doubt > limits[-1]:
        return "out-of-focus", ""
    if doubt >= limits[0]:
        return "cannot-tell", _too_uncertain(reading)
    if len(limits) > 1 and (size + doubt < limits[-1] or size - doubt > limits[0]):
        return "cannot-tell", (
            "which way the mask's outer slits lean is not known, and it matters here: state the "
            "chevron in the rig file"
        )
    return "cannot-tell", "at the edge of the tolerance: another frame, or a longer one, helps"


def _too_uncertain(reading: MaskReading) -> str:
    best = reading.stars[0]
    start = "the offset's error is as large as the tolerance: "
    if best.spike_snr < _FAINT_SNR:
        return start + "expose longer or take a brighter star"
    if best.saturated_px:
        return start + "the star is saturated; expose shorter or take a fainter one"
    return start + "take another frame, of a single star near the middle of the view"


def _listed(names: tuple[str, ...]) -> str:
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
