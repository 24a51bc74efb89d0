"""Star shape over the field, focus, drift and turn in words."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from itertools import pairwise

from starwinnow.across_field import Change, FieldShape
from starwinnow.night import RunSummary

__all__ = ["field_words", "log_words"]

# x grows to the right and y downwards, as pictures are shown.
_SIDES = (
    "right",
    "lower right",
    "bottom",
    "lower left",
    "left",
    "upper left",
    "top",
    "upper right",
)
_STEADY_PX_H = 0.5


def field_words(field: FieldShape | None) -> list[str]:
    """Say what star size and shape do over the sensor, one line a kind of change."""
    if field is None:
        return ["No star whose size could be compared."]
    head = (
        f"From the stars of {field.frames} frames of the best spell, about {field.stars} in each."
    )
    if not field.cells:
        return [head, "Cannot tell what star size does over the field: too few stars."]
    mixed = " A sensor tilted about a line in focus looks like this." * (
        field.saddle.state == "seen"
    )
    return [
        head,
        f"Tilt: {_size(field.tilt, f'wider by {{}} towards the {_side(field.tilt)}')}{mixed}",
        f"Curvature: {_size(field.curvature, _corner(field.curvature))}",
        f"Drawn out in the corners: {_stretch(field)}",
        f"Off-axis coma: {_coma(field.coma)}",
    ]


def _side(change: Change) -> str:
    if not math.isfinite(change.direction_deg):
        return "side"
    return _SIDES[round(change.direction_deg / 45) % 8]


def _corner(change: Change) -> str:
    kind = "wider" if change.amount > 0 else "narrower"
    return f"stars in the corners {kind} by {{}} than in the middle"


def _size(change: Change, seen: str) -> str:
    figure = f"{abs(change.amount):.2f} ± {change.error:.2f} px"
    if change.state == "seen":
        return seen.format(figure) + "."
    if change.state == "not-seen":
        return f"none seen, {figure}."
    return f"cannot tell, {figure}."


_ORIGINS = {
    "coma": "coma does this.",
    "astigmatism": "astigmatism does this; coma draws along that line only, and makes tails.",
    "cannot-tell": "cannot tell whether coma or astigmatism does this.",
}


def _stretch(field: FieldShape) -> str:
    change = field.stretch
    percent = 100 * abs(math.expm1(abs(change.amount)))
    figure = f"{percent:.1f} ± {100 * change.error:.1f} %"
    if change.state == "seen":
        way = (
            "along the line to the middle" if change.amount > 0 else "across the line to the middle"
        )
        return f"by {figure} {way}; {_ORIGINS[field.stretch_origin]}"
    return f"none seen, {figure}." if change.state == "not-seen" else f"cannot tell, {figure}."


def _coma(change: Change) -> str:
    if not math.isfinite(change.amount):
        return "cannot tell, it was not measured in these frames."
    figure = f"lopsided by {100 * abs(change.amount):.1f} ± {100 * change.error:.1f} %"
    if change.state == "seen":
        way = "away from" if change.amount > 0 else "towards"
        return f"stars in the corners have tails {way} the middle, {figure}."
    return f"none seen, {figure}." if change.state == "not-seen" else f"cannot tell, {figure}."


def log_words(
    run: RunSummary,
    rates: Mapping[str, float | None],
    focuser: Sequence[tuple[datetime | None, float | None]],
) -> list[str]:
    """Say how the field drifted and turned, what the focuser did, and how often to refocus.

    Parameters
    ----------
    run : RunSummary
    rates : mapping
        `dx_px_h`, `dy_px_h`, `rotation_deg_h`, None where they are not known.
    focuser : sequence of (datetime or None, float or None)
        Time and focuser position of each frame of the run, in order.
    """
    lines = []
    x, y, turn = (rates.get(name) for name in ("dx_px_h", "dy_px_h", "rotation_deg_h"))
    if x is None or y is None or turn is None:
        lines.append(
            "Drift and turn by the hour are not known: they need a quarter of an hour with times."
        )
    else:
        speed = math.hypot(x, y)
        steady = "The field kept its place" if speed < _STEADY_PX_H else "The field drifted"
        lines.append(f"{steady}, {speed:.1f} px an hour; it turned by {turn:+.3f} deg an hour.")
    known = [(when, value) for when, value in focuser if value is not None]
    moves = [b for a, b in pairwise(known) if a[1] != b[1]]
    if moves:
        lines.append(
            f"Focuser: {known[0][1]:g} to {known[-1][1]:g} steps, moved {_times(len(moves))}."
        )
    elif known:
        lines.append(f"Focuser: at {known[0][1]:g} steps, not moved.")
    lines += [one.advice for one in run.episodes if one.advice.startswith("Refocus after")]
    return lines


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
