"""Small linear algebra of the joint fit, compiled: many 4x4 systems at a time."""

import numpy as np

from starwinnow.compiled import compiled

__all__ = ["eliminate", "solve_each"]

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
        To find the own parameters again.
    """
    n = len(hessian)
    reduced, pull = np.empty((n, 4, 4)), np.empty((n, 4))
    inverse, own_pull, cross = np.empty((n, 4, 4)), np.empty((n, 4)), np.empty((n, 4, 4))
    back = np.empty((4, 4))
    for k in range(n):
        own = hessian[k, :4, :4].copy()
        own[3, 3] += level_prior
        own_pull[k] = gradient[k, :4]
        own_pull[k, 3] -= level_prior * level[k]
        _invert(own, inverse[k])
        cross[k] = hessian[k, :4, 4:]
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
    return reduced, pull, inverse, own_pull, cross


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
    inverse = np.empty((m, m))
    for k in range(n):
        _invert(matrices[k].copy(), inverse)
        for a in range(m):
            variance[k, a] = max(inverse[a, a], 0.0)
            for b in range(m):
                solution[k, a] += inverse[a, b] * right[k, b]
    return solution, variance


@compiled
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
