"""Which way to turn: learnt from a known move, used only while it is sure to hold.

The image of a star out of focus by -delta is that by +delta turned by half a turn. So one frame
cannot tell inside from outside focus, and a mask put back half a turn round looks the same but
swaps them. What was learnt holds until the mask or the camera is taken off or turned, or for as
long as the observer sees to it that the mask's mark sits where it belongs.
"""

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from starwinnow.errors import MoveError
from starwinnow.focus_mask.chevron import chevron_from_scale
from starwinnow.focus_mask.focus_answer import FocusAnswer
from starwinnow.focus_mask.spike_angles import same_side, turned_by
from starwinnow.frame import Capture
from starwinnow.rig import Chevron, LearntDirection, MoveUnit, Rig

__all__ = [
    "UNTOUCHED_DEG",
    "USABLE_HOLDS",
    "Hold",
    "Move",
    "Turn",
    "Way",
    "hold_of",
    "learn",
    "turn_to_focus",
]

Way = Literal["in", "out"]
Hold = Literal["mark-up", "just-learnt", "if-untouched", "unmarked", "turned", "too-old", "none"]
USABLE_HOLDS: frozenset[Hold] = frozenset({"mark-up", "just-learnt", "if-untouched", "unmarked"})
# A mask left alone keeps its angle within the fit's errors; put back by its mark it may sit a
# few degrees askew (common practice, no source).
UNTOUCHED_DEG, _MARKED_DEG = 3.0, 10.0
# The mask comes off before the next evening.
_ONE_NIGHT = timedelta(hours=12)
# A change of offset by so many of its errors cannot be chance: 1 in 370.
_LEAST_SIGMA = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A move of the focuser as the observer states it; `out` is away from lens or mirror."""

    way: Way
    amount: float
    unit: MoveUnit

    def __str__(self) -> str:
        plural = "s" if self.unit != "um" and self.amount != 1 else ""
        return f"{self.way} by {self.amount:g} {self.unit}{plural}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """What brings the focus right.

    Attributes
    ----------
    way : {'in', 'out'}
    amount, amount_err : float
        How far, and the standard error.
    unit : {'turn', 'step', 'um'}
    hold : str
        What the direction rests on.
    """

    way: Way
    amount: float
    amount_err: float
    unit: MoveUnit
    hold: Hold


def learn(
    before: FocusAnswer,
    after: FocusAnswer,
    move: Move,
    *,
    capture: Capture,
    rig: Rig,
    mark_up: bool,
) -> LearntDirection:
    """Learn sign and scale from two frames and the move between them.

    Parameters
    ----------
    before, after : FocusAnswer
    move : Move
    capture : Capture
        Of the frame after the move.
    rig : Rig
        For the focuser's travel, which may tell the chevron.
    mark_up : bool
        Whether the observer states that the mask's mark sits where it belongs.

    Raises
    ------
    MoveError
        If an offset is missing, the mask was turned between the frames, or the offsets differ
        by less than their errors allow.
    """
    for name, answer in (("first", before), ("second", after)):
        if not math.isfinite(answer.offset_px + answer.offset_err_px):
            raise MoveError(f"No spike offset in the {name} frame: {answer.reason}.")
    if turned_by(before.spike_deg, after.spike_deg, after.kind) > UNTOUCHED_DEG:
        raise MoveError(
            f"The centre spike turned from {before.spike_deg:.0f} to {after.spike_deg:.0f} deg "
            "between the frames. Leave mask and camera alone and take both frames again."
        )
    sign = 1 if same_side(after.spike_deg, before.spike_deg, after.kind) else -1
    change = after.offset_px - sign * before.offset_px
    error = math.hypot(before.offset_err_px, after.offset_err_px)
    if abs(change) < _LEAST_SIGMA * error:
        raise MoveError(
            f"The offsets differ by {change:+.2f} ± {error:.2f} px: too little to learn a "
            "direction from. Take both frames again with a larger move between them."
        )
    outward = move.amount if move.way == "out" else -move.amount
    return LearntDirection(
        px_per_unit=change / outward,
        px_per_unit_err=error / move.amount,
        unit=move.unit,
        spike_deg=after.spike_deg,
        binning=capture.binning_x or 1,
        mark_up=mark_up,
        when_utc=(capture.start_utc or datetime.now(UTC)).replace(microsecond=0),
        chevron=_chevron_of(abs(change), error, move, after, rig),
    )


def hold_of(
    learnt: LearntDirection | None,
    answer: FocusAnswer,
    start_utc: datetime | None,
    *,
    mark_up: bool,
) -> Hold:
    """Say what the learnt direction rests on for a frame, or why it cannot be used.

    Returns
    -------
    str
        `mark-up`: learnt, and now used, with the mask's mark where it belongs. `if-untouched`:
        holds if the mask was not taken off since. `unmarked`: the same, though the mark is in
        place now, since that was not stated when the direction was learnt. `turned`: the spike
        has another angle. `too-old`: learnt on another night, without the mark. `none`: nothing
        was learnt.
    """
    if learnt is None:
        return "none"
    marked = mark_up and learnt.mark_up
    allowed_deg = _MARKED_DEG if marked else UNTOUCHED_DEG
    if not turned_by(answer.spike_deg, learnt.spike_deg, answer.kind) <= allowed_deg:
        return "turned"
    if marked:
        return "mark-up"
    if start_utc is not None and abs(start_utc - learnt.when_utc) > _ONE_NIGHT:
        return "too-old"
    return "unmarked" if mark_up else "if-untouched"


def turn_to_focus(
    answer: FocusAnswer, learnt: LearntDirection, hold: Hold, rig: Rig, binning: int
) -> Turn | None:
    """Say which way and how far to turn.

    Parameters
    ----------
    answer : FocusAnswer
    learnt : LearntDirection
    hold : Hold
        From `hold_of`.
    rig : Rig
        For the travel of a turn.
    binning : int
        Of the frame.

    Returns
    -------
    Turn or None
        None where the direction cannot be used, or the offset's sign is not sure.
    """
    sure = abs(answer.offset_px) > 2 * answer.offset_err_px
    if hold not in USABLE_HOLDS or not sure:
        return None
    sign = 1 if same_side(answer.spike_deg, learnt.spike_deg, answer.kind) else -1
    per_unit = learnt.px_per_unit * learnt.binning / binning
    outward = -sign * answer.offset_px / per_unit
    relative = math.hypot(
        answer.offset_err_px / answer.offset_px, learnt.px_per_unit_err / learnt.px_per_unit
    )
    amount, unit = _handy(abs(outward), learnt.unit, rig)
    return Turn(
        way="out" if outward > 0 else "in",
        amount=amount,
        amount_err=amount * relative,
        unit=unit,
        hold=hold,
    )


def _handy(amount: float, unit: MoveUnit, rig: Rig) -> tuple[float, MoveUnit]:
    """Say a travel in um in what the observer can turn, where the rig file tells."""
    if unit == "um" and rig.um_per_turn is not None:
        return amount / rig.um_per_turn, "turn"
    if unit == "um" and rig.um_per_step is not None:
        return amount / rig.um_per_step, "step"
    return amount, unit


def _chevron_of(
    change_px: float, error_px: float, move: Move, answer: FocusAnswer, rig: Rig
) -> Chevron | None:
    """Compare the travel of the move with the offset's change, where both are known in um."""
    um_per_unit = {"um": 1.0, "turn": rig.um_per_turn, "step": rig.um_per_step}[move.unit]
    if answer.chevron is not None or um_per_unit is None or len(answer.um_per_px) != 2:
        return answer.chevron
    measured = move.amount * um_per_unit / change_px
    expected: dict[Chevron, float] = dict(zip(("+", "-"), answer.um_per_px, strict=True))
    return chevron_from_scale(measured, measured * error_px / change_px, expected)
