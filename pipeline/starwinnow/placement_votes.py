"""Candidates for how two star lists lie on each other, by letting stars and pairs vote."""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled

__all__ = ["candidates", "turned"]

Points = NDArray[np.float64]

# Pairs count as equally long within this much, px: centroid errors of faint stars and the
# little that refraction changes over a night.
_EQUAL_LENGTH_PX = 1.5
# Shorter pairs tell the turn too poorly to deserve a vote.
_SHORTEST_PAIR_PX = 40.0


class _Vote(NamedTuple):
    """One way to look for candidates."""

    with_turn: bool
    brightest: int
    cell_px: float
    candidates: int


# Few stars are quick and nearly always enough; many find the corner that two frames share.
_VOTES = (
    _Vote(with_turn=False, brightest=60, cell_px=8.0, candidates=2),
    _Vote(with_turn=True, brightest=40, cell_px=8.0, candidates=4),
    _Vote(with_turn=False, brightest=250, cell_px=3.0, candidates=6),
    _Vote(with_turn=True, brightest=100, cell_px=5.0, candidates=6),
)


def turned(xy: Points, angle_rad: float) -> Points:
    """Points of shape (n, 2) turned about the origin from +x towards +y."""
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    result: Points = xy @ np.array([[cosine, sine], [-sine, cosine]])
    return result


def candidates(
    ours: Points, theirs: Points, half_diagonal_px: float
) -> Iterator[tuple[float, Points]]:
    """Offer turns and shifts worth a fit, likeliest and cheapest first, worked out on demand.

    Parameters
    ----------
    ours, theirs : ndarray of float64, shapes (n, 2) and (m, 2)
        Star positions of the frame and its reference about the reference's image centre,
        brightest first, px.
    half_diagonal_px : float
        Distance at which a turn moves stars most, px.

    Yields
    ------
    turn : float
        From +x towards +y, radians.
    shift : ndarray of float64, shape (2,)
        From reference to frame, px.
    """
    for vote in _VOTES:
        few, others = ours[: vote.brightest], theirs[: vote.brightest]
        if vote.with_turn:
            places = _turn_candidates(
                few,
                others,
                cell_px=vote.cell_px,
                half_diagonal_px=half_diagonal_px,
                most=vote.candidates,
            )
            yield from ((place[0], place[1:]) for place in places)
        else:
            shifts = _shift_candidates(few, others, cell_px=vote.cell_px, most=vote.candidates)
            yield from ((0.0, shift) for shift in shifts)


def _shift_candidates(frame: Points, reference: Points, *, cell_px: float, most: int) -> Points:
    """List shifts that many stars agree on, without turn.

    Parameters
    ----------
    frame, reference : ndarray of float64, shapes (n, 2) and (m, 2)
        Points, px.
    cell_px : float
        Votes within a cell of this size count together.
    most : int
        Candidates wanted.

    Returns
    -------
    ndarray of float64, shape (k, 2), k <= most
        Shifts from reference to frame, px, most votes first.
    """
    differences = (frame[:, None, :] - reference[None, :, :]).reshape(-1, 2)
    return _crowded_places(differences, cell_px, most)


def _turn_candidates(
    frame: Points, reference: Points, *, cell_px: float, half_diagonal_px: float, most: int
) -> Points:
    """List turns with shifts that many pairs of stars agree on.

    Two pairs of equal length, one in each list, fix a turn and a shift, in two ways since
    either star may be the first.

    Parameters
    ----------
    frame, reference : ndarray of float64, shapes (n, 2) and (m, 2)
        Points about the reference's image centre, px.
    cell_px : float
        Votes that move no star of the frame by more than about this count together.
    half_diagonal_px : float
        Distance at which a turn moves stars most, px.
    most : int
        Candidates wanted.

    Returns
    -------
    ndarray of float64, shape (k, 3), k <= most
        Turn in radians and shift (x, y) in px, most votes first.
    """
    frame_pairs, reference_pairs = _Pairs(frame), _Pairs(reference)
    first, second = _equal_lengths(frame_pairs.length, reference_pairs.length)
    turn = frame_pairs.angle[first] - reference_pairs.angle[second]
    turn = np.concatenate([turn, turn + np.pi])
    # the cut of the angle lies away from 0 and 180 degrees, where fields usually are
    turn = (turn + 0.7 * np.pi) % (2 * np.pi) - 0.7 * np.pi
    middle = np.tile(reference_pairs.middle[second], (2, 1))
    cosine, sine = np.cos(turn), np.sin(turn)
    shift = np.tile(frame_pairs.middle[first], (2, 1))
    shift[:, 0] -= cosine * middle[:, 0] - sine * middle[:, 1]
    shift[:, 1] -= sine * middle[:, 0] + cosine * middle[:, 1]
    places = np.column_stack([turn * half_diagonal_px, shift])
    places = _crowded_places(places, cell_px, most)
    places[:, 0] /= half_diagonal_px
    return places


class _Pairs:
    """All pairs of a star list, sorted by length: length, direction and middle."""

    def __init__(self, xy: Points) -> None:
        one, other = np.triu_indices(len(xy), 1)
        along = xy[other] - xy[one]
        length = np.hypot(along[:, 0], along[:, 1])
        order = np.argsort(length)
        order = order[length[order] > _SHORTEST_PAIR_PX]
        self.length = length[order]
        self.angle = np.arctan2(along[order, 1], along[order, 0])
        self.middle = (xy[one[order]] + xy[other[order]]) / 2


def _equal_lengths(
    lengths: NDArray[np.float64], others: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """All (row of lengths, row of others) that are equal; both sorted."""
    start = np.searchsorted(others, lengths - _EQUAL_LENGTH_PX)
    count = np.searchsorted(others, lengths + _EQUAL_LENGTH_PX) - start
    first = np.repeat(np.arange(len(lengths)), count)
    within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return first, np.repeat(start, count) + within


def _crowded_places(points: Points, cell: float, most: int) -> Points:
    """Middles of the fullest cells, fullest first, shape (k, d) for points of shape (n, d).

    The cells of several grids, each displaced by half a cell along some axes, are counted, so
    that a crowd on the border of one grid is whole in another.
    """
    if len(points) == 0:
        return points
    keys = _cells(points, cell)
    crowds = [
        (-int(count), number, key)
        for number, in_order in enumerate(np.sort(keys, axis=1))
        for count, key in zip(*_fullest(in_order, most), strict=True)
    ]
    best: list[Points] = []
    for _, number, key in sorted(crowds):
        middle = _middle(points, keys[number], key)
        if all(np.abs(middle - known).max() > cell for known in best):
            best.append(middle)
        if len(best) == most:
            break
    return np.array(best)


@compiled
def _cells(points, cell):
    """Give the number of the cell that each point lies in, shape (2^d, n): one row a grid."""
    count, axes = points.shape
    keys = np.zeros((1 << axes, count), np.int64)
    for axis in range(axes):
        least, most = np.inf, -np.inf
        for row in range(count):
            least, most = min(least, points[row, axis]), max(most, points[row, axis])
        size = int((most - least) / cell) + 2
        # The last axis is the one that the next grid is displaced along.
        bit = 1 << (axes - 1 - axis)
        for grid in range(1 << axes):
            displaced = 0.5 if grid & bit else 0.0
            for row in range(count):
                place = int((points[row, axis] - least) / cell + displaced)
                keys[grid, row] = keys[grid, row] * size + place
    return keys


@compiled
def _middle(points, cells, wanted):
    """Find the mean of the points in a cell, shape (d,)."""
    middle, count = np.zeros(points.shape[1]), 0
    for row in range(len(cells)):
        if cells[row] == wanted:
            count += 1
            for axis in range(points.shape[1]):
                middle[axis] += points[row, axis]
    for axis in range(len(middle)):
        middle[axis] /= count
    return middle


@compiled
def _fullest(in_order, most):
    """Find counts and numbers of the fullest cells, fullest first, of equal ones the first.

    `in_order` holds the cell of each point, sorted.
    """
    counts, keys = np.zeros(most, np.int64), np.zeros(most, np.int64)
    first = 0
    for row in range(1, len(in_order) + 1):
        if row < len(in_order) and in_order[row] == in_order[first]:
            continue
        count, place = row - first, most
        while place > 0 and counts[place - 1] < count:
            place -= 1
        for later in range(most - 1, place, -1):
            counts[later], keys[later] = counts[later - 1], keys[later - 1]
        if place < most:
            counts[place], keys[place] = count, in_order[first]
        first = row
    found = 0
    while found < most and counts[found] > 0:
        found += 1
    return counts[:found], keys[:found]
