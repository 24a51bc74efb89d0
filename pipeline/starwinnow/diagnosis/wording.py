"""Evidence in words: what changed, by how much, and what did not."""

import math

import numpy as np

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.frame_causes import Findings
from starwinnow.diagnosis.kernels import optics_of
from starwinnow.diagnosis.moved_stars import ShapeLoss
from starwinnow.frame_measures import FrameMeasures
from starwinnow.site import sun_altitude_deg

__all__ = ["advice_for", "cause_words", "evidence_for", "steady"]

# The sky is dark with the Sun this far down (Explanatory Supplement, from memory).
_DARK_SUN_DEG = -18.0
# What changed by less than these is called steady.
_STEADY_LIGHT, _STEADY_NOISE, _STEADY_SIZE = 0.03, 0.03, 0.05

_ADVICE = {
    "cloud": "Wait for the cloud to pass, or look elsewhere.",
    "haze": "Look higher up or at brighter targets, or wait for clearer air.",
    "cloud|haze": "Look at the sky: cloud or haze.",
    "dew": "Warm the front lens gently and put a dew shield on.",
    "bright-sky": "Shade the telescope from lamps, or turn away from the Moon.",
    "out-of-focus": "Refocus.",
    "out-of-focus|soft-seeing": "Check the focus; if it is right, the air is unsteady.",
    "soft-seeing": "Unsteady air: wait, or look higher up; leave the focus alone.",
    "trailed": "Shield the telescope from wind.",
    "knocked": "Keep hands and cables off the telescope; let the mount settle.",
    "trailed|knocked": "Keep hands, cables and wind off the telescope.",
    "blocked-view": "Something stands in the way: move, or choose another target.",
}
_WORDS = {
    "cloud": "cloud",
    "haze": "haze",
    "cloud|haze": "cloud or haze",
    "dew": "dew on the lens",
    "bright-sky": "bright sky",
    "out-of-focus": "out of focus",
    "out-of-focus|soft-seeing": "out of focus or unsteady air",
    "soft-seeing": "unsteady air",
    "trailed": "stars trailed",
    "knocked": "telescope knocked",
    "trailed|knocked": "stars trailed or telescope knocked",
    "blocked-view": "view blocked",
    "streak": "a streak",
    "mask-on": "focus mask left on",
    "not-light": "not a light frame",
    "other-field": "another field",
    "duplicate": "a second copy",
}
_DAWN = "Dawn or dusk: stop, or wait until the Sun is 18 deg down."


def evidence_for(code: str, row: int, evidence: Evidence, findings: Findings) -> str:
    """Say in numbers why a frame is thought to have a cause.

    Parameters
    ----------
    code : str
        Of the cause.
    row : int
        Of the evidence.
    evidence : Evidence
    findings : Findings
        Of this frame.
    """
    frame = evidence.frames[row]
    if code in {"cloud", "haze", "dew", "cloud|haze"}:
        return _light_words(code, row, evidence, findings)
    if code == "bright-sky":
        sun = _sun_words(frame)
        return f"noise {_percent(math.expm1(evidence.noise[row]))}{sun}{steady(row, evidence, 'n')}"
    if code == "blocked-view":
        cut = evidence.cuts[row]
        return (
            "" if cut is None else f"{100 * cut.hidden:.0f} % of the bright stars gone, {cut.side}"
        )
    if code == "streak":
        return _streak_words(frame)
    shape = next(one for one in findings.shape if one.code == code)
    if code in {"trailed", "knocked", "trailed|knocked"}:
        return _movement_words(shape)
    focus = ""
    optics = optics_of(frame.capture)
    if code == "out-of-focus" and optics is not None and math.isfinite(shape.waves):
        focus = f", {optics.defocus_um(shape.waves):.0f} um from focus"
    return f"{_size_words(row, evidence)}{focus}{steady(row, evidence, 's')}"


def advice_for(code: str, frames: list[FrameMeasures], shapes: list[ShapeLoss]) -> str:
    """Say what to do about a cause; '' where nothing can be done."""
    if code == "bright-sky" and any(sun_altitude_deg(f.capture) > _DARK_SUN_DEG for f in frames):
        return _DAWN
    if code == "trailed" and len(shapes) > 2 and _same_way(shapes):
        return "All along one line: check balance, tracking and polar alignment."
    return _ADVICE.get(code, "")


def cause_words(code: str) -> str:
    """Name a cause in words; those without words of their own are named by their code."""
    return _WORDS.get(code, code.replace("|", " or ").replace("-", " "))


def steady(row: int, evidence: Evidence, changed: str) -> str:
    """Name what did not change beside light ('l'), noise ('n') or size ('s')."""
    names = []
    if changed != "n" and abs(evidence.noise[row]) < _STEADY_NOISE:
        names.append("background")
    if changed != "l" and abs(evidence.light[row]) < _STEADY_LIGHT:
        names.append("starlight")
    if changed != "s" and abs(evidence.size[row]) < _STEADY_SIZE:
        names.append("star size")
    return f", {' and '.join(names)} steady" if names else ""


def _light_words(code: str, row: int, evidence: Evidence, findings: Findings) -> str:
    lost = findings.light
    if lost is None:
        return "no star to measure, between frames that lost their light"
    words = f"starlight {_percent(math.expm1(-lost.loss), evidence.light_err[row])}"
    if code == "dew" and math.isfinite(lost.halo):
        return f"{words}, {100 * max(lost.halo, 0):.0f} % of the rest in a halo about the stars"
    slope = evidence.slopes[row]
    if slope is not None and slope.sigmas > 3 and slope.across > _STEADY_LIGHT:
        return f"{words}, {200 * slope.across:.0f} % from side to side of the frame"
    if code == "cloud":
        return f"{words}, changing quickly"
    return f"{words}, alike over the frame{steady(row, evidence, 'l')}"


def _size_words(row: int, evidence: Evidence) -> str:
    usual = [evidence.frames[i].hfr_px for i in np.flatnonzero(evidence.ordinary)]
    hfr = evidence.frames[row].hfr_px
    if not usual or not math.isfinite(hfr):
        return "stars larger"
    middle = float(np.nanmedian(usual))
    return f"HFR {_percent(hfr / middle - 1, evidence.frames[row].hfr_err_px / middle)}"


def _movement_words(shape: ShapeLoss) -> str:
    length = math.hypot(shape.x_px, shape.y_px)
    if not math.isfinite(length):
        return "an uneven image, the same for all stars"
    if shape.code == "knocked":
        return f"a second image {length:.1f} px away, the same for all stars"
    angle = math.degrees(math.atan2(shape.y_px, shape.x_px)) % 180
    return f"all stars drawn out alike, by {length:.1f} px along {angle:.0f} deg"


def _streak_words(frame: FrameMeasures) -> str:
    if frame.streak is None:
        return ""
    (x0, y0), (x1, y1) = frame.streak.start_px, frame.streak.end_px
    return f"a line from ({x0:.0f}, {y0:.0f}) to ({x1:.0f}, {y1:.0f}) px"


def _sun_words(frame: FrameMeasures) -> str:
    sun = sun_altitude_deg(frame.capture)
    return f", the Sun {-sun:.0f} deg down" if _DARK_SUN_DEG < sun < 0 else ""


def _percent(change: float, error: float = math.nan) -> str:
    doubt = f" ± {100 * error:.0f}" if math.isfinite(error) and error >= 0.005 else ""
    return f"{100 * change:+.0f}{doubt} %".replace("-", "\N{MINUS SIGN}")


def _same_way(shapes: list[ShapeLoss]) -> bool:
    """Whether trails lie along one line: the mean of their doubled angles is long."""
    angles = np.array([2 * math.atan2(one.y_px, one.x_px) for one in shapes])
    return bool(np.hypot(np.cos(angles).mean(), np.sin(angles).mean()) > 0.9)
