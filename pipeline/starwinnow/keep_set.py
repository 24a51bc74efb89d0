"""Which frames to put into a mean so that it shows most."""

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["flip_gains", "growing_squares", "keep_set", "row_squares", "stack_snr2"]

Amplitudes = NDArray[np.float64] | NDArray[np.complex128]
Chosen = NDArray[np.bool_]

_MOST_ROUNDS = 6
# Gains below this are rounding.
_LEAST_GAIN = 1e-12
# So many frames are looked at at once: copies of all frames' amplitudes would be most of what a
# night of thousands of frames takes.
_ROWS = 256


def keep_set(amplitudes: Amplitudes, variances: NDArray[np.float64]) -> Chosen:
    """Frames whose mean has the highest signal-to-noise.

    With M the sum of amplitudes and V the sum of variances over a set, S/N^2 = |M|^2 / V, and a
    small part of frame i raises it while its leverage r_i = A_i . M / s_i^2 exceeds
    |M|^2 / (2 V). So for a given M the best set is the start of the list of frames sorted by
    leverage; M is worked out anew up to six times, then single frames are added or dropped,
    the best first, while S/N rises. Derived for this purpose; the tests compare with trying
    all sets.

    Parameters
    ----------
    amplitudes : ndarray of float64 or complex128, shape (n, k)
        A_i: each frame's flux scale times its star, over pixels or frequencies.
    variances : ndarray of float64, shape (n,)
        s_i^2: each frame's noise variance; positive.

    Returns
    -------
    ndarray of bool, shape (n,)
        At least one frame where there is any.
    """
    chosen = np.ones(len(variances), np.bool_)
    if len(variances) == 0:
        return chosen
    for _ in range(_MOST_ROUNDS):
        known, chosen = chosen, _best_prefix(amplitudes, variances, chosen)
        if np.array_equal(known, chosen):
            break
    while True:
        gains = flip_gains(amplitudes, variances, chosen)
        best = int(np.argmax(gains))
        if not gains[best] > _LEAST_GAIN:
            return chosen
        chosen[best] = not chosen[best]


def stack_snr2(
    amplitudes: Amplitudes, variances: NDArray[np.float64], weights: Chosen | NDArray[np.float64]
) -> float:
    """Squared signal-to-noise of the sum of frames times their weights; 0 when none has any.

    Weights that tell which frames are chosen give that of their mean.
    """
    if not weights.any():
        return 0.0
    total = weights @ amplitudes
    return float(np.vdot(total, total).real / (weights**2 @ variances))


def flip_gains(
    amplitudes: Amplitudes, variances: NDArray[np.float64], chosen: Chosen
) -> NDArray[np.float64]:
    """Relative change of S/N^2 when one frame is added or dropped, shape (n,)."""
    total = _total(amplitudes, chosen)
    variance = float(variances[chosen].sum())
    square = float(np.vdot(total, total).real)
    sign = np.where(chosen, -1.0, 1.0)
    own = row_squares(amplitudes)
    flipped = square + 2 * sign * _along(amplitudes, total) + own
    flipped_variance = variance + sign * variances
    # dropping the only frame leaves nothing
    alone = chosen & (chosen.sum() == 1)
    flipped[alone], flipped_variance[alone] = 0.0, variance
    gains: NDArray[np.float64] = flipped / flipped_variance / (square / variance) - 1
    return gains


def growing_squares(
    amplitudes: Amplitudes, order: NDArray[np.intp], weights: NDArray[np.float64] | None = None
) -> NDArray[np.float64]:
    """|M|^2 of the first frame of an order, of the first two, and so on, shape (n,)."""
    squares, total = [], np.zeros((1, amplitudes.shape[1]), amplitudes.dtype)
    for rows in _parts(order):
        some = amplitudes[rows]
        if weights is not None:
            some *= weights[rows, np.newaxis]
        totals = np.cumsum(np.concatenate([total, some]), axis=0)
        squares.append(row_squares(totals[1:]))
        total = totals[-1:]
    return np.concatenate(squares)


def _best_prefix(amplitudes: Amplitudes, variances: NDArray[np.float64], chosen: Chosen) -> Chosen:
    """Best set of frames in the order of their leverage on what is chosen now."""
    leverage = _along(amplitudes, _total(amplitudes, chosen)) / variances
    order = np.argsort(-leverage, kind="stable")
    snr2 = growing_squares(amplitudes, order) / np.cumsum(variances[order])
    prefix = np.zeros(len(variances), np.bool_)
    prefix[order[: int(np.argmax(snr2)) + 1]] = True
    return prefix


def row_squares(amplitudes: Amplitudes) -> NDArray[np.float64]:
    """Sum of the squares of each frame's amplitudes, shape (n,)."""
    squares = [np.sum(np.abs(some) ** 2, axis=1) for some in _parts(amplitudes)]
    return np.concatenate(squares)


def _parts(rows: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """Give rows, some at a time."""
    return (rows[start : start + _ROWS] for start in range(0, len(rows), _ROWS))


def _total(amplitudes: Amplitudes, chosen: Chosen) -> NDArray[Any]:
    """Sum of the chosen rows, shape (k,)."""
    total: NDArray[Any] = np.sum(amplitudes, axis=0, where=chosen[:, np.newaxis])
    return total


def _along(amplitudes: Amplitudes, total: NDArray[np.float64]) -> NDArray[np.float64]:
    """Real part of the inner product of each frame with the total, shape (n,)."""
    product: NDArray[np.float64] = (amplitudes @ total.conj()).real
    return product
