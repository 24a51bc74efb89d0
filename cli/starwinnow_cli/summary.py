"""The night in at most 24 lines of 80 columns: what was got, what to leave out, what next."""

import textwrap
from collections import Counter
from collections.abc import Sequence
from itertools import compress, pairwise
from pathlib import Path

from starwinnow.night import FrameRow, NightSnapshot, RunSummary
from starwinnow.quantities import on_screen
from starwinnow.verdict import StackGain
from starwinnow_cli.happenings import counted, happenings, reason_of
from starwinnow_cli.ranking import ranking_table
from starwinnow_cli.screen import TIE, Emphasis, duration, labelled, local_time, shorten, width

__all__ = ["MOST_LINES", "listing", "summary"]

# Two lines of a small terminal are left for the command and the prompt.
MOST_LINES = 22
_ENDS = 3
_MOST_RUNS = 3
_MOST_TARGET = 20
_MOST_UNREAD = 2
_LITTLE_GAIN = 0.05
_FILES = "report.html, frames.ecsv, keep.txt"
_LEGEND = "FWHM, HFR: star size in px. light: starlight, 1 = reference. ?: either way."


def summary(
    snapshot: NightSnapshot,
    folder: Path,
    results: Path,
    emphasis: Emphasis,
    *,
    most_lines: int = MOST_LINES,
) -> list[str]:
    """Tell the night in short.

    Parameters
    ----------
    snapshot : NightSnapshot
    folder, results : Path
        The frames' folder and where the results are.
    emphasis : Emphasis
    most_lines : int
        The best and the worst frames are shown where they fit into so many lines.

    Returns
    -------
    list of str
        Lines of the terminal's width, 80 at least; without best and worst at most 24.
    """
    cells = width()
    head = [emphasis.bold(shorten(_title(snapshot, folder), cells))]
    tail = _unread_lines(snapshot, cells)
    tail += labelled("Results", f"{shorten(str(results), cells - 52)}: {_FILES}", cells)
    several = len(snapshot.runs) > 1
    if not snapshot.runs:
        return head + tail
    run = max(snapshot.runs, key=_size)
    tail += _next_lines(snapshot, run, cells)
    head += _runs_table(snapshot, emphasis) if several else []
    head += _run_lines(snapshot, run, cells, several=several)
    room = most_lines - len(head) - len(tail)
    best_and_worst = _best_and_worst(snapshot.ranked(run.run), emphasis, cells, room)
    return head + best_and_worst + tail


def listing(snapshot: NightSnapshot, emphasis: Emphasis) -> list[str]:
    """Every frame, run by run, best first; those without a score last, with the reason."""
    cells = width()
    lines: list[str] = []
    for run in snapshot.runs:
        if len(snapshot.runs) > 1:
            lines.append(emphasis.bold(f"Run {run.run}: {_kind(run)}"))
            lines += labelled("Note", run.note, cells) if run.note else []
        ranked = snapshot.ranked(run.run)
        if ranked:
            lines += [*ranking_table(ranked, emphasis, cells), ""]
    rest = [row for row in snapshot.rows if row.rank is None]
    if rest:
        lines.append(emphasis.bold("Not scored"))
        for row in rest:
            lines += labelled("   -", _named(row.file, reason_of(row), cells), cells)
        lines.append("")
    return lines


def _title(snapshot: NightSnapshot, folder: Path) -> str:
    starts = [row.start_utc for row in snapshot.rows if row.start_utc is not None]
    times = ""
    if starts:
        first, last = local_time(min(starts))[:5], local_time(max(starts))[:5]
        times = f", {first} to {last} local time"
    frames = "1 frame" if len(snapshot.rows) == 1 else f"{len(snapshot.rows)} frames"
    return f"{folder.resolve().name}: {frames}{times}, aim {snapshot.settings.aim}"


def _next_lines(snapshot: NightSnapshot, largest: RunSummary, cells: int) -> list[str]:
    """Say what to stack; a run never goes into one stack with another."""
    kept = len(snapshot.kept())
    if kept == 0:
        return []
    text = "take the one file in keep.txt" if kept == 1 else f"stack the {kept} files in keep.txt"
    others = sum(1 for run in snapshot.runs if run.gain.kept and run is not largest)
    if len(snapshot.runs) > 1 and largest.gain.kept:
        text = f"stack the {largest.gain.kept} files in keep-run{largest.run}.txt"
        if others:
            text += "; each other run by itself, from its own list"
    return labelled("Next", text, cells)


def _size(run: RunSummary) -> tuple[int, int]:
    return run.gain.scored, run.frames


def _kind(run: RunSummary) -> str:
    """Name what the frames of a run have in common."""
    return ", ".join(filter(None, _traits(run)))


def _traits(run: RunSummary) -> tuple[str, ...]:
    """Target, exposure, filter, binning and size of a run in words, '' for what needs none."""
    return (
        shorten(run.target or "", _MOST_TARGET),
        "exposure unknown" if run.exposure_s is None else f"{run.exposure_s:g} s",
        f"filter {run.filter_name}" if run.filter_name else "",
        f"binning {run.binning[0]}x{run.binning[1]}" if run.binning not in {None, (1, 1)} else "",
        f"{run.shape[1]} x {run.shape[0]} px",
    )


def _differences(runs: Sequence[RunSummary], snapshot: NightSnapshot) -> dict[int, str]:
    """Name what tells each of some runs from the others, by its number.

    The exposure is always told: it is what observers know their runs by. Where all this is the
    same, the time at which they began parts them.
    """
    columns = zip(*(_traits(run) for run in runs), strict=True)
    use = [number == 1 or len(set(column)) > 1 for number, column in enumerate(columns)]
    words = {run.run: ", ".join(filter(None, compress(_traits(run), use))) for run in runs}
    common = Counter(words.values())
    return {
        number: text
        if common[text] == 1
        else f"from {local_time(snapshot.began(number))[:5]}, {text}"
        for number, text in words.items()
    }


def _amount(worth: float, run: RunSummary) -> str:
    return duration(worth) if run.worth_in_seconds else f"{worth:.1f} reference frames"


def _runs_table(snapshot: NightSnapshot, emphasis: Emphasis) -> list[str]:
    """One line for each of the largest runs, with what tells it from the others."""
    largest = sorted(snapshot.runs, key=_size, reverse=True)[:_MOST_RUNS]
    differences = _differences(largest, snapshot)
    lines = [emphasis.bold("run frames  collected       worth  out   gain  of")]
    for run in sorted(largest, key=lambda run: run.run):
        collected = "-" if run.collected_s != run.collected_s else duration(run.collected_s)
        gain = f"{100 * (run.gain.keep_snr - 1):.1f} %" if run.gain.scored else "-"
        out = run.gain.scored - run.gain.kept
        worth = _amount(run.gain.all_worth_s, run).removesuffix(" reference frames")
        line = f"{run.run:>3} {run.frames:>6} {collected:>10} {worth:>11} {out:>4} {gain:>6}  "
        kind = textwrap.shorten(differences[run.run], width() - len(line), placeholder=" ..")
        lines.append(line + shorten(kind, width() - len(line)))
    rest = len(snapshot.runs) - len(largest)
    if rest > 0:
        lines.append(f"    ... and {rest} smaller run{'s' * (rest > 1)}, in night.json")
    return lines


def _run_lines(snapshot: NightSnapshot, run: RunSummary, cells: int, *, several: bool) -> list[str]:
    gain = run.gain
    lines = [f"The run with most frames, {run.run}:"] if several else []
    collected = "unknown time" if run.collected_s != run.collected_s else duration(run.collected_s)
    count = "1 frame" if run.frames == 1 else f"{run.frames} frames"
    frames = f"{collected} in {count} of {_kind(run)}"
    lines += labelled("Collected", frames, cells)
    lines += labelled("Note", run.note, cells) if run.note else []
    if gain.scored == 0 or run.reference is None:
        return (
            lines
            + labelled("Worth", "no frame could be scored", cells)
            + _not_scored(snapshot, run, cells)
        )
    lines += labelled(
        "Worth",
        f"{_amount(gain.all_worth_s, run)} of frames like {shorten(run.reference.file, 20)} "
        "(the reference)",
        cells,
    )
    lines += labelled("Leave out", _advice(snapshot.ranked(run.run), run), cells)
    return lines + happenings(snapshot, run, cells) + _not_scored(snapshot, run, cells)


def _advice(ranked: Sequence[FrameRow], run: RunSummary) -> str:
    """Say what to leave out, what that gains, and that it is little where it is."""
    gain = run.gain
    scaled = " of frames scaled to equal flux" if gain.mean == "scaled" else ""
    if gain.scored == 1:
        return "nothing: one frame alone cannot be compared"
    out = [row.rank for row in ranked if row.rank is not None and not row.kept]
    if not out:
        return (
            f"nothing: every frame helps a plain mean{scaled}. Weighting all {gain.scored} "
            f"gives {_percent(gain.weighted_snr)} signal-to-noise."
        )
    start = "That gains little: a" if gain.keep_snr < 1 + _LITTLE_GAIN else "A"
    return (
        f"{len(out)} of {gain.scored} ({_ranks(out)}). {start} mean{scaled} of the other "
        f"{gain.kept} has {_percent(gain.keep_snr)} signal-to-noise than one of all"
        f"{_sharpness(gain)}. Weighting all {gain.scored} gives {_percent(gain.weighted_snr)}."
    )


def _sharpness(gain: StackGain) -> str:
    """Say for fine detail how much narrower the stars get."""
    if gain.aim != "detail":
        return ""
    keep, everything = (
        on_screen(name, getattr(gain, name)) for name in ("keep_fwhm_px", "all_fwhm_px")
    )
    return f" and stars of FWHM {keep}{TIE}px instead of {everything}"


def _percent(snr: float) -> str:
    size = f"{100 * abs(snr - 1):.1f}"
    if size == "0.0":
        return "no more"
    return f"{size}{TIE}% {'more' if snr > 1 else 'less'}"


def _ranks(ranks: Sequence[int]) -> str:
    """Ranks as spans: 19, 21-24."""
    starts = [ranks[0], *(b for a, b in pairwise(ranks) if b != a + 1)]
    ends = [*(a for a, b in pairwise(ranks) if b != a + 1), ranks[-1]]
    spans = [str(a) if a == b else f"{a}-{b}" for a, b in zip(starts, ends, strict=True)]
    if len(spans) > 5:
        return "see keep.txt for the others"
    return ("rank " if len(ranks) == 1 else "ranks ") + ", ".join(spans)


def _not_scored(snapshot: NightSnapshot, run: RunSummary, cells: int) -> list[str]:
    """Light frames of this run and frames of other kinds, counted by cause."""
    rows = [row for row in snapshot.rows if row.rank is None and row.run in {run.run, None}]
    causes = Counter(
        "|".join(row.causes[:1]) or "no stars to compare"
        for row in rows
        if row.causes != ("unreadable",)
    )
    if not causes:
        return []
    return labelled("Not scored", ", ".join(counted(causes.most_common())), cells)[:2]


def _best_and_worst(
    ranked: Sequence[FrameRow], emphasis: Emphasis, cells: int, room: int
) -> list[str]:
    """As many of both ends as the room allows, between empty lines; none if it is too small."""
    # Header, legend, two empty lines and the line that stands for the frames between.
    ends = min(_ENDS, (room - 5) // 2)
    if not ranked or ends < 1:
        return []
    if len(ranked) <= 2 * ends + 1:
        table = ranking_table(ranked, emphasis, cells)
    else:
        table = ranking_table([*ranked[:ends], *ranked[-ends:]], emphasis, cells)
        between = f" ... {len(ranked) - 2 * ends} more: --all shows them"
        table.insert(ends + 1, emphasis.dim(between))
    return ["", *table, emphasis.dim(_LEGEND), ""]


def _unread_lines(snapshot: NightSnapshot, cells: int) -> list[str]:
    """Name the first files that could not be read with their reasons, two lines each."""
    lines: list[str] = []
    for item in snapshot.unreadable[:_MOST_UNREAD]:
        text = _named(item.name, item.reason, cells)
        lines += labelled("Not read" if not lines else "", text, cells)[:2]
    more = len(snapshot.unreadable) - _MOST_UNREAD
    if more > 0:
        lines += labelled("", f"... and {more} more, in frames.ecsv", cells)
    return lines


def _named(name: str, words: str, cells: int) -> str:
    return f"{shorten(name, cells // 3)}: {words}"
