"""Neighbouring frames with one cause, told as one thing that happened."""

import math
from collections.abc import Iterable
from datetime import timedelta

import numpy as np

from starwinnow.diagnosis.causes import Episode
from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.frame_causes import Findings
from starwinnow.diagnosis.moved_stars import ShapeLoss
from starwinnow.diagnosis.spans import spans
from starwinnow.diagnosis.wording import advice_for
from starwinnow.frame_measures import FrameMeasures
from starwinnow.same_field import start_utc

__all__ = ["find_episodes"]

# Fewer neighbouring frames are told one by one.
_FEWEST = 2
# A frame without the cause is bridged when it lost this much.
_BRIDGED_LOSS = 0.05
# Focus that crept by less than this in degrees says nothing of the tube.
_LEAST_COOLING_C = 0.5
# Loss that refocusing should keep below.
_TOLERATED_LOSS = 0.05


def find_episodes(evidence: Evidence, findings: list[Findings]) -> list[Episode]:
    """Gather neighbouring frames with one cause, in time order.

    Parameters
    ----------
    evidence : Evidence
    findings : list of Findings
        Of its frames.
    """
    lost = np.flatnonzero(evidence.loss > _BRIDGED_LOSS)
    episodes = []
    for code in sorted({code for one in findings for code in one.losses}):
        if code == "streak":
            continue
        having = [row for row, one in enumerate(findings) if code in one.losses]
        for rows in spans(having, (int(row) for row in lost)):
            if len(rows) >= _FEWEST:
                episodes.append((rows[0], _told(code, rows, evidence, findings)))
    return [episode for _, episode in sorted(episodes, key=lambda pair: pair[0])]


def _told(code: str, rows: list[int], evidence: Evidence, findings: list[Findings]) -> Episode:
    frames = [evidence.frames[row] for row in rows]
    shapes = [one for row in rows for one in findings[row].shape if one.code == code]
    last = start_utc(frames[-1])
    end = None if last is None else last + timedelta(seconds=frames[-1].capture.exposure_s or 0.0)
    own = np.array([findings[row].losses[code] for row in rows])
    worth = np.array([evidence.scores[row].worth_s for row in rows])
    exposed = worth * np.exp(np.maximum(evidence.loss[rows], own))
    advice = advice_for(code, frames, shapes)
    if code == "out-of-focus":
        advice = _refocusing(frames, own) or advice
    return Episode(
        cause=code,
        first_file=frames[0].file_name,
        last_file=frames[-1].file_name,
        start_utc=start_utc(frames[0]),
        end_utc=end,
        frames=len(rows),
        size=_size(code, rows, evidence, shapes),
        cost_s=math.fsum(exposed * -np.expm1(-own)),
        exposed_s=math.fsum(exposed),
        advice=advice,
    )


def _size(code: str, rows: list[int], evidence: Evidence, shapes: list[ShapeLoss]) -> str:
    """Say what happened, from its beginning to its end or at its worst."""
    frames = [evidence.frames[row] for row in rows]
    if code in {"out-of-focus", "soft-seeing", "out-of-focus|soft-seeing"}:
        sizes = [frame.hfr_px for frame in frames]
        words = f"HFR {sizes[0]:.1f} to {sizes[-1]:.1f} px"
        if max(sizes) > 1.05 * max(sizes[0], sizes[-1]):
            words += f", at most {max(sizes):.1f}"
        cooled = _cooling(frames)
        if code == "out-of-focus" and abs(cooled) >= _LEAST_COOLING_C:
            words += f" while it {'cooled' if cooled > 0 else 'warmed'} {abs(cooled):.1f} C"
        return words
    if code == "bright-sky":
        return f"noise up to {100 * math.expm1(float(evidence.noise[rows].max())):+.0f} %"
    if code == "blocked-view":
        hidden = max(cut.hidden for row in rows if (cut := evidence.cuts[row]) is not None)
        return f"up to {100 * hidden:.0f} % of the stars gone"
    if shapes:
        lengths = [math.hypot(one.x_px, one.y_px) for one in shapes]
        known = [length for length in lengths if math.isfinite(length)]
        return f"images up to {max(known):.1f} px apart or long" if known else "uneven images"
    return f"starlight down to {100 * math.exp(float(evidence.light[rows].min())):.0f} %"


def _cooling(frames: Iterable[FrameMeasures]) -> float:
    """Fall of the focuser's temperature, else of the air's, C; NaN where no header says."""
    for name in ("focuser_temperature_c", "ambient_temperature_c"):
        values = [getattr(frame.capture, name) for frame in frames]
        known = [value for value in values if value is not None]
        if len(known) == len(values):
            return float(known[0] - known[-1])
    return math.nan


def _refocusing(frames: list[FrameMeasures], losses: np.typing.NDArray[np.float64]) -> str:
    """Say how often to refocus, where the loss grew while the temperature changed.

    Near focus the loss grows with the square of the defocus, and that with the temperature.
    """
    change = abs(_cooling(frames))
    grown = float(losses[-1]) > 2 * float(losses[0]) and float(losses[-1]) > _TOLERATED_LOSS
    if not change >= _LEAST_COOLING_C or not grown:
        return ""
    started = math.sqrt(max(float(losses[0]), 0.0) / float(losses[-1]))
    whole = change / max(1 - started, 0.3)
    each = whole * math.sqrt(_TOLERATED_LOSS / float(losses[-1]))
    return f"Refocus after each {max(each, 0.1):.1f} C."
