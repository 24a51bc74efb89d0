"""Answers in plain words: the next step, the verdict, the figures behind it."""

import math
import shlex
from collections.abc import Callable
from datetime import datetime

from starwinnow.focus_mask.direction import Turn, Way
from starwinnow.focus_mask.focus_answer import FocusAnswer
from starwinnow.focus_mask.frame_focus import FrameFocus
from starwinnow.rig import MoveUnit, Rig

__all__ = [
    "amount_words",
    "direction_words",
    "figures",
    "learning_command",
    "next_step",
    "sentence",
    "trial_move",
    "verdict_words",
]

_FRACTIONS = (
    (1 / 16, "1/16"), (1 / 12, "1/12"), (1 / 10, "1/10"), (1 / 8, "1/8"), (1 / 6, "1/6"),
    (1 / 5, "1/5"), (1 / 4, "1/4"), (1 / 3, "1/3"), (2 / 5, "2/5"), (1 / 2, "1/2"),
    (3 / 5, "3/5"), (2 / 3, "2/3"), (3 / 4, "3/4"), (1.0, "1"),
)  # fmt: skip
_LEAST_TURN = 0.05
# A move to learn from must be seen beside the errors, and must not be so large that spikes fade.
_TRIAL_TOLERANCES, _TRIAL_ERRORS = 3.0, 10.0
# Chi squared of three numbers about their mean that chance exceeds once in 100 times.
_PARTS_MISFIT = 9.2
_TRIAL_TURNS = (0.0625, 0.125, 0.25, 0.5, 1.0)


def verdict_words(answer: FocusAnswer) -> str:
    """Say the verdict in a few words."""
    if answer.verdict == "out-of-focus":
        few, many = f"{answer.tolerances_out[0]:.1f}", f"{answer.tolerances_out[-1]:.1f}"
        return f"Out of focus by {few if few == many else f'{few} to {many}'} tolerances"
    return {
        "in-focus": "In focus",
        "cannot-tell": "Cannot tell",
        "no-mask": "No focus mask seen",
        "unreadable": "Not read",
    }[answer.verdict]


def figures(answer: FocusAnswer) -> list[str]:
    """Say offset, defocus and tolerance with what they rest on, one sentence an item."""
    if not math.isfinite(answer.offset_px + answer.offset_err_px):
        return []
    side = (answer.spike_deg + (90 if answer.offset_px >= 0 else -90)) % 360
    sentences = [
        f"The centre spike is {abs(answer.offset_px):.2f} ± {answer.offset_err_px:.2f} px off the "
        f"crossing, towards {side:.0f} deg (from +x to +y)."
    ]
    if answer.parts_px:
        sentences.append(_parts_words(answer.parts_px))
    if answer.um_per_px:
        amounts = " or ".join(
            f"{abs(answer.offset_px) * scale:.0f} ± {answer.offset_err_px * scale:.0f} um"
            for scale in answer.um_per_px
        )
        lean = "" if answer.chevron else " (which way the outer slits lean is not known)"
        sentences.append(f"Distance from focus {amounts}{lean}.")
    if math.isfinite(answer.tolerance_um):
        limits = " or ".join(f"±{limit:.2f} px" for limit in reversed(answer.tolerances_px))
        sentences.append(
            f"Tolerance ±{answer.tolerance_um:.1f} um{f' = {limits}' if limits else ''} (quarter "
            f"wave: 2 lambda N^2 at {answer.wavelength_um:g} um, f/{answer.focal_ratio:.3g})."
        )
    return sentences


def next_step(result: FrameFocus, rig: Rig) -> str:
    """Say what to do now, in one sentence."""
    answer = result.answer
    if result.turn is not None:
        verb = "Turn" if result.turn.unit == "turn" else "Move"
        return f"{verb} {_turn_words(result.turn, rig)}."
    if answer.verdict == "out-of-focus":
        way, amount, unit = trial_move(answer, rig)
        words = amount_words(amount, unit).removeprefix("about ")
        return f"Move the focuser {way} by {words} and take another frame."
    _, colon, help_ = answer.reason.rpartition(": ")
    if colon and answer.verdict in {"cannot-tell", "no-mask"}:
        return sentence(help_)
    return {
        "cannot-tell": "Take another frame.",
        "in-focus": "Leave the focuser as it is, and take the mask off.",
        "no-mask": "Put the mask on; if it is on, take a brighter star or expose longer.",
        "unreadable": "Copy the file again, or take another frame.",
    }[answer.verdict]


def learning_command(result: FrameFocus, rig: Rig) -> str:
    """Give the command that learns the direction from the move that `next_step` asks for."""
    way, amount, unit = trial_move(result.answer, rig)
    return (
        f"starwinnow mask {shlex.quote(str(result.frame.path))} NEW --moved {way}:{amount:g}{unit}"
    )


def direction_words(result: FrameFocus, rig: Rig, moment: Callable[[datetime], str]) -> str:
    """Say what the direction rests on, or why there is none; '' where none is needed.

    Parameters
    ----------
    result : FrameFocus
    rig : Rig
    moment : callable
        Writes a time for whoever reads this.
    """
    learnt = rig.learnt
    if result.turn is None and result.answer.verdict != "out-of-focus":
        return ""
    if learnt is None or result.hold == "none":
        return "One frame cannot tell in from out."
    when = moment(learnt.when_utc)
    return {
        "just-learnt": "Direction just learnt: it holds until mask or camera is taken off or "
        "turned.",
        "mark-up": f"Direction by the mask's mark ({rig.mark}), as you stated with --mark-up; "
        "the camera must not have been turned.",
        "if-untouched": f"Direction learnt {when}: right only if neither mask nor camera has been "
        "taken off or turned since.",
        "unmarked": f"Direction learnt {when}, but without --mark-up, so the mark says nothing: "
        "right only if neither mask nor camera has been taken off or turned since.",
        "turned": f"Learnt direction not used: the centre spike points to "
        f"{result.answer.spike_deg:.0f} deg, {learnt.spike_deg:.0f} deg when it was learnt, so "
        "mask or camera was turned.",
        "too-old": f"Learnt direction not used: it is from {when}, and the mask may have gone "
        "back half a turn round since.",
    }[result.hold]


def trial_move(answer: FocusAnswer, rig: Rig) -> tuple[Way, float, MoveUnit]:
    """Choose a move to learn the direction from: way, amount, unit."""
    scale = max(answer.um_per_px, default=math.nan)
    wanted_um = max(
        _TRIAL_TOLERANCES * answer.tolerance_um, _TRIAL_ERRORS * answer.offset_err_px * scale
    )
    if math.isfinite(wanted_um) and rig.um_per_turn is not None:
        wanted = wanted_um / rig.um_per_turn
        turns = next((turn for turn in _TRIAL_TURNS if turn >= wanted), float(math.ceil(wanted)))
        return "in", turns, "turn"
    if math.isfinite(wanted_um) and rig.um_per_step is not None:
        return "in", float(f"{wanted_um / rig.um_per_step:.1g}"), "step"
    return "in", 0.25, "turn"


def amount_words(amount: float, unit: MoveUnit) -> str:
    """Say a travel as people do: 'about 1/6 turn', 'about 120 steps'."""
    if unit == "um":
        return f"about {float(f'{amount:.2g}'):.0f} um"
    if unit == "step":
        steps = max(1, round(float(f"{amount:.2g}")))
        return f"about {steps} step{'s' if steps > 1 else ''}"
    if amount < _LEAST_TURN:
        return "less than 1/20 turn"
    if amount < 1:
        nearest = min(_FRACTIONS, key=lambda fraction: abs(math.log(amount / fraction[0])))[1]
        return f"about {nearest} turn"
    quarters = round(4 * amount) if amount < 3 else 4 * round(amount)
    whole, part = divmod(quarters, 4)
    text = f"{whole}{('', ' 1/4', ' 1/2', ' 3/4')[part]}"
    return f"about {text} turn{'s' if quarters > 4 else ''}"


def _parts_words(parts_px: tuple[tuple[float, float], ...]) -> str:
    """Compare the offsets of a three-fold mask by chi squared about their weighted mean."""
    weights = [error**-2 for _, error in parts_px]
    pairs = list(zip(weights, parts_px, strict=True))
    mean = sum(weight * offset for weight, (offset, _) in pairs) / sum(weights)
    misfit = sum(weight * (offset - mean) ** 2 for weight, (offset, _) in pairs)
    listed = ", ".join(f"{offset:+.2f} ± {error:.2f}" for offset, error in parts_px)
    told = (
        "they differ by more than their errors: collimation, or a star off the axis"
        if misfit > _PARTS_MISFIT
        else "alike within their errors"
    )
    return f"The mask's three parts say {listed} px: {told}."


def _turn_words(turn: Turn, rig: Rig) -> str:
    """Say way and amount, with the sense of the knob or of the motor where the rig tells."""
    sense = ""
    if turn.unit == "turn" and rig.in_turn is not None:
        opposite = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}
        sense = rig.in_turn if turn.way == "in" else opposite[rig.in_turn]
    elif turn.unit == "step" and rig.in_steps is not None:
        rising = (rig.in_steps == "up") == (turn.way == "in")
        sense = "position up" if rising else "position down"
    return f"{turn.way} {amount_words(turn.amount, turn.unit)}{f' ({sense})' if sense else ''}"


def sentence(text: str) -> str:
    """Make a reason a sentence; '' stays ''."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') or not text else '.'}"
