"""Small linear algebra of the joint fit, compiled: many 4x4 systems at a time."""

import numpy as np

from starwinnow.compiled import compiled

__all__ = ["eliminate", "own_deviations", "own_steps"]

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
def own_steps(hessian, gradient, level, level_prior):
    """Solve each object's own four equations, the shape held.

    Parameters as in `eliminate`, for shapes (n, 4, 4) and (n, 4).

    Returns
    -------
    step, variance : ndarray, shape (n, 4)
        The variance is for noise of 1.
    """
    n = len(hessian)
    step, variance = np.zeros((n, 4)), np.empty((n, 4))
    inverse = np.empty((4, 4))
    for k in range(n):
        own = hessian[k].copy()
        own[3, 3] += level_prior
        _invert(own, inverse)
        for a in range(4):
            variance[k, a] = max(inverse[a, a], 0.0)
            for b in range(4):
                pull = gradient[k, b] - (level_prior * level[k] if b == 3 else 0.0)
                step[k, a] += inverse[a, b] * pull
    return step, variance


@compiled
def own_deviations(reduced, pull):
    """Each star's own size and stretches less the shared ones, beta held.

    Returns
    -------
    deviation, variance : ndarray, shape (n, 3)
        The variance is for noise of 1.
    """
    n = len(reduced)
    deviation, variance = np.zeros((n, 3)), np.empty((n, 3))
    inverse = np.empty((3, 3))
    for k in range(n):
        _invert(reduced[k, :3, :3].copy(), inverse)
        for a in range(3):
            variance[k, a] = max(inverse[a, a], 0.0)
            for b in range(3):
                deviation[k, a] += inverse[a, b] * pull[k, b]
    return deviation, variance


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
