"""A running night as lines of text: one calm screen, or one line for each piece of news."""

import math
import textwrap
from collections.abc import Sequence
from datetime import datetime

from starwinnow.live_snapshot import LiveFrame, LiveSnapshot
from starwinnow.quantities import on_screen
from starwinnow_cli.happenings import reason_of
from starwinnow_cli.last_frame_lines import STATES, last_frame_lines, verdict_of
from starwinnow_cli.screen import TIE, Emphasis, beside, duration, local_time, pad, shorten

__all__ = [
    "count_words",
    "focus_words",
    "news_lines",
    "screen_lines",
    "worth_part",
    "worth_words",
]

_LABEL_CELLS = 11
_NARROWEST, _WIDEST, _LOWEST = 60, 120, 18
# In fewer rows than these there is no room for empty lines.
_ROOMY_ROWS = 24
# In more cells than these the longest lines of the run's state need no second line.
_ONE_LINE_CELLS = 105
# A trend of the focus within so many of its standard errors is chance, and not shown.
_TREND_SIGMAS = 3.0
_BLOCKS = "▁▂▃▄▅▆▇█"
_STEPS = "12345678"
_MOST_ADVICE_LINES = 6
# A frame worth this much more than its exposure fills the strip's height.
_TALLEST = 1.1
_TABLE_HEADER_ROWS = 2


def screen_lines(
    snapshot: LiveSnapshot,
    emphasis: Emphasis,
    *,
    size: tuple[int, int],
    now: datetime,
    blocks: bool = True,
) -> list[str]:
    """Lines of the live screen.

    Parameters
    ----------
    snapshot : LiveSnapshot
    emphasis : Emphasis
    size : tuple of int
        (columns, rows) of the terminal. 80 x 24 hold everything; a larger one shows the latest
        frames as a table too, a smaller one goes without empty lines and some figures.
    now : datetime
    blocks : bool
        Whether the terminal can show block signs.

    Returns
    -------
    list of str
        At most as many as there are rows, 18 at least.
    """
    cells = min(max(size[0], _NARROWEST), _WIDEST) - 1
    rows = max(size[1], _LOWEST)
    lines = [
        emphasis.bold(_title(snapshot, cells, now)),
        "",
        *last_frame_lines(snapshot, emphasis, cells),
        "",
        *_state_of_run(snapshot, cells),
        "",
        *_strip(snapshot, emphasis, cells, blocks=blocks),
        "",
    ]
    if rows < _ROOMY_ROWS:
        lines = [line for line in lines if line]
    foot = emphasis.dim("Ctrl-C ends the watch and writes the results.")
    room = rows - len(lines) - 2
    wish = _advice(snapshot, emphasis, cells)
    changes = _changes(snapshot, cells)
    lines += wish[: max(room - len(changes), _MOST_ADVICE_LINES)]
    lines += changes[: max(rows - len(lines) - 2, 0)]
    room = rows - len(lines) - 2
    if snapshot.strip and room > _TABLE_HEADER_ROWS + 1:
        lines += ["", *_table(snapshot.strip, emphasis, cells, room - 1)]
    lines += [""] * (rows - 1 - len(lines))
    return [*lines[: rows - 1], foot]


def news_lines(
    verdicts: Sequence[LiveFrame], before: LiveSnapshot | None, snapshot: LiveSnapshot
) -> list[str]:
    """Lines for a file or a pipe: verdicts, what changed in the advice, changes of mind."""
    lines = []
    for frame in verdicts[:1]:
        lines.append(f"{local_time(frame.judged_utc)} {_words(frame)}")
    stood = {advice.code for advice in before.advice} if before else set()
    stands = {advice.code: advice for advice in snapshot.advice}
    clock = local_time(snapshot.news_utc)
    lines += [f"{clock} ! {a.text}" for code, a in stands.items() if code not in stood]
    lines += [f"{clock} - no longer: {code}" for code in sorted(stood - stands.keys())]
    known = set(before.revisions) if before else set()
    for revision in reversed(snapshot.revisions):
        if revision not in known:
            stays = ", and stays in the feed" if revision.fed and not revision.kept else ""
            now = "keep" if revision.kept else "leave out"
            lines.append(f"{clock} ~ {revision.file}: now {now}{stays}")
    if before is not None and before.reference != snapshot.reference:
        lines += _reference_news(before, snapshot, clock)
    if before is not None and before.state != snapshot.state:
        lines.append(f"{clock} {STATES[snapshot.state]}")
    return lines


def _reference_news(before: LiveSnapshot, snapshot: LiveSnapshot, clock: str) -> list[str]:
    reference = snapshot.reference
    if reference.settled and not before.reference.settled:
        fed = snapshot.counts.fed - before.counts.fed
        more = f"; {fed} frames passed on" if fed else ""
        return [f"{clock} the reference has settled: {reference.file}{more}"]
    if reference.changes > before.reference.changes:
        return [f"{clock} the reference is now {reference.file}"]
    return []


def _words(frame: LiveFrame) -> str:
    """One verdict with its figures."""
    words = [f"{verdict_of(frame)} {frame.file}"]
    if frame.provisional:
        words.append("(provisional)")
    if frame.fed:
        words.append("(fed)")
    figures = []
    if frame.verdict != "not-scored":
        figures.append(f"worth {on_screen('worth_s', frame.worth_s)}")
        figures.append(f"light {on_screen('transparency', frame.transparency)}")
    if math.isfinite(frame.hfr_px):
        figures.append(f"HFR {on_screen('hfr_px', frame.hfr_px)} px")
        figures.append(f"{frame.stars} stars")
    reason = reason_of(frame)
    return " ".join(words) + ": " + ", ".join([*figures, *([reason] if reason else [])])


def _title(snapshot: LiveSnapshot, cells: int, now: datetime) -> str:
    target = f", {shorten(snapshot.target, 24)}" if snapshot.target else ""
    run = f", run {snapshot.run}" if snapshot.run > 1 else ""
    left = f"{shorten(snapshot.folder, 24)}{target}{run}, aim {snapshot.settings.aim}"
    clock = f"{local_time(now)} local time"
    return pad(left, cells - len(clock) - 1) + " " + clock


def _state_of_run(snapshot: LiveSnapshot, cells: int) -> list[str]:
    """Worth, frames, reference and focus, one or two lines each."""
    return [
        *_two_lines("Worth", worth_words(snapshot), cells),
        *_two_lines("Frames", count_words(snapshot), cells),
        *_labelled("Reference", _reference_words(snapshot), cells)[:1],
        *_labelled("Focus", focus_words(snapshot), cells)[:1],
    ]


def _two_lines(label: str, text: str, cells: int) -> list[str]:
    """Two lines where the text may come to need them, so that what is below stays in place."""
    lines = _labelled(label, text, cells)[:2]
    return lines if cells > _ONE_LINE_CELLS else [*lines, ""][:2]


def worth_words(snapshot: LiveSnapshot) -> str:
    """How deep the run is and how long it takes to double that."""
    worth = snapshot.worth
    if not worth.kept_s > 0:
        return "nothing yet"
    amount = duration(worth.kept_s) if worth.in_seconds else f"{worth.kept_s:.1f} reference frames"
    text = amount
    if math.isfinite(worth.collected_s):
        text += f" from {duration(worth.collected_s)} of exposure"
    text += f", {worth.deeper_mag:.1f} mag deeper than one frame."
    if math.isfinite(worth.double_in_s):
        text += f" Twice as much in {duration(worth.double_in_s)}."
    return text


def count_words(snapshot: LiveSnapshot) -> str:
    """How many frames got which verdict; tied blanks keep numbers with what they count."""
    counts = snapshot.counts
    words = [f"{counts.kept} kept", f"{counts.left_out} left out"]
    # Numbers stay with what they count where the line breaks.
    for count, word in (
        (counts.marginal, "of them either way"),
        (counts.not_scored, "not scored"),
        (counts.unreadable, "unreadable"),
        (counts.fed, "passed on"),
    ):
        if count:
            words.append(f"{count} {word}")
    return ", ".join(word.replace(" ", TIE) for word in words)


def _reference_words(snapshot: LiveSnapshot) -> str:
    reference = snapshot.reference
    if reference.file is None:
        return "none yet: no frame with stars"
    name = shorten(reference.file, 30)
    if not reference.settled:
        frames = "frame" if reference.frames_left == 1 else "frames"
        return f"{name}; settles after {reference.frames_left} more scored {frames}"
    changed = f", changed {reference.changes} times" if reference.changes > 1 else ""
    changed = ", changed once" if reference.changes == 1 else changed
    return f"{name}, settled{changed}"


def focus_words(snapshot: LiveSnapshot) -> str:
    """Where the focus stands and goes; a dash where nothing is known."""
    focus = snapshot.focus
    if not math.isfinite(focus.hfr_px):
        return "-"
    error = f" ±{focus.hfr_err_px:.2f}" if math.isfinite(focus.hfr_err_px) else ""
    text = f"HFR {focus.hfr_px:.2f}{error} px, best {focus.best_px:.2f}"
    if abs(focus.rate_px_per_hour) > _TREND_SIGMAS * focus.rate_err_px_per_hour:
        text += f", {focus.rate_px_per_hour:+.2f} ±{focus.rate_err_px_per_hour:.2f} px an hour"
    if math.isfinite(focus.temperature_c):
        text += f", {focus.temperature_c:.1f} °C"
    return text


def _strip(snapshot: LiveSnapshot, emphasis: Emphasis, cells: int, *, blocks: bool) -> list[str]:
    """Worth of the latest frames as bars, with a mark under what is not kept."""
    room = cells - _LABEL_CELLS
    shown = snapshot.strip[-room:]
    if not shown:
        return ["", "", ""]
    signs = _BLOCKS if blocks else _STEPS
    bars = "".join(_bar(frame, signs, snapshot) for frame in shown)
    marks = "".join(_mark(frame) for frame in shown)
    legend = "x left out  ? either way  - not scored"
    return [
        f"{f'Last {len(shown)}':{_LABEL_CELLS}}{bars}",
        f"{'':{_LABEL_CELLS}}{marks}",
        emphasis.dim(f"{'':{_LABEL_CELLS}}{beside([legend, 'bars: worth'], room)}"),
    ]


def _bar(frame: LiveFrame, signs: str, snapshot: LiveSnapshot) -> str:
    part = worth_part(frame, snapshot)
    if not part > 0:
        return " "
    return signs[min(int(part * len(signs)), len(signs) - 1)]


def worth_part(frame: LiveFrame, snapshot: LiveSnapshot) -> float:
    """Height of a frame's bar, 0 to 1: its worth over its exposure, with room for better ones."""
    full = frame.exposure_s if snapshot.worth.in_seconds else 1.0
    if not (frame.worth_s > 0 and full > 0):
        return 0.0
    return min(frame.worth_s / (_TALLEST * full), 1.0)


def _mark(frame: LiveFrame) -> str:
    if frame.verdict == "not-scored":
        return "-"
    if frame.verdict == "marginal":
        return "?"
    return " " if frame.kept else "x"


def _advice(snapshot: LiveSnapshot, emphasis: Emphasis, cells: int) -> list[str]:
    lines: list[str] = []
    for advice in snapshot.advice:
        label = "Now" if advice.needs_hand else "Note"
        wrapped = _labelled(label, advice.text, cells)
        lines += [emphasis.bold(line) for line in wrapped] if advice.needs_hand else wrapped
    return lines


def _changes(snapshot: LiveSnapshot, cells: int) -> list[str]:
    """Tell changes of mind about frames that were passed on: those cannot be called back."""
    passed = [r for r in snapshot.revisions if r.fed and not r.kept]
    if not passed:
        return []
    names = ", ".join(shorten(r.file, 24) for r in passed[:2])
    more = f" and {len(passed) - 2} more" if len(passed) > 2 else ""
    text = f"{names}{more}: passed on, but now left out"
    return _labelled("Changed", text, cells)[:2]


def _table(strip: Sequence[LiveFrame], emphasis: Emphasis, cells: int, rows: int) -> list[str]:
    """Show the latest frames, newest first."""
    name_cells = cells - 48
    lines = [
        emphasis.bold(
            f"{'time':8} {pad('file', name_cells)} {'HFR':>5} {'light':>6} {'worth':>6} verdict"
        )
    ]
    for frame in reversed(strip[-(rows - 1) :]):
        line = (
            f"{local_time(frame.start_utc):8} {pad(frame.file, name_cells)} "
            f"{on_screen('hfr_px', frame.hfr_px):>5} "
            f"{on_screen('transparency', frame.transparency):>6} "
            f"{on_screen('worth_s', frame.worth_s):>6} {verdict_of(frame)}"
        )
        lines.append(line if frame.kept else emphasis.dim(line))
    return lines


def _labelled(label: str, text: str, cells: int) -> list[str]:
    lines = textwrap.wrap(
        text,
        cells,
        initial_indent=f"{label:{_LABEL_CELLS}}",
        subsequent_indent=" " * _LABEL_CELLS,
        break_on_hyphens=False,
    )
    return [line.replace(TIE, " ") for line in lines]
