"""The stretch of a run in which its frames were worth most."""

from collections.abc import Sequence

import numpy as np

from starwinnow.frame_rows import FrameRow

__all__ = ["best_spell"]

# A quarter of the run, and no fewer frames than this (common practice, no source).
_PART = 4
_FEWEST = 5


def best_spell(rows: Sequence[FrameRow]) -> Sequence[FrameRow]:
    """Find the quarter of a run, neighbours in time, whose worth for the time exposed is highest.

    Parameters
    ----------
    rows : sequence of FrameRow
        Those of one run, in time order.

    Returns
    -------
    sequence of FrameRow
        All scored ones where there are few; empty where none is scored.
    """
    scored = [row for row in rows if row.worth_s > 0]
    size = max(_FEWEST, len(scored) // _PART)
    if len(scored) <= size:
        return scored
    summed = np.concatenate([[0.0], np.cumsum([row.worth_s for row in scored])])
    start = int(np.argmax(summed[size:] - summed[:-size]))
    return scored[start : start + size]
