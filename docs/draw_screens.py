"""Draw the terminal screens that the documents show: `python docs/draw_screens.py`.

A made-up evening is shown by the very functions that draw the live screen; what they would send to
a terminal of 80 x 24 becomes a picture.
"""

import io
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.sax.saxutils import escape

from starwinnow.focus_mask.direction import hold_of, turn_to_focus
from starwinnow.focus_mask.focus_answer import FocusAnswer
from starwinnow.focus_mask.frame_focus import FrameFocus, MaskedFrame
from starwinnow.focusing import FocusFollower, FocusPoint, FocusView
from starwinnow.frame import Capture
from starwinnow.live_snapshot import (
    Advice,
    FocusTrend,
    LiveCounts,
    LiveFrame,
    LiveReference,
    LiveSnapshot,
    Revision,
    WorthSoFar,
)
from starwinnow.rig import LearntDirection, Rig
from starwinnow_cli.focusing_screen import focusing_lines
from starwinnow_cli.live_lines import screen_lines
from starwinnow_cli.screen import Emphasis, RedEmphasis

DOCS = Path(__file__).parent
NOW = datetime(2031, 10, 14, 21, 43, 7, tzinfo=UTC)
_COLUMNS, _ROWS = 80, 24
_CELL_W, _CELL_H, _MARGIN = 9.0, 19.0, 12.0
_DAY = {"plain": "#d0d0d0", "bold": "#ffffff", "dim": "#8a8a8a"}
_RED = {"88": "#870000", "124": "#af0000", "196": "#ff0000"}
_UM_PER_PX = 45.3
_LEARNT = LearntDirection(
    px_per_unit=600.0 / _UM_PER_PX,
    px_per_unit_err=0.1,
    unit="turn",
    spike_deg=37.0,
    binning=1,
    mark_up=False,
    when_utc=NOW - timedelta(minutes=40),
    chevron="+",
)
_MASK_RIG = Rig(um_per_turn=600.0, in_turn="clockwise", time_zone="UTC", learnt=_LEARNT)
_CODE = re.compile(r"\x1b\[([0-9;]*)m")


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


def main() -> None:
    """Write the pictures."""
    for name, text in pictures().items():
        (DOCS / name).write_text(text, encoding="utf-8")


def pictures() -> dict[str, str]:
    """Pictures by name of file."""
    day, red = Emphasis(Terminal()), RedEmphasis(Terminal())
    size = (_COLUMNS, _ROWS)
    watched, view = made_up_night(), made_up_focusing()
    return {
        "watch-day.svg": svg(screen_lines(watched, day, size=size, now=NOW)),
        "watch-red.svg": svg(screen_lines(watched, red, size=size, now=NOW), red=True),
        "focusing-red.svg": svg(focusing_lines(view, red, Rig(um_per_turn=570.0)), red=True),
        "focusing-mask.svg": svg(focusing_lines(made_up_mask_focusing(), day, _MASK_RIG)),
    }


def made_up_night() -> LiveSnapshot:
    """Make up an hour of 8 s exposures: a cloud, drift, and dew that begins."""
    frames = tuple(_frame(number) for number in range(60))
    since = NOW - timedelta(minutes=4)
    drift = "The field drifts: recentre in about 12 min, 8 % of it is gone."
    dew = (
        "Light fell from 0.98 to 0.86 and a glow grows around the stars: dew on the lens? Look "
        "at it with a dim red lamp; warm it gently."
    )
    return LiveSnapshot(
        folder="garden",
        state="watching",
        news_utc=NOW - timedelta(seconds=3),
        run=1,
        target="demo field",
        last=frames[-1],
        strip=frames,
        counts=LiveCounts(
            frames=402, kept=371, left_out=28, marginal=4, not_scored=2, unreadable=1, fed=371
        ),
        reference=LiveReference(file="demo-field_0087.fits", settled=True, changes=1),
        worth=WorthSoFar(collected_s=3208.0, kept_s=2760.0, deeper_mag=3.17, double_in_s=3510.0),
        focus=FocusTrend(
            hfr_px=1.92,
            hfr_err_px=0.02,
            best_px=1.81,
            rate_px_per_hour=0.31,
            rate_err_px_per_hour=0.05,
            minutes=6.5,
            temperature_c=7.4,
            cooled_c=0.6,
        ),
        advice=(
            Advice(code="dew", text=dew, needs_hand=True, since_utc=since),
            Advice(code="drift", text=drift, needs_hand=False, since_utc=since),
        ),
        revisions=(
            Revision(
                file="demo-field_0012.fits", was_kept=True, kept=False, fed=True, at_utc=since
            ),
        ),
    )


def _frame(number: int) -> LiveFrame:
    cloud = 24 <= number < 33
    light = 0.97 - 0.0018 * number - (0.5 * math.sin(math.pi * (number - 23) / 10) if cloud else 0)
    start = NOW - timedelta(seconds=9.5 * (60 - number))
    frame = LiveFrame(
        file=f"demo-field_{343 + number:04d}.fits",
        run=1,
        start_utc=start,
        judged_utc=start + timedelta(seconds=8.4),
        verdict="keep",
        kept=True,
        provisional=False,
        fed=True,
        exposure_s=8.0,
        worth_s=8.0 * light**2 * (1 + 0.06 * math.sin(2.3 * number)),
        worth_err_s=0.05,
        transparency=light,
        fwhm_px=2.94 + 0.05 * math.sin(1.7 * number),
        hfr_px=1.9 + 0.04 * math.sin(1.7 * number),
        hfr_err_px=0.01,
        axis_ratio=0.94,
        background_adu=612.0 + number,
        overlap=0.92,
        stars=214,
    )
    if cloud and light < 0.6:
        verdict = "marginal" if light > 0.54 else "leave-out"
        return replace(frame, verdict=verdict, kept=False, fed=False)
    if number == 46:
        return replace(frame, verdict="not-scored", kept=False, worth_s=math.nan)
    return frame


def made_up_focusing() -> FocusView:
    """Make up a focusing that has just passed the best."""
    follower = FocusFollower()
    for number, size in enumerate([3.42, 2.90, 2.41, 2.02, 1.80, 2.07, 2.34], start=1):
        point = FocusPoint(
            file=f"focus_{number:03d}.fits", value_px=size, err_px=0.02, f_ratio=6.0, pixel_um=3.76
        )
        view = follower.add(point)
    return view


def made_up_mask_focusing() -> FocusView:
    """Make up one with the mask on, whose way to turn was learnt earlier in the evening."""
    follower = FocusFollower()
    for number, offset_px in enumerate([6.62, 4.41, 2.28, -0.88, -2.21], start=1):
        path = Path(f"mask_{number:03d}.fits")
        answer = FocusAnswer(
            verdict="out-of-focus", kind="single", offset_px=offset_px, offset_err_px=0.04,
            spike_deg=37.0, chevron="+", um_per_px=(_UM_PER_PX,), tolerance_um=39.6,
            focal_ratio=6.0,
        )  # fmt: skip
        frame = MaskedFrame(path=path, capture=Capture(start_utc=NOW))
        hold = hold_of(_MASK_RIG.learnt, answer, NOW, mark_up=False)
        turn = turn_to_focus(answer, _LEARNT, hold, _MASK_RIG, 1)
        focus = FrameFocus(frame=frame, answer=answer, hold=hold, turn=turn)
        point = FocusPoint(
            file=path.name, value_px=abs(offset_px), err_px=0.04, kind="offset", focus=focus
        )
        view = follower.add(point)
    return view


def svg(lines: Sequence[str], *, red: bool = False) -> str:
    """Turn lines with escape codes into a picture of a terminal."""
    width = _COLUMNS * _CELL_W + 2 * _MARGIN
    height = _ROWS * _CELL_H + 2 * _MARGIN
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" '
        'font-family="DejaVu Sans Mono, Menlo, Consolas, monospace" font-size="15">',
        f'<rect width="{width:g}" height="{height:g}" fill="#000000"/>',
    ]
    for row, line in enumerate(lines):
        column = 0
        for style, text in _spans(line, red=red):
            if text.strip():
                x, y = _MARGIN + column * _CELL_W, _MARGIN + (row + 0.76) * _CELL_H
                parts.append(
                    f'<text x="{x:g}" y="{y:g}" {style} xml:space="preserve" '
                    f'textLength="{len(text) * _CELL_W:g}">{escape(text)}</text>'
                )
            column += len(text)
    return "\n".join([*parts, "</svg>", ""])


def _spans(line: str, *, red: bool) -> list[tuple[str, str]]:
    """Parts of a line with the style of each."""
    spans, style, at = [], _style("", red=red), 0
    for code in _CODE.finditer(line):
        spans.append((style, line[at : code.start()]))
        style, at = _style(code[1], red=red), code.end()
    return [*spans, (style, line[at:])]


def _style(code: str, *, red: bool) -> str:
    """Colour and weight that a code asks for."""
    bold = code.startswith("1")
    if red:
        colour = _RED[code.rsplit(";", 1)[-1]] if "38;5" in code else _RED["124"]
    else:
        colour = _DAY["bold" if bold else "dim" if code == "2" else "plain"]
    return f'fill="{colour}"' + (' font-weight="bold"' if bold else "")


if __name__ == "__main__":
    main()
