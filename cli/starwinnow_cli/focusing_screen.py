"""`watch --focusing`: the focus of each new frame beside the best so far."""

import math
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow_cli.exit_codes import DONE
from starwinnow_cli.interruption import StopWatching
from starwinnow_cli.score import make_ready
from starwinnow_cli.screen import Emphasis, LiveTerminal, say, shorten, show

if TYPE_CHECKING:
    from starwinnow.focusing import FocusView
    from starwinnow.frame_measures import FrameMeasures
    from starwinnow.watch import Watch

__all__ = ["focusing_lines", "focusing_news", "follow_focus"]

# The scale shows so many standard errors, four signs each.
_SCALE_ERRORS = 12
_SIGNS_PER_ERROR = 4
# Nobody turns a knob more finely than this by hand.
_FINEST_TURN = 16
# So many standard errors from the best are as good as the best.
_ALIKE = 2.0


def follow_focus(
    folder: Path,
    emphasis: Emphasis,
    *,
    poll: bool,
    um_per_turn: float | None = None,
) -> int:
    """Follow the focus until told to stop; returns the exit code.

    Nothing is written. `um_per_turn` is the travel of one turn of the focuser's knob, um.
    """
    from starwinnow.focusing import FocusFollower, FocusPoint  # noqa: PLC0415
    from starwinnow.watch import Watch  # noqa: PLC0415

    follower, view = FocusFollower(), None
    terminal = LiveTerminal(sys.stdout, emphasis) if sys.stdout.isatty() else None
    with StopWatching() as stop:
        make_ready()
        watch = Watch(folder, stop.event, poll=poll)
        if terminal:
            terminal.__enter__()
            terminal.draw(_waiting(emphasis))
        try:
            for frame in _new_frames(watch):
                if not math.isfinite(frame.hfr_px):
                    words = f"{frame.file_name}: no stars"
                    _tell(terminal, [words], words)
                    continue
                follower.f_ratio, follower.pixel_um = _optics(frame)
                view = follower.add(
                    FocusPoint(file=frame.file_name, value_px=frame.hfr_px, err_px=frame.hfr_err_px)
                )
                lines = focusing_lines(view, emphasis, um_per_turn=um_per_turn)
                _tell(terminal, lines, focusing_news(view, um_per_turn=um_per_turn))
        finally:
            if terminal:
                terminal.__exit__(None, None, None)
    if view is not None:
        say(f"Best: HFR {view.best.value_px:.2f} px in {view.best.file}.")
    return DONE


def focusing_lines(
    view: "FocusView", emphasis: Emphasis, *, um_per_turn: float | None = None
) -> list[str]:
    """Lines of the screen, at most ten of 80 columns."""
    now, best = view.now, view.best
    name = "HFR" if now.kind == "hfr" else "Offset"
    latest = "  ".join(f"{point.value_px:.2f}" for point in view.points)
    return [
        emphasis.bold("Focusing") + emphasis.dim("   smaller is better; Ctrl-C ends"),
        "",
        emphasis.bold(f"{name:7} {now.value_px:.2f} ±{now.scatter_px:.2f} px")
        + f"   {shorten(now.file, 40)}",
        f"{'best':7} {best.value_px:.2f} ±{best.scatter_px:.2f} px   {shorten(best.file, 40)}",
        "",
        _scale(view.errors_off),
        emphasis.dim(f"best{'':38}standard errors from it"),
        "",
        emphasis.bold(_verdict(view, um_per_turn)),
        f"Last    {latest}"[:79],
    ]


def focusing_news(view: "FocusView", *, um_per_turn: float | None = None) -> str:
    """One line for a file or a pipe."""
    now = view.now
    name = "HFR" if now.kind == "hfr" else "offset"
    return (
        f"{now.file}: {name} {now.value_px:.2f} ±{now.scatter_px:.2f} px, "
        f"best {view.best.value_px:.2f}; {_verdict(view, um_per_turn)}"
    )


def _verdict(view: "FocusView", um_per_turn: float | None) -> str:
    """Say in words what to do."""
    if view.passed:
        ago = view.frames_since_best
        frames = "one frame" if ago == 1 else f"{ago} frames"
        return f"You passed the best {frames} ago{_by(view.travel_um, um_per_turn)}: turn back."
    if view.frames_since_best == 0 and len(view.points) > 1:
        return "The best so far: go on."
    if len(view.points) == 1:
        return "Turn a little, and wait for the next frame."
    if view.trend != "steady":
        return "It gets better: go on." if view.trend == "better" else "It gets worse: turn back."
    if view.errors_off < _ALIKE:
        return "As good as the best, within the error."
    return "No clear way yet: wait for another frame."


def _by(travel_um: float, um_per_turn: float | None) -> str:
    """How far it was passed, in turns where the rig knows them."""
    if not travel_um > 0:
        return ""
    if um_per_turn is None:
        return f", by about {travel_um:.0f} um of focuser travel"
    turns = travel_um / um_per_turn
    if turns < 1 / _FINEST_TURN:
        return f", by less than 1/{_FINEST_TURN} turn"
    if turns < 1:
        return f", by about {Fraction(1, max(round(1 / turns), 1))} turn"
    return f", by about {turns:.1f} turns"


def _scale(errors_off: float) -> str:
    """Draw a marker on a scale of standard errors, the best at its left end."""
    cells = _SCALE_ERRORS * _SIGNS_PER_ERROR
    line = ["+" if sign % (4 * _SIGNS_PER_ERROR) == 0 else "-" for sign in range(cells + 1)]
    place = min(round(errors_off * _SIGNS_PER_ERROR), cells)
    line[place] = ">" if errors_off > _SCALE_ERRORS else "O"
    return "".join(line) + f"  {errors_off:.1f}"


def _optics(frame: "FrameMeasures") -> tuple[float | None, float | None]:
    """Focal ratio and pixel size by the header."""
    capture = frame.capture
    if not capture.focal_length_mm or not capture.aperture_mm:
        return None, capture.pixel_um
    return capture.focal_length_mm / capture.aperture_mm, capture.pixel_um


def _new_frames(watch: "Watch") -> "Iterator[FrameMeasures]":
    """Measure frames that arrive; those that were there before are of another focusing."""
    from starwinnow.arrivals import Settled  # noqa: PLC0415
    from starwinnow.errors import UnreadableFrameError  # noqa: PLC0415
    from starwinnow.measure import measure  # noqa: PLC0415
    from starwinnow.readers import read_frame  # noqa: PLC0415

    for news in watch:
        if not isinstance(news, Settled) or news.old:
            continue
        try:
            yield measure(read_frame(news.path))
        except UnreadableFrameError as error:
            say(str(error))


def _waiting(emphasis: Emphasis) -> list[str]:
    return [
        emphasis.bold("Focusing") + emphasis.dim("   Ctrl-C ends"),
        "",
        "Waiting for the first new frame. Expose for two seconds or more: shorter",
        "ones show the air, not the focus.",
    ]


def _tell(terminal: LiveTerminal | None, lines: list[str], news: str) -> None:
    if terminal:
        terminal.draw(lines)
    else:
        show(news + "\n")
