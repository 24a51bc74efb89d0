"""Where the focus stands and goes, by the star size of the latest frames."""

import math
from collections.abc import Sequence
from statistics import median, stdev

from starwinnow.flags import FrameFlag
from starwinnow.live_snapshot import FocusTrend, LiveFrame
from starwinnow.trends import fit_line

__all__ = ["focus_trend", "minutes_of"]

_NOT_FOCUS = FrameFlag.DOUBLED | FrameFlag.NO_STARS
# Frames whose median is 'now': seeing changes from one to the next.
_SMOOTHED = 5
_TREND_FRAMES = 40


def minutes_of(frames: Sequence[LiveFrame]) -> list[float]:
    """Minutes from the first frame's start to each one's, or their verdicts' where not known."""
    moments = [frame.start_utc or frame.judged_utc for frame in frames]
    return [(moment - moments[0]).total_seconds() / 60 for moment in moments]


def focus_trend(history: Sequence[LiveFrame], temperatures_c: Sequence[float]) -> FocusTrend:
    """Follow the half-flux radius over the latest frames.

    Parameters
    ----------
    history : sequence of LiveFrame
        Frames of one run, oldest first. Doubled frames do not count.
    temperatures_c : sequence of float
        Temperature for each, NaN where it is not known.
    """
    rows = [
        (minute, frame, temperature)
        for minute, frame, temperature in zip(
            minutes_of(history), history, temperatures_c, strict=True
        )
        if math.isfinite(frame.hfr_px) and not frame.flags & _NOT_FOCUS
    ]
    if not rows:
        return FocusTrend()
    sizes = [frame.hfr_px for _, frame, _ in rows]
    smooth = [median(sizes[max(0, i - _SMOOTHED + 1) : i + 1]) for i in range(len(sizes))]
    latest = sizes[-_SMOOTHED:]
    scatter = stdev(latest) if len(latest) > 1 else rows[-1][1].hfr_err_px
    last = rows[-_TREND_FRAMES:]
    line = fit_line([row[0] for row in last], [row[1].hfr_px for row in last])
    warm = fit_line([row[0] for row in last], [row[2] for row in last])
    known = [row[2] for row in last if math.isfinite(row[2])]
    return FocusTrend(
        hfr_px=smooth[-1],
        hfr_err_px=scatter / math.sqrt(len(latest)),
        best_px=min(smooth[min(_SMOOTHED, len(smooth)) - 1 :]),
        rate_px_per_hour=60 * line.slope,
        rate_err_px_per_hour=60 * line.slope_err,
        minutes=last[-1][0] - last[0][0],
        temperature_c=known[-1] if known else math.nan,
        cooled_c=-warm.change if math.isfinite(warm.slope) else math.nan,
    )
