"""The best set of frames for a mean, by trying all sets or by exchanging frames."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["best_by_exchange", "best_of_all_sets"]

Amplitudes = NDArray[np.float64] | NDArray[np.complex128]


def best_of_all_sets(amplitudes: Amplitudes, variances: NDArray[np.float64]) -> float:
    """Highest S/N^2 among all sets of a dozen frames."""
    count = len(variances)
    members = (np.arange(1, 2**count)[:, np.newaxis] >> np.arange(count)) & 1
    totals = members @ amplitudes
    snr2 = np.sum(np.abs(totals) ** 2, axis=1) / (members @ variances)
    return float(np.max(snr2))


def best_by_exchange(
    amplitudes: Amplitudes, variances: NDArray[np.float64], starts: int, rng: np.random.Generator
) -> float:
    """Highest S/N^2 that exchanges reach from random sets of all sizes.

    Each step makes the best of all exchanges of one or two frames: add, drop, swap, add two,
    drop two; until none helps.
    """
    gram = (amplitudes @ amplitudes.conj().T).real
    count = len(variances)
    best = 0.0
    for part in np.linspace(0.05, 1.0, starts):
        chosen = rng.random(count) <= part
        chosen[rng.integers(count)] = True
        reached = 0.0
        while True:
            snr2 = _after_exchange(gram, variances, chosen)
            one, two = np.unravel_index(np.argmax(snr2), snr2.shape)
            if not snr2[one, two] > reached * (1 + 1e-12):
                break
            reached = float(snr2[one, two])
            flipped = {int(one), int(two)}
            chosen[list(flipped)] ^= True
        best = max(best, reached)
    return best


def _after_exchange(
    gram: NDArray[np.float64], variances: NDArray[np.float64], chosen: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """S/N^2 after flipping frames i and j, shape (n, n); on the diagonal frame i alone."""
    sign = np.where(chosen, -1.0, 1.0)
    along = gram @ chosen
    square, variance = float(along @ chosen), float(variances @ chosen)
    change = 2 * sign * along + np.diag(gram)
    squares = square + change[:, np.newaxis] + change + 2 * np.outer(sign, sign) * gram
    sums = variance + (sign * variances)[:, np.newaxis] + sign * variances
    np.fill_diagonal(squares, square + change)
    np.fill_diagonal(sums, variance + sign * variances)
    # nothing left where the last frames would be dropped
    left = sums > 1e-9 * variance
    return np.where(left, squares / np.where(left, sums, 1.0), 0.0)
