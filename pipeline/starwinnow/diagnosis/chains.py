"""The most likely sequence of hidden states behind a run's frames."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["most_likely_states"]


def most_likely_states(
    log_likelihood: NDArray[np.float64], stay: float, first: NDArray[np.float64] | None = None
) -> NDArray[np.intp]:
    """Viterbi's algorithm for a chain that mostly stays in its state.

    Parameters
    ----------
    log_likelihood : ndarray of float64, shape (n, states)
        Of each frame under each state.
    stay : float
        Chance to stay from one frame to the next; else all other states are as likely.
    first : ndarray of float64, shape (states,), optional
        Log chance of the states of the first frame; the same for all by default.

    Returns
    -------
    ndarray of intp, shape (n,)
        Viterbi 1967, IEEE Trans. Inf. Theory 13, 260 (from memory).
    """
    n, states = log_likelihood.shape
    step = np.full((states, states), np.log((1 - stay) / max(states - 1, 1)))
    np.fill_diagonal(step, np.log(stay))
    path = np.zeros((n, states), np.intp)
    score = np.zeros(states) if first is None else first.copy()
    for row in range(n):
        if row:
            ways = score[:, np.newaxis] + step
            path[row] = np.argmax(ways, axis=0)
            score = ways[path[row], np.arange(states)]
        score = score + log_likelihood[row]
    states_by_row = np.empty(n, np.intp)
    if n:
        states_by_row[-1] = int(np.argmax(score))
    for row in range(n - 1, 0, -1):
        states_by_row[row - 1] = path[row, states_by_row[row]]
    return states_by_row
