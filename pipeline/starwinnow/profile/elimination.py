"""Small linear algebra of the joint fit, compiled: its steps, and many 4x4 systems at a time."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner

__all__ = ["eliminate", "inverse_of", "solve_each", "take_step"]

# Keeps the systems of stars without usable pixels solvable.
_RIDGE = 1e-12


@compiled
def eliminate(hessian, gradient, level, level_prior):
    """Eliminate each star's own four parameters (Schur complement).

    Parameters
    ----------
    hessian, gradient : ndarray, shapes (n, 8, 8) and (n, 8)
        Normal equations; the first four parameters are the star's own.
    level : ndarray, shape (n,)
        The stars' own levels, which a prior of information `level_prior` draws to 0.

    Returns
    -------
    reduced, pull : ndarray, shapes (n, 4, 4) and (n, 4)
        What each star says of the shared parameters.
    own_inverse, own_pull, cross : ndarray, shapes (n, 4, 4), (n, 4) and (n, 4, 4)
        To find the own parameters again. All are 0 for a star that the fit has lost: it says
        nothing.
    """
    n = len(hessian)
    reduced, pull = np.empty((n, 4, 4)), np.empty((n, 4))
    inverse, own_pull, cross = np.empty((n, 4, 4)), np.empty((n, 4)), np.empty((n, 4, 4))
    back, own = np.empty((4, 4)), np.empty((4, 4))
    for k in range(n):
        for a in range(4):
            own_pull[k, a] = gradient[k, a]
            for b in range(4):
                own[a, b], cross[k, a, b] = hessian[k, a, b], hessian[k, a, 4 + b]
        own[3, 3] += level_prior
        own_pull[k, 3] -= level_prior * level[k]
        _invert(own, inverse[k])
        for a in range(4):
            for s in range(4):
                back[a, s] = 0.0
                for b in range(4):
                    back[a, s] += inverse[k, a, b] * cross[k, b, s]
        for s in range(4):
            pull[k, s] = gradient[k, 4 + s]
            for a in range(4):
                pull[k, s] -= back[a, s] * own_pull[k, a]
            for t in range(4):
                reduced[k, s, t] = hessian[k, 4 + s, 4 + t]
                for a in range(4):
                    reduced[k, s, t] -= cross[k, a, s] * back[a, t]
        _silence_lost(reduced[k], pull[k], inverse[k], own_pull[k], cross[k])
    return reduced, pull, inverse, own_pull, cross


@inlined
def _silence_lost(reduced, pull, inverse, own_pull, cross):
    """Put zeros where a star has no finite equations."""
    held = True
    for a in range(4):
        for b in range(4):
            held &= np.isfinite(reduced[a, b]) and np.isfinite(inverse[a, b])
    if not held:
        for a in range(4):
            pull[a] = own_pull[a] = 0.0
            for b in range(4):
                reduced[a, b] = inverse[a, b] = cross[a, b] = 0.0


@compiled
def solve_each(matrices, right):
    """Solve many small positive definite systems.

    Parameters
    ----------
    matrices, right : ndarray, shapes (n, m, m) and (n, m)

    Returns
    -------
    solution, variance : ndarray, shape (n, m)
        The variance, the inverse's diagonal, is that of the solution for noise of 1.
    """
    n, m = right.shape
    solution, variance = np.zeros((n, m)), np.empty((n, m))
    matrix, inverse = np.empty((m, m)), np.empty((m, m))
    for k in range(n):
        for a in range(m):
            for b in range(m):
                matrix[a, b] = matrices[k, a, b]
        _invert(matrix, inverse)
        for a in range(m):
            variance[k, a] = max(inverse[a, a], 0.0)
            for b in range(m):
                solution[k, a] += inverse[a, b] * right[k, b]
    return solution, variance


def inverse_of(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Invert a small symmetric positive definite matrix, shape (m, m).

    To its diagonal 1e-12 (1 + its sum) is added, so that a matrix of zeros has an inverse too.
    Quicker than numpy's general way, whose code is seldom in the processor's cache.
    """
    n = len(matrix)
    solution: NDArray[np.float64] = solve_each(matrix[np.newaxis].repeat(n, axis=0), np.eye(n))[0]
    return solution


@compiled
def take_step(
    shape, own, reduced, pull, own_inverse, own_pull, cross, weight, prior, preferred, lows, highs,
    limits,
):  # fmt: skip
    """One Gauss-Newton step of the shared shape, then of each star's own parameters, in place.

    Parameters
    ----------
    shape, own : ndarray, shapes (4,) and (n, 4)
        See `starwinnow.profile.equations.FitState`.
    reduced, pull, own_inverse, own_pull, cross : ndarray
        See `starwinnow.profile.equations.Equations`.
    weight : ndarray, shape (n,)
        Of each star; the shape is held where all are 0.
    prior, preferred : float
        Information of the preference for a 1/beta, and which.
    lows, highs, limits : ndarray, shape (4,)
        Range of the shape, and its largest step.

    Returns
    -------
    largest : float
        Largest change of the shape.
    """
    step, total = np.zeros(4), 0.0
    for k in range(len(weight)):
        total += weight[k]
    if total > 0.0:
        step = _shared_step(shape, reduced, pull, weight, prior, preferred, lows, highs)
        over = 1.0
        for a in range(4):
            over = max(over, abs(step[a]) / limits[a])
        for a in range(4):
            step[a] /= over
            shape[a] += step[a]
        shape[0] = min(max(shape[0], lows[0]), highs[0])
    _own_steps(own, own_inverse, own_pull, cross, step)
    largest = 0.0
    for a in range(4):
        largest = max(largest, abs(step[a]))
    return largest


@inlined
def _shared_step(shape, reduced, pull, weight, prior, preferred, lows, highs):
    information, matrix, inverse = np.zeros((4, 4)), np.empty((4, 4)), np.empty((4, 4))
    right, step = np.zeros(4), np.zeros(4)
    for k in range(len(weight)):
        for a in range(4):
            right[a] += weight[k] * pull[k, a]
            for b in range(4):
                information[a, b] += weight[k] * reduced[k, a, b]
    information[3, 3] += prior
    right[3] -= prior * (shape[3] - preferred)
    for free in (4, 3):
        # At the end of its range 1/beta stays there and the rest is solved again.
        if free == 3:
            step[3] = min(max(shape[3] + step[3], lows[3]), highs[3]) - shape[3]
        for a in range(4):
            for b in range(4):
                matrix[a, b] = information[a, b] if max(a, b) < free or a == b else 0.0
        _invert(matrix, inverse)
        for a in range(free):
            step[a] = 0.0
            for b in range(free):
                held = information[b, 3] * step[3] if free == 3 else 0.0
                step[a] += inverse[a, b] * (right[b] - held)
        if lows[3] <= shape[3] + step[3] <= highs[3]:
            break
    return step


@inlined
def _own_steps(own, own_inverse, own_pull, cross, step):
    left = np.empty(4)
    for k in range(len(own)):
        for a in range(4):
            left[a] = own_pull[k, a]
            for b in range(4):
                left[a] -= cross[k, a, b] * step[b]
        for a in range(4):
            change = 0.0
            for b in range(4):
                change += own_inverse[k, a, b] * left[b]
            if 1 <= a <= 2 and abs(change) > 0.5:
                change = 0.5 if change > 0.0 else -0.5
            own[k, a] += change
        # NaN, of a star that the fit has lost, stays.
        own[k, 0] = 1e-6 if own[k, 0] < 1e-6 else own[k, 0]


@inner
def _invert(matrix, inverse):
    """Invert a positive definite matrix by Gauss-Jordan steps; the matrix is used up."""
    n = len(matrix)
    ridge = 1.0
    for a in range(n):
        ridge += matrix[a, a]
    for a in range(n):
        matrix[a, a] += _RIDGE * ridge
        for b in range(n):
            inverse[a, b] = 1.0 if a == b else 0.0
    for a in range(n):
        scale = 1.0 / matrix[a, a]
        for b in range(n):
            matrix[a, b] *= scale
            inverse[a, b] *= scale
        for c in range(n):
            factor = matrix[c, a]
            if c == a or factor == 0.0:
                continue
            for b in range(n):
                matrix[c, b] -= factor * matrix[a, b]
                inverse[c, b] -= factor * inverse[a, b]
