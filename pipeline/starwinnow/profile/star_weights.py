"""Weights of the joint fit's stars: how sure each is, and whether it is like the others."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.profile.elimination import solve_each
from starwinnow.ranking import sort

__all__ = ["OUTLIER_SIGMA", "half_sample_mode", "weigh"]

OUTLIER_SIGMA = 4.0


def half_sample_mode(values: NDArray[np.float64]) -> float:
    """Mode of a sample: the densest half, again and again (Bickel & Fruhwirth 2006, from memory).

    Raises
    ------
    ValueError
        If there are no values.
    """
    if len(values) == 0:
        raise ValueError("the mode of no values was asked for; give at least one")
    return float(_mode(np.sort(values)))


@compiled
def weigh(reduced, pull, noise, least_scatter, clip):
    """Weight of each star, and its own deviation from the shape with its error.

    Parameters
    ----------
    reduced, pull : ndarray, shapes (n, 3, 3) and (n, 3)
        What each star says of size and stretches, beta held; for noise of 1.
    noise : float
        Standard deviation of a pixel.
    least_scatter : float
        In ln size: stars differ by so much at least.
    clip : bool
        Whether those unlike the others weigh nothing.

    Returns
    -------
    weight : ndarray, shape (n,)
    deviation, error : ndarray, shape (n, 3)
        ln size and stretches; 0 and infinite where a star says nothing.
    """
    deviation, variance = solve_each(reduced, pull)
    n = len(deviation)
    weight, known, left = np.zeros(n), np.empty(n, np.bool_), 0
    for k in range(n):
        known[k] = True
        for a in range(3):
            variance[k, a] *= noise * noise
            known[k] &= np.isfinite(deviation[k, a]) and np.isfinite(variance[k, a])
        if not known[k]:
            for a in range(3):
                deviation[k, a], variance[k, a] = 0.0, np.inf
        left += known[k]
    if left > 0:
        excess, good = least_scatter * least_scatter, known
        if clip:
            excess, good = _like_the_others(deviation, variance, excess, good)
        for k in range(n):
            if good[k]:
                weight[k] = 1.0 / (1.0 + excess / max(variance[k, 0], 1e-12))
    for k in range(n):
        for a in range(3):
            variance[k, a] = np.sqrt(variance[k, a])
    return weight, deviation, variance


@inlined
def _like_the_others(deviation, variance, excess, known):
    """Variance that stars have beyond the noise, and which of them are like the others."""
    n = len(deviation)
    values, good = np.empty(n), np.empty(n, np.bool_)
    # Stars much fainter than the others say little: they must not set the center.
    for k in range(n):
        values[k] = variance[k, 0]
    limit = 2.0 * _upper_median(values)
    chosen = np.empty(n, np.int64)
    count = 0
    for k in range(n):
        if variance[k, 0] <= limit:
            chosen[count] = k
            count += 1
    values = np.empty(count)
    for i in range(count):
        values[i] = variance[chosen[i], 0]
    typical = _upper_median(values)
    for i in range(count):
        values[i] = deviation[chosen[i], 0]
    center, spread = _center_and_spread(values)
    excess = max(excess, spread * spread - typical)
    for k in range(n):
        far = OUTLIER_SIGMA * np.sqrt(variance[k, 0] + excess)
        good[k] = abs(deviation[k, 0] - center) < far
    for a in range(1, 3):
        for i in range(count):
            values[i] = deviation[chosen[i], a]
        middle = _upper_median(values)
        for k in range(n):
            far = OUTLIER_SIGMA * np.sqrt(variance[k, a] + 4.0 * excess)
            good[k] &= abs(deviation[k, a] - middle) < far
    count = 0
    for k in range(n):
        count += good[k]
    return excess, good if count > 0 else known


@inlined
def _center_and_spread(values):
    """Center and standard deviation of the main crowd of a sample, even where it is a minority.

    The densest half gives the mode and, being 2 * 0.6745 sigma wide in a Gaussian, a spread;
    median and median absolute deviation of what lies within three such spreads refine them.
    The values are sorted in place.
    """
    n = len(values)
    sort(values)
    center = _mode(values)
    distance = np.empty(n)
    for k in range(n):
        distance[k] = abs(values[k] - center)
    spread = _upper_median(distance) / 0.674490
    first = 0
    while abs(values[first] - center) > 3.0 * spread:
        first += 1
    end = first
    while end < n and abs(values[end] - center) <= 3.0 * spread:
        end += 1
    if end - first < 3:
        mean, squares = 0.0, 0.0
        for k in range(n):
            mean += values[k] / n
        for k in range(n):
            squares += (values[k] - mean) ** 2 / n
        return mean, np.sqrt(squares)
    center = values[first + (end - first) // 2]
    for k in range(first, end):
        distance[k] = abs(values[k] - center)
    return center, 1.482602 * _upper_median(distance[first:end])


@compiled
def _mode(ranked):
    """Mode of sorted values; see `half_sample_mode`."""
    first, n = 0, len(ranked)
    while n > 2:
        half = (n + 1) // 2
        best, narrowest = first, np.inf
        for k in range(first, first + n - half + 1):
            width = ranked[k + half - 1] - ranked[k]
            if width < narrowest:
                best, narrowest = k, width
        first, n = best, half
    return 0.5 * (ranked[first] + ranked[first + n - 1])


@inner
def _upper_median(values):
    """Upper median; the values are sorted in place."""
    sort(values)
    return values[len(values) // 2]
