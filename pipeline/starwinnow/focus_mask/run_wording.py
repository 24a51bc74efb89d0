"""A focusing run in plain words."""

import math
from collections.abc import Sequence

from starwinnow.focus_mask.focus_run import FocusRun

__all__ = ["run_step", "run_words"]

# Offsets that differ by less than so many errors show no trend.
_TREND_SIGMA = 3.0


def run_step(run: FocusRun) -> str:
    """Say what to do after the run, from its frames alone; '' where they don't tell."""
    if len(run.points) < 2:
        return ""
    before, last = run.points[-2:]
    if run.crossing_frames is not None and run.by_position:
        came = "lower" if run.rising else "higher"
        return (
            f"Go to focuser position {run.crossing:.0f}, coming from {came} positions as the run "
            "did."
        )
    change = last.offset_px - before.offset_px
    if run.crossing_frames == (before.number, last.number):
        part = abs(last.offset_px / change)
        return f"Turn back by about {part:.1f} of the last move, and what backlash takes."
    clear = abs(change) > _TREND_SIGMA * math.hypot(last.offset_err_px, before.offset_err_px)
    if not clear:
        return ""
    if abs(last.offset_px) > abs(before.offset_px):
        return "Turn back: the last move led away from focus."
    return f"Go on the same way, about {abs(last.offset_px / change):.1f} of the last move."


def run_words(run: FocusRun, names: Sequence[str]) -> list[str]:
    """Say where focus lies and what backlash the run shows, one sentence an item.

    Parameters
    ----------
    run : FocusRun
    names : sequence of str
        Files of the run, in its order.
    """
    if run.reason:
        return [f"No run: {run.reason}."]
    sentences = []
    if run.crossing_frames is not None:
        first, second = (names[number - 1] for number in run.crossing_frames)
        if run.by_position:
            sentences.append(
                f"Focus lies at focuser position {run.crossing:.0f} ± {run.crossing_err:.0f}, "
                f"between {first} and {second}."
            )
        else:
            part = run.crossing - run.crossing_frames[0]
            span = run.crossing_frames[1] - run.crossing_frames[0]
            sentences.append(
                f"Focus was passed between {first} and {second}, at {part / span:.2f} ± "
                f"{run.crossing_err / span:.2f} of the way."
            )
    else:
        sentences.append("The run did not pass focus.")
    if run.turns:
        sentences.append(_turning_words(run, names))
    return sentences


def _turning_words(run: FocusRun, names: Sequence[str]) -> str:
    where = " and ".join(names[number - 1] for number in run.turns)
    start = f"The run turns back at {where}"
    if not math.isfinite(run.backlash):
        return f"{start}; too few frames on either side tell its backlash."
    if run.by_position:
        return f"{start}: backlash {run.backlash:z.0f} ± {run.backlash_err:.0f} steps."
    return (
        f"{start}: backlash {run.backlash:z.2f} ± {run.backlash_err:.2f} of a move, if all moves "
        "were equal."
    )
