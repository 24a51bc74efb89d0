"""Sorting in compiled loops: numba's own takes longer to compile than all that call it."""

import numpy as np

from starwinnow.compiled import compiled

__all__ = ["median", "sort"]


@compiled
def sort(values):
    """Sort in place (Shell 1959, CACM 2, 30, with gaps that fall by 2.25; from memory)."""
    # A few dozen are sorted faster by plain insertion, the last of the gaps.
    gap = len(values) if len(values) > 60 else 2
    while gap > 1:
        gap = max(4 * gap // 9, 1)
        for k in range(gap, len(values)):
            value, j = values[k], k
            while j >= gap and values[j - gap] > value:
                values[j] = values[j - gap]
                j -= gap
            values[j] = value


@compiled
def median(values):
    """Median; the values stay as they are."""
    n = len(values)
    ranked = np.empty(n)
    for k in range(n):
        ranked[k] = values[k]
    sort(ranked)
    return 0.5 * (ranked[(n - 1) // 2] + ranked[n // 2])
