"""Which stars of two lists are the same, and the shift and turn between them, compiled.

Lists are positions of shape (n, 2) about the reference's image centre, px, with the variance of
each per axis, px^2. A reference position p lands in the frame at R p + shift.
"""

import math

import numpy as np

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.ranking import median

__all__ = ["FEWEST_MATCHES", "START_RADIUS_PX", "final_fit", "in_reference", "settled_pairs"]

FEWEST_MATCHES = 3
"""Fewer stars tell nothing."""

START_RADIUS_PX = 8.0
"""Matching radius at the start of a fit: covers a cell of the votes, or a turn of a quarter of a
degree at 1,500 px."""

# Two lists of detections are never taken to agree better than this, px.
_LEAST_RADIUS_PX = 0.4
# Stars farther from their prediction than this many standard deviations are dropped; it costs
# one good star in 3,000 (Rayleigh distribution).
_CLIP_SIGMA = 4.0
_MOST_STEPS = 12
# Least scatter per axis taken for a star beside its centroid error, px: pixels are not uniform
# and the air moves stars apart (common practice, no source). Without it one very bright star
# would decide alone when there are few.
_LEAST_SCATTER_PX = 0.02


@compiled
def settled_pairs(ours, our_variance, theirs, their_variance, by_x, start):
    """Fit a candidate on all stars it brings together, until the pairs settle.

    Besides the centroid errors the stars get one common variance for what those leave out
    (air, optics), taken from the median distance from the prediction and shrinking step by
    step; the matching radius follows from both. It ends when neither the pairs nor the
    variance change: pairs chosen about a candidate that is a little off favour it.

    Parameters
    ----------
    ours, theirs : ndarray, shapes (n, 2) and (m, 2)
    our_variance, their_variance : ndarray, shapes (n,) and (m,)
    by_x : ndarray of intp, shape (m,)
        Rows of `theirs` in the order of their x.
    start : tuple of float
        The candidate: turn, and shift in x and y.

    Returns
    -------
    turn, shift_x, shift_y : float
    area : float
        Mean area in which a star is looked for, px^2.
    our_rows, their_rows : ndarray of intp, shape (k,)
        Pairs, in the order of `theirs`; none where they are too few.
    """
    turn, shift_x, shift_y = start
    extra = (START_RADIUS_PX / _CLIP_SIGMA) ** 2
    rows = (np.empty(0, np.intp), np.empty(0, np.intp))
    variance = np.empty(0)
    settled = False
    for _ in range(_MOST_STEPS):
        known_rows = rows
        place = turn, shift_x, shift_y
        rows = _pairs(ours, our_variance, theirs, their_variance, by_x, place, extra)
        if len(rows[0]) < FEWEST_MATCHES:
            return turn, shift_x, shift_y, 0.0, rows[0][:0], rows[1][:0]
        variance = _joint_variance(our_variance, their_variance, rows)
        if settled and _same(known_rows[0], rows[0]) and _same(known_rows[1], rows[1]):
            break
        squared = _squared_distance(ours, theirs, rows, place)
        weights = np.empty(len(squared))
        median_variance = median(variance)
        beside = max(_unexplained(squared, median_variance, 1.0), _LEAST_SCATTER_PX**2)
        # Cauchy weights about the present prediction: one false pair must not pull few stars.
        for k in range(len(weights)):
            weights[k] = 1.0 / (variance[k] + beside + squared[k])
        place = _solve(ours, theirs, rows, weights)
        turn, shift_x, shift_y = place
        count = 2 * len(variance)
        squared = _squared_distance(ours, theirs, rows, place)
        known = extra
        extra = min(known, _unexplained(squared, median_variance, count / (count - 3)))
        settled = extra > 0.8 * known or extra < _LEAST_SCATTER_PX**2
    area = 0.0
    for one in variance:
        area += math.pi * _matching_radius(one + extra) ** 2 / len(variance)
    return turn, shift_x, shift_y, area, rows[0], rows[1]


@compiled
def final_fit(ours, our_variance, theirs, their_variance, our_rows, their_rows):
    """Fit pairs with the common variance that makes chi^2 its degrees of freedom.

    As for a mean (Paule & Mandel 1982, J. Res. NBS 87, 377, from memory); errors are wider
    for few stars, as Student's distribution is.

    Returns
    -------
    turn, turn_err : float
        Radians.
    shift_x, shift_y, shift_err : float
        Of the reference's image centre, px; the error is per axis.
    """
    rows = our_rows, their_rows
    variance = _joint_variance(our_variance, their_variance, rows)
    n = len(our_rows)
    freedom = 2 * n - 3
    extra = _LEAST_SCATTER_PX**2
    weights = np.empty(n)
    turn, shift_x, shift_y = 0.0, 0.0, 0.0
    for _ in range(_MOST_STEPS):
        for k in range(n):
            weights[k] = 1.0 / (variance[k] + extra)
        turn, shift_x, shift_y = _solve(ours, theirs, rows, weights)
        squared = _squared_distance(ours, theirs, rows, (turn, shift_x, shift_y))
        excess, slope = -1.0 * freedom, 0.0
        for k in range(n):
            excess += weights[k] * squared[k]
            slope += weights[k] * squared[k] * weights[k]
        if excess <= 1e-3 * freedom:
            break
        extra += excess / slope
    total, middle_x, middle_y, lever = 0.0, 0.0, 0.0, 0.0
    for k in range(n):
        total += weights[k]
        middle_x += weights[k] * theirs[their_rows[k], 0]
        middle_y += weights[k] * theirs[their_rows[k], 1]
    middle_x, middle_y = middle_x / total, middle_y / total
    for k in range(n):
        off_x, off_y = theirs[their_rows[k], 0] - middle_x, theirs[their_rows[k], 1] - middle_y
        lever += weights[k] * (off_x * off_x + off_y * off_y)
    # A turn error moves the image centre as far as it lies from the stars' middle.
    shift_variance = 1 / total + (middle_x**2 + middle_y**2) / lever / 2
    student = max(freedom, 3) / (max(freedom, 3) - 2)
    shift_err = math.sqrt(student * shift_variance)
    return turn, math.sqrt(student / lever), shift_x, shift_y, shift_err


@compiled
def in_reference(ours, turn, shift_x, shift_y):
    """Our stars where the reference would have them, shape (n, 2)."""
    there = np.empty((len(ours), 2))
    cosine, sine = math.cos(turn), math.sin(turn)
    for row in range(len(ours)):
        x, y = ours[row, 0] - shift_x, ours[row, 1] - shift_y
        there[row, 0] = cosine * x + sine * y
        there[row, 1] = cosine * y - sine * x
    return there


@inner
def _pairs(ours, our_variance, theirs, their_variance, by_x, place, extra):
    """Stars that are nearest to each other and near enough for their errors."""
    turn, shift_x, shift_y = place
    there = in_reference(ours, turn, shift_x, shift_y)
    nearest, squared = np.empty(len(theirs), np.intp), np.empty(len(theirs))
    for other in range(len(theirs)):
        nearest[other], squared[other] = -1, START_RADIUS_PX**2
    for row in range(len(ours)):
        x, y = there[row, 0], there[row, 1]
        first, last = 0, len(by_x)
        while first < last:
            middle = (first + last) // 2
            if theirs[by_x[middle], 0] <= x - START_RADIUS_PX:
                first = middle + 1
            else:
                last = middle
        found, least = -1, START_RADIUS_PX**2
        while first < len(by_x):
            other = by_x[first]
            along = theirs[other, 0] - x
            if along >= START_RADIUS_PX:
                break
            off = along**2 + (theirs[other, 1] - y) ** 2
            if off < least:
                found, least = other, off
            first += 1
        if found >= 0 and least < squared[found]:
            nearest[found], squared[found] = row, least
    our_rows, their_rows = np.empty(len(theirs), np.intp), np.empty(len(theirs), np.intp)
    count = 0
    for other in range(len(theirs)):
        if nearest[other] >= 0:
            variance = our_variance[nearest[other]] + their_variance[other]
            if squared[other] < _matching_radius(variance + extra) ** 2:
                our_rows[count], their_rows[count] = nearest[other], other
                count += 1
    return our_rows[:count], their_rows[:count]


@inner
def _joint_variance(our_variance, their_variance, rows):
    variance = np.empty(len(rows[0]))
    for k in range(len(variance)):
        variance[k] = our_variance[rows[0][k]] + their_variance[rows[1][k]]
    return variance


@inner
def _solve(ours, theirs, rows, weights):
    """Weighted least squares of a turn and a shift: the plane case of Kabsch (1976)."""
    middle, total = np.zeros(4), 0.0
    for k in range(len(weights)):
        total += weights[k]
    for k in range(len(weights)):
        middle[0] += weights[k] * ours[rows[0][k], 0]
        middle[1] += weights[k] * ours[rows[0][k], 1]
        middle[2] += weights[k] * theirs[rows[1][k], 0]
        middle[3] += weights[k] * theirs[rows[1][k], 1]
    for m in range(4):
        middle[m] /= total
    cross, dot = 0.0, 0.0
    for k in range(len(weights)):
        bx, by = ours[rows[0][k], 0] - middle[0], ours[rows[0][k], 1] - middle[1]
        ax, ay = theirs[rows[1][k], 0] - middle[2], theirs[rows[1][k], 1] - middle[3]
        cross += weights[k] * (ax * by - ay * bx)
        dot += weights[k] * (ax * bx + ay * by)
    turn = math.atan2(cross, dot)
    cosine, sine = math.cos(turn), math.sin(turn)
    shift_x = middle[0] - (cosine * middle[2] - sine * middle[3])
    shift_y = middle[1] - (sine * middle[2] + cosine * middle[3])
    return turn, shift_x, shift_y


@inner
def _squared_distance(ours, theirs, rows, place):
    """Squared distance of matched stars from their prediction, px^2."""
    turn, shift_x, shift_y = place
    cosine, sine = math.cos(turn), math.sin(turn)
    squared = np.empty(len(rows[0]))
    for k in range(len(squared)):
        x, y = theirs[rows[1][k], 0], theirs[rows[1][k], 1]
        off_x = ours[rows[0][k], 0] - shift_x - (cosine * x - sine * y)
        off_y = ours[rows[0][k], 1] - shift_y - (sine * x + cosine * y)
        squared[k] = off_x**2 + off_y**2
    return squared


@inner
def _unexplained(squared, median_variance, inflation):
    """Variance per axis beside the centroid errors, from the median distance, px^2."""
    spread = median(squared) / (2 * math.log(2.0))
    return max(spread * inflation - median_variance, 0.0)


@compiled
def _same(rows, others):
    if len(rows) != len(others):
        return False
    different = 0
    for k in range(len(rows)):
        different += rows[k] != others[k]
    return different == 0


@inlined
def _matching_radius(variance):
    """How far a star may lie from its prediction, px."""
    radius = _CLIP_SIGMA * math.sqrt(variance)
    return min(max(radius, _LEAST_RADIUS_PX), START_RADIUS_PX)
