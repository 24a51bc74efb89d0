"""The focus picture: is the centre spike centred, at a glance."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from starwinnow.focus_mask.focus_run import FocusRun
from starwinnow.focus_mask.frame_focus import FrameFocus
from starwinnow.focus_mask.profile_view import spike_profiles, surroundings
from starwinnow.focus_mask.spike_angles import same_side
from starwinnow.focus_mask.wording import figures, verdict_words
from starwinnow.frame import Frame
from starwinnow.report.canvas import THEMES, Canvas, ThemeName
from starwinnow.report.mask_panels import (
    Box,
    axis_reach_px,
    draw_marker,
    draw_profiles,
    draw_run,
    draw_star,
)

__all__ = ["PictureText", "write_mask_picture"]

_WIDTH, _HEAD, _BODY, _RUN = 1200, 190, 520, 300
_MARGIN, _STAR = 30, 430
_HALF_PX, _SHOWN_PX = 75, 50


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureText:
    """Words of the picture beside its figures.

    Attributes
    ----------
    title : str
        Which frame this is.
    step : str
        What to do now.
    notes : tuple of str
        What that rests on.
    """

    title: str
    step: str
    notes: tuple[str, ...] = ()


def write_mask_picture(
    path: Path,
    result: FrameFocus,
    frame: Frame | None,
    text: PictureText,
    run: FocusRun | None = None,
    theme: ThemeName = "day",
) -> None:
    """Draw one frame's answer, and the run it belongs to, into a PNG file.

    Parameters
    ----------
    path : Path
    result : FrameFocus
    frame : Frame or None
        Its pixels; None where it could not be read.
    text : PictureText
    run : FocusRun, optional
        Shown where it has three frames or more.
    theme : {'day', 'red'}

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    shows_run = run is not None and len(run.points) > 2
    reading = result.frame.reading
    has_star = frame is not None and reading is not None and len(reading.stars) > 0
    height = _HEAD + (_BODY if has_star else 0) + (_RUN if shows_run else 0) + _MARGIN
    canvas = Canvas(_WIDTH, height, THEMES[theme])
    _draw_head(canvas, result, text)
    if has_star and frame is not None:
        _draw_body(canvas, result, frame)
    if shows_run and run is not None:
        top = height - _RUN - _MARGIN
        _draw_run_panel(canvas, run, result, top)
    canvas.save(path)


def _draw_head(canvas: Canvas, result: FrameFocus, text: PictureText) -> None:
    theme, room = canvas.theme, _WIDTH - 2 * _MARGIN
    canvas.text(
        (_MARGIN, 22), text.step, _fitting(canvas, text.step, 38, room), theme.ink, bold=True
    )
    verdict = f"{verdict_words(result.answer)}.  {text.title}"
    canvas.text((_MARGIN, 78), verdict, _fitting(canvas, verdict, 26, room), theme.ink)
    for number, line in enumerate(canvas.wrapped(" ".join(text.notes), 18, room)[:3]):
        canvas.text((_MARGIN, 118 + 23 * number), line, 18, theme.quiet)


def _fitting(canvas: Canvas, words: str, size: float, room: float) -> float:
    return min(size, size * room / max(canvas.text_width(words, size), 1.0))


def _draw_body(canvas: Canvas, result: FrameFocus, frame: Frame) -> None:
    reading = result.frame.reading
    if reading is None:
        return
    star = reading.stars[0]
    star_box = Box(left=_MARGIN, top=_HEAD, right=_MARGIN + _STAR, bottom=_HEAD + _STAR)
    reach = axis_reach_px(result.answer)
    around = surroundings(frame, star, _HALF_PX)
    shown = slice(_HALF_PX - _SHOWN_PX, _HALF_PX + _SHOWN_PX + 1)
    draw_star(canvas, around.light[shown, shown], star_box)
    left, right = star_box.right + 50, _WIDTH - _MARGIN
    _draw_key(canvas, left, _HEAD - 4)
    top, bottom = _HEAD + 30, _HEAD + _STAR + 2
    part = (bottom - top) / len(star.triples)
    for number, triple in enumerate(star.triples):
        box = Box(left=left, top=top + number * part, right=right, bottom=top + (number + 1) * part)
        profiles = spike_profiles(around, star, triple, reach)
        if not same_side(triple.centre_deg, star.triples[0].centre_deg, reading.kind):
            profiles = profiles.mirrored()
        draw_profiles(canvas, box, profiles, result.answer.tolerances_px)
    for number, line in enumerate(
        canvas.wrapped(" ".join(figures(result.answer)), 17, right - left)
    ):
        canvas.text((left, bottom + 12 + 22 * number), line, 17, canvas.theme.ink)


def _draw_key(canvas: Canvas, left: float, y: float) -> None:
    """Say what the lines are, each beside a piece of it."""
    theme = canvas.theme
    canvas.line([(left, y + 10), (left + 40, y + 10)], theme.centre, 4)
    canvas.text((left + 50, y + 10), "centre spike", 18, theme.ink, anchor="lm")
    across = np.linspace(left + 175, left + 222, 30)
    canvas.dashed([(float(x), y + 10) for x in across], theme.outer, 2.5, 9)
    canvas.text((left + 232, y + 10), "outer pair", 18, theme.ink, anchor="lm")
    canvas.box(left + 335, y, left + 375, y + 20, theme.band)
    canvas.text((left + 385, y + 10), "tolerance", 18, theme.ink, anchor="lm")
    draw_marker(canvas, (left + 510, y + 10), 12)
    canvas.text((left + 545, y + 10), "measured", 18, theme.ink, anchor="lm")


def _draw_run_panel(canvas: Canvas, run: FocusRun, result: FrameFocus, top: int) -> None:
    what = "focuser position" if run.by_position else "frame"
    canvas.text((_MARGIN, top), f"The run: spike offset, px, by {what}", 20, canvas.theme.ink)
    box = Box(left=_MARGIN, top=top + 34, right=_WIDTH - _MARGIN, bottom=top + _RUN)
    draw_run(canvas, box, run, result.answer.tolerances_px)
