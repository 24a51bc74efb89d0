"""`watch --focusing`: the focus of each new frame beside the best so far."""

import math
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow_cli.exit_codes import DONE
from starwinnow_cli.focus_lines import clock
from starwinnow_cli.interruption import StopWatching
from starwinnow_cli.score import make_ready
from starwinnow_cli.screen import Emphasis, LiveTerminal, obeys_codes, say, shorten, show

if TYPE_CHECKING:
    from starwinnow.focus_points import FocusPoints
    from starwinnow.focusing import FocusPoint, FocusView
    from starwinnow.frame import Frame
    from starwinnow.rig import Rig
    from starwinnow.watch import Watch

__all__ = ["focusing_lines", "focusing_news", "follow_focus"]

# The scale shows so many standard errors or tolerances, four signs each.
_SCALE_UNITS = 12
_SIGNS_PER_UNIT = 4
_COLUMNS = 79
# So many standard errors from the best are as good as the best.
_ALIKE = 2.0


def follow_focus(folder: Path, emphasis: Emphasis, *, poll: bool, rig_path: Path | None) -> int:
    """Follow the focus until told to stop; returns the exit code.

    Nothing is written. `rig_path` is the rig file that the observer stated, if any.

    Raises
    ------
    RigError
        If the rig file cannot be read.
    """
    from starwinnow.focus_points import FocusPoints  # noqa: PLC0415
    from starwinnow.focusing import FocusFollower  # noqa: PLC0415
    from starwinnow.rig import Rig  # noqa: PLC0415
    from starwinnow.rig_file import find_rig, read_rig  # noqa: PLC0415
    from starwinnow.watch import Watch  # noqa: PLC0415

    path = find_rig(rig_path)
    rig = Rig() if path is None else read_rig(path)
    points, follower, view = FocusPoints(rig), FocusFollower(), None
    terminal = LiveTerminal(sys.stdout, emphasis) if obeys_codes(sys.stdout) else None
    with StopWatching() as stop:
        make_ready(what="First run")
        watch = Watch(folder, stop.event, poll=poll)
        if terminal:
            terminal.__enter__()
            stop.give_back = terminal.leave
            terminal.draw(_waiting(emphasis))
        try:
            for found in _new_frames(watch):
                point = _point_of(found, points)
                if isinstance(point, str):
                    # What is known of the focus stays in sight.
                    lines = focusing_lines(view, emphasis, rig) if view else _waiting(emphasis)
                    _tell(terminal, [*lines, "", *_wrapped(f"Not used: {point}")], point)
                    continue
                view = follower.add(point)
                lines = focusing_lines(view, emphasis, rig)
                _tell(terminal, lines, focusing_news(view, rig))
        finally:
            if terminal:
                terminal.leave()
    if view is not None:
        say(f"Best: {_name(view.best)} {view.best.value_px:.2f} px in {view.best.file}.")
    return DONE


def focusing_lines(view: "FocusView", emphasis: Emphasis, rig: "Rig") -> list[str]:
    """Lines of the screen, at most sixteen of 80 columns."""
    now, best = view.now, view.best
    latest = "  ".join(f"{point.value_px:.2f}" for point in view.points)
    by_tolerance = math.isfinite(now.tolerances_off)
    place = now.tolerances_off if by_tolerance else view.errors_off
    start, unit = ("focus", "tolerances") if by_tolerance else ("best", "standard errors")
    return [
        emphasis.bold("Focusing") + emphasis.dim("   smaller is better; Ctrl-C ends"),
        "",
        emphasis.bold(f"{_name(now):7} {now.value_px:.2f} ±{now.scatter_px:.2f} px")
        + f"   {shorten(now.file, 40)}",
        f"{'best':7} {best.value_px:.2f} ±{best.scatter_px:.2f} px   {shorten(best.file, 40)}",
        "",
        _scale(place),
        emphasis.dim(f"{start:5}{'':37}{unit} from it"),
        "",
        *(emphasis.bold(line) for line in _wrapped(_verdict(view, rig))),
        f"Last    {latest}"[:79],
        *_turn_lines(now, rig),
    ]


def focusing_news(view: "FocusView", rig: "Rig") -> str:
    """One line for a file or a pipe."""
    now = view.now
    return (
        f"{now.file}: {_name(now)} {now.value_px:.2f} ±{now.scatter_px:.2f} px, "
        f"best {view.best.value_px:.2f}; {_verdict(view, rig)}"
    )


def _name(point: "FocusPoint") -> str:
    return "HFR" if point.kind == "hfr" else "offset"


def _verdict(view: "FocusView", rig: "Rig") -> str:
    """Say in words what to do."""
    if view.now.in_focus:
        return "In focus, within the tolerance: leave it, and take the mask off."
    if view.passed:
        ago = view.frames_since_best
        frames = "one frame" if ago == 1 else f"{ago} frames"
        what = f"the best {frames} ago" if ago else "focus with this turn"
        return f"You passed {what}{_by(view.travel_um, rig)}: turn back."
    if view.frames_since_best == 0 and len(view.points) > 1:
        return "The best so far: go on."
    if len(view.points) == 1:
        return "Turn a little, and wait for the next frame."
    if view.trend != "steady":
        return "It gets better: go on." if view.trend == "better" else "It gets worse: turn back."
    if view.errors_off < _ALIKE:
        return "As good as the best, within the error."
    return "No clear way yet: wait for another frame."


def _by(travel_um: float, rig: "Rig") -> str:
    """How far it was passed, in turns or steps where the rig knows them."""
    from starwinnow.focus_mask.wording import amount_words  # noqa: PLC0415

    if not travel_um > 0:
        return ""
    if rig.um_per_turn is not None:
        return f", by {amount_words(travel_um / rig.um_per_turn, 'turn')}"
    if rig.um_per_step is not None:
        return f", by {amount_words(travel_um / rig.um_per_step, 'step')}"
    return f", by {amount_words(travel_um, 'um')} of focuser travel"


def _turn_lines(now: "FocusPoint", rig: "Rig") -> list[str]:
    """Which way to turn, and what that rests on, where it was learnt."""
    from starwinnow.focus_mask.wording import direction_words, next_step  # noqa: PLC0415

    if now.focus is None or now.focus.turn is None or now.in_focus:
        return []
    rests_on = direction_words(now.focus, rig, lambda moment: clock(moment, rig))
    return ["", *_wrapped(next_step(now.focus, rig)), *_wrapped(rests_on)]


def _scale(units_off: float) -> str:
    """Draw a marker on a scale of standard errors or tolerances, the best at its left end."""
    cells = _SCALE_UNITS * _SIGNS_PER_UNIT
    line = ["+" if sign % (4 * _SIGNS_PER_UNIT) == 0 else "-" for sign in range(cells + 1)]
    place = min(round(units_off * _SIGNS_PER_UNIT), cells)
    line[place] = ">" if units_off > _SCALE_UNITS else "O"
    return "".join(line) + f"  {units_off:.1f}"


def _new_frames(watch: "Watch") -> "Iterator[Frame | str]":
    """Read frames that arrive, or say why not; those there before are of another focusing."""
    from starwinnow.arrivals import Settled  # noqa: PLC0415
    from starwinnow.errors import UnreadableFrameError  # noqa: PLC0415
    from starwinnow.readers import read_frame  # noqa: PLC0415

    for news in watch:
        if not isinstance(news, Settled) or news.old:
            continue
        try:
            yield read_frame(news.path)
        except UnreadableFrameError as error:
            yield str(error)


def _point_of(found: "Frame | str", points: "FocusPoints") -> "FocusPoint | str":
    """How far from focus a frame is, or its name with the reason why that is not known."""
    if isinstance(found, str):
        return found
    point = points.of(found)
    return f"{found.path.name}: {point}" if isinstance(point, str) else point


def _waiting(emphasis: Emphasis) -> list[str]:
    return [
        emphasis.bold("Focusing") + emphasis.dim("   Ctrl-C ends"),
        "",
        "Waiting for the first new frame. Expose for two seconds or more: shorter",
        "ones show the air, not the focus.",
    ]


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _COLUMNS, break_long_words=False, break_on_hyphens=False)


def _tell(terminal: LiveTerminal | None, lines: list[str], news: str) -> None:
    if terminal:
        terminal.draw(lines)
    else:
        show(news + "\n")
