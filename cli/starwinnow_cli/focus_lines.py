"""The focus in plain lines: the next step first, then what it rests on."""

import math
import re
import textwrap
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from starwinnow.focus_mask.focus_run import FocusRun
from starwinnow.focus_mask.frame_focus import FrameFocus
from starwinnow.focus_mask.run_wording import run_step, run_words
from starwinnow.focus_mask.wording import (
    direction_words,
    figures,
    learning_command,
    next_step,
    sentence,
    verdict_words,
)
from starwinnow.rig import Rig
from starwinnow_cli.screen import Emphasis, pad, shorten, width

__all__ = ["advice", "clock", "focus_lines"]

_MOST_ROWS = 12
# No line breaks between a number and its unit or error.
_TIED = re.compile(r"(?<=\d) (?=(?:um|px|deg|±))|(?<=±) (?=\d)")
_TIE = "\xa0"
_SHORT = {
    "in-focus": "in focus",
    "out-of-focus": "out of focus",
    "cannot-tell": "cannot tell",
    "no-mask": "no mask",
    "unreadable": "not read",
}


def focus_lines(
    results: Sequence[FrameFocus], run: FocusRun | None, rig: Rig, emphasis: Emphasis
) -> list[str]:
    """Tell the focus of the last frame, and of the run where there are more.

    Parameters
    ----------
    results : sequence of FrameFocus
        In time order.
    run : FocusRun or None
        Of these frames, where there are two or more.
    rig : Rig
    emphasis : Emphasis
    """
    last = results[-1]
    step, rests_on = advice(last, run, rig)
    lines = [emphasis.bold(line) for line in _wrapped(step, "", "")]
    lines += _wrapped(rests_on)
    lines.append(
        f"{emphasis.bold(verdict_words(last.answer))}: {shorten(last.frame.file, width() - 40)}"
    )
    if last.answer.verdict not in {"in-focus", "out-of-focus"}:
        lines += _wrapped(sentence(last.answer.reason))
    for words in figures(last.answer):
        lines += _wrapped(words)
    if last.note:
        lines += _wrapped(sentence(last.note))
    if len(results) > 1:
        lines += _run_lines(results, run, rig, emphasis)
    return lines


def advice(last: FrameFocus, run: FocusRun | None, rig: Rig) -> tuple[str, str]:
    """Say what to do now, and what the way to turn rests on or why it is not known.

    A direction that was learnt comes first; else the run itself may tell.
    """
    needs_a_way = last.turn is None and last.answer.verdict in {"out-of-focus", "cannot-tell"}
    told_by_run = run_step(run) if run is not None and needs_a_way else ""
    if told_by_run and last.hold == "none":
        return told_by_run, ""
    rests_on = direction_words(last, rig, lambda moment: clock(moment, rig))
    if told_by_run:
        return told_by_run, rests_on
    if last.turn is None and last.answer.verdict == "out-of-focus":
        rests_on += f" Then run: {learning_command(last, rig)}"
    return next_step(last, rig), rests_on


def clock(moment: datetime, rig: Rig) -> str:
    """Date and time of day by the rig's time zone, else by this machine's clock."""
    zone = ZoneInfo(rig.time_zone) if rig.time_zone is not None else None
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")


def _run_lines(
    results: Sequence[FrameFocus], run: FocusRun | None, rig: Rig, emphasis: Emphasis
) -> list[str]:
    hidden = max(0, len(results) - _MOST_ROWS)
    lines = [emphasis.bold(f"{'frame':<28} {'time':<8} {'offset px':>14} {'focus um':>13}")]
    lines += [f"... {hidden} earlier frames"] if hidden else []
    lines += [_row(result, rig) for result in results[hidden:]]
    if run is not None and len(results) > 2:
        for words in run_words(run, [result.frame.file for result in results]):
            lines += _wrapped(words, "", "  ")
    return lines


def _row(result: FrameFocus, rig: Rig) -> str:
    answer, start = result.answer, result.frame.capture.start_utc
    time = "--:--:--"
    if start is not None:
        zone = ZoneInfo(rig.time_zone) if rig.time_zone is not None else None
        time = start.astimezone(zone).strftime("%H:%M:%S")
    offset = distance = "-"
    if math.isfinite(answer.offset_px + answer.offset_err_px):
        offset = f"{answer.offset_px:+.2f} ±{answer.offset_err_px:.2f}"
    if math.isfinite(answer.defocus_um):
        distance = f"{abs(answer.defocus_um):.0f} ±{answer.defocus_err_um:.0f}"
    name = pad(result.frame.file, 28)
    return f"{name} {time} {offset:>14} {distance:>13}  {_SHORT[answer.verdict]}"


def _wrapped(text: str, first: str = "  ", more: str = "  ") -> list[str]:
    tied = _TIED.sub(_TIE, text)
    lines = textwrap.wrap(
        tied,
        width(),
        initial_indent=first,
        subsequent_indent=more,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(_TIE, " ") for line in lines]
