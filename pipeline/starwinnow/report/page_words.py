"""The top of the page in words: a sentence on the night and four figures."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from starwinnow.best_spell import best_spell
from starwinnow.diagnosis import cause_words
from starwinnow.frame_rows import FrameRow
from starwinnow.night import NightSnapshot, RunSummary

__all__ = ["headline", "local_clock", "lost_words", "run_title", "top_figures", "worth_words"]

_LITTLE_GAIN = 0.005
# Worth for the light collected above which a run lost little to anything, and below which it
# lost most (common practice, no source).
_GOOD, _POOR = 0.85, 0.5


def duration_words(seconds: float) -> str:
    """Say a length of time as people do; a dash where it is not known."""
    if not math.isfinite(seconds):
        return "–"
    if seconds < 300:
        return f"{seconds:.3g} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def run_title(run: RunSummary) -> str:
    """Tell a run from the others: target, filter, exposure."""
    parts = [run.target or "no target named"]
    parts += [f"filter {run.filter_name}"] if run.filter_name else []
    parts += [f"{run.exposure_s:.3g} s"] if run.exposure_s is not None else []
    return ", ".join(parts)


def worth_words(run: RunSummary, worth: float) -> str:
    """Worth as time, or as a number of reference frames where no exposure is known."""
    return duration_words(worth) if run.worth_in_seconds else f"{worth:.1f} reference frames"


def headline(run: RunSummary) -> str:
    """Say whether it was a good night, and what cost most."""
    if not run.gain.scored:
        return "No frame of this run could be scored: no stars that could be compared."
    lost = sum(run.lost_s.values())
    part = run.gain.all_worth_s / (run.gain.all_worth_s + lost)
    kind = "A good night" if part >= _GOOD else "A fair night" if part >= _POOR else "A poor night"
    if not run.lost_s or part > 0.995:
        return f"{kind}: nothing that could be told apart cost any worth."
    code = next(iter(run.lost_s))
    share = 100 * run.lost_s[code] / (run.gain.all_worth_s + lost)
    return (
        f"{kind}: it was worth {100 * part:.0f} % of what its frames could have been. What cost"
        f" most was {cause_words(code)}, {share:.0f} %."
    )


def lost_words(run: RunSummary) -> list[dict[str, Any]]:
    """List worth lost by cause, most first, beside the largest."""
    most = max(run.lost_s.values(), default=0.0)
    advice = {one.cause: one.advice for one in run.episodes if one.advice}
    return [
        {
            "code": code,
            "words": cause_words(code),
            "worth": worth_words(run, worth),
            "part": worth / most if most else 0.0,
            "advice": advice.get(code, ""),
        }
        for code, worth in run.lost_s.items()
    ]


def top_figures(
    snapshot: NightSnapshot, run: RunSummary, clock: Mapping[str, str]
) -> list[dict[str, str]]:
    """Four figures with what they mean.

    Parameters
    ----------
    snapshot : NightSnapshot
    run : RunSummary
    clock : mapping
        Local time of the start of each file, '' where it is not known.
    """
    rows = [row for row in snapshot.rows if row.run == run.run]
    return [
        {
            "name": "Collected",
            "value": duration_words(run.collected_s),
            "more": f"{run.frames} frames",
            "meaning": "Exposure time of all light frames of the run together.",
        },
        {
            "name": "Worth",
            "value": worth_words(run, run.gain.all_worth_s) if run.gain.scored else "–",
            "more": _reference_words(run),
            "meaning": "Time in which frames all as good as the reference would collect the same"
            " information, all scored frames with their best weights.",
        },
        _left_out(run),
        _spell(run, best_spell(rows), clock),
    ]


def _reference_words(run: RunSummary) -> str:
    return "" if run.reference is None else f"of frames like {run.reference.file}"


def _left_out(run: RunSummary) -> dict[str, str]:
    gain = run.gain
    left = run.frames - gain.kept if gain.scored else 0
    more = f"{100 * (gain.keep_snr - 1):+.1f} % signal-to-noise for a plain mean"
    if not gain.scored:
        more = ""
    elif not left or gain.keep_snr - 1 < _LITTLE_GAIN:
        more = "gains nothing to speak of"
    return {
        "name": "Leave out",
        "value": f"{left} of {run.frames}" if gain.scored else "–",
        "more": more,
        "meaning": "Frames outside the keep set, those without a score among them. The keep set is"
        " the one whose plain mean has the highest signal-to-noise. Weighting all scored frames"
        + (
            f" gives {100 * (gain.weighted_snr - 1):+.1f} %."
            if math.isfinite(gain.weighted_snr)
            else " cannot be told."
        ),
    }


def _spell(run: RunSummary, rows: Sequence[FrameRow], clock: Mapping[str, str]) -> dict[str, str]:
    value, more = "–", ""
    if rows:
        first, last = clock[rows[0].file], clock[rows[-1].file]
        known = bool(first and last)
        cut = 8 if first[:5] == last[:5] else 5
        value = f"{first[:cut]} to {last[:cut]}" if known else f"{len(rows)} frames"
        each = math.fsum(row.worth_s for row in rows) / len(rows)
        more = f"{len(rows)} frames, worth {worth_words(run, each)} each"
        if not known:
            more += f", from {rows[0].file}"
    return {
        "name": "Best spell",
        "value": value,
        "more": more,
        "meaning": "The quarter of the run, neighbours in time, whose frames were worth most.",
    }


def local_clock(moment: datetime | None) -> str:
    """Time of day on this machine's clock; '' where it is not known."""
    return "" if moment is None else moment.astimezone().strftime("%H:%M:%S")
