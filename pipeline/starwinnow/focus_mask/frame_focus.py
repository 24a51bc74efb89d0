"""Frames with their mask readings, and the rig -> answers, direction, and what was learnt."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from starwinnow.errors import MoveError
from starwinnow.focus_mask.chevron import chevron_from_lean
from starwinnow.focus_mask.direction import Hold, Move, Turn, hold_of, learn, turn_to_focus
from starwinnow.focus_mask.focus_answer import FocusAnswer, focus_answer, unreadable_answer
from starwinnow.focus_mask.optics import optics_of
from starwinnow.focus_mask.reading import MaskReading
from starwinnow.frame import Capture
from starwinnow.rig import LearntDirection, Rig

__all__ = ["FrameFocus", "MaskedFrame", "answer_frames", "learn_from_move"]

_NO_CAPTURE = Capture()
_CONTRADICTION = (
    "the rig file states chevron {0}, and far out of focus the spikes show {1}: check the mask; "
    "distances in um may be wrong by a third"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MaskedFrame:
    """One file as read: `reading` is None, with a reason, where it could not be.

    Attributes
    ----------
    path : Path
    capture : Capture
    reading : MaskReading or None
    unreadable : str
        Why it could not be read.
    """

    path: Path
    capture: Capture = _NO_CAPTURE
    reading: MaskReading | None = None
    unreadable: str = ""

    @property
    def file(self) -> str:
        """Name of the file."""
        return self.path.name


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFocus:
    """One frame with its answer.

    Attributes
    ----------
    frame : MaskedFrame
    answer : FocusAnswer
    hold : str
        What a direction rests on, or why there is none; see `direction.hold_of`.
    turn : Turn or None
        What brings the focus right, where that is known and needed.
    note : str
        What does not fit together; '' where all does.
    """

    frame: MaskedFrame
    answer: FocusAnswer
    hold: Hold = "none"
    turn: Turn | None = None
    note: str = ""


def answer_frames(
    frames: Sequence[MaskedFrame], rig: Rig, *, mark_up: bool, just_learnt: bool = False
) -> list[FrameFocus]:
    """Judge frames taken with one mask.

    Parameters
    ----------
    frames : sequence of MaskedFrame
    rig : Rig
    mark_up : bool
        Whether the observer states that the mask's mark sits where it belongs.
    just_learnt : bool
        Whether the rig's direction was learnt from these very frames.
    """
    seen = chevron_from_lean(frame.reading for frame in frames if frame.reading is not None)
    chevron = rig.chevron or seen or (rig.learnt.chevron if rig.learnt is not None else None)
    note = _CONTRADICTION.format(rig.chevron, seen) if seen and seen != chevron else ""
    results = []
    for frame in frames:
        if frame.reading is None:
            results.append(FrameFocus(frame=frame, answer=unreadable_answer(frame.unreadable)))
            continue
        answer = focus_answer(frame.reading, optics_of(frame.capture, rig), chevron)
        result = _with_direction(frame, answer, rig, mark_up, just_learnt)
        results.append(replace(result, note=note if answer.kind is not None else ""))
    return results


def learn_from_move(
    frames: Sequence[MaskedFrame], move: Move, rig: Rig, *, mark_up: bool
) -> LearntDirection:
    """Learn the direction from a frame, a known move, and another frame.

    Raises
    ------
    MoveError
        If these are not two frames, in the order they were taken, that show the move.
    """
    if len(frames) != 2:
        raise MoveError(
            f"--moved was given {len(frames)} frames, expected two: one before the move and one "
            "after it."
        )
    before, after = frames
    for frame in frames:
        if frame.reading is None:
            raise MoveError(f"No direction learnt: {frame.file} could not be read.")
    times = [frame.capture.start_utc for frame in frames if not frame.capture.date_only]
    if None not in times and len(times) == 2 and times[1] < times[0]:  # type: ignore[operator]
        raise MoveError(
            f"{after.file} was taken before {before.file}. Give first the frame from before the "
            "move."
        )
    first, second = (result.answer for result in answer_frames(frames, rig, mark_up=mark_up))
    return learn(first, second, move, capture=after.capture, rig=rig, mark_up=mark_up)


def _with_direction(
    frame: MaskedFrame, answer: FocusAnswer, rig: Rig, mark_up: bool, just_learnt: bool
) -> FrameFocus:
    if not math.isfinite(answer.offset_px + answer.offset_err_px) or answer.verdict == "in-focus":
        return FrameFocus(frame=frame, answer=answer)
    hold = hold_of(rig.learnt, answer, frame.capture.start_utc, mark_up=mark_up)
    if just_learnt and hold != "turned":
        hold = "just-learnt"
    result = FrameFocus(frame=frame, answer=answer, hold=hold)
    if rig.learnt is None:
        return result
    binning = frame.capture.binning_x or 1
    return replace(result, turn=turn_to_focus(answer, rig.learnt, hold, rig, binning))
