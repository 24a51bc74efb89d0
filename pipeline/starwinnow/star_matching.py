"""Two lists of star positions -> the shift and turn that lays one on the other, or none."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import pdtrc

from starwinnow.placement_votes import candidates, turned

__all__ = ["Placement", "StarField", "image_centre", "place"]

Positions = NDArray[np.float64]
Rows = NDArray[np.intp]

_FEWEST_MATCHES = 3
_MOST_STARS = 1500
# Matching radius at the start of a fit, px: covers a cell of the votes, or a turn of a quarter
# of a degree at 1,500 px.
_START_RADIUS_PX = 8.0
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
# A placement is believed when fewer than this many as good are expected by chance among all
# shifts and turns. The expectation is good to a factor of some tens (stars cluster, the
# matching radius is chosen after the fact), so the limit leaves that margin and still lets
# fewer than one in ten thousand foreign fields pass.
_CHANCE_LIMIT = 1e-6
# A placement that matches this part of the shorter list needs no rival.
_ENOUGH_MATCHED = 0.5
# Within this distance of our stars the reference's stars are counted, px.
_CROWD_RADIUS_PX = 50.0
_NO_PAIRS = (np.empty(0, np.intp), np.empty(0, np.intp))


@dataclass(frozen=True, slots=True, kw_only=True)
class StarField:
    """Star positions of one frame, brightest first.

    Attributes
    ----------
    xy_px : ndarray of float64, shape (n, 2)
        Positions, px; the first pixel's centre is (0, 0).
    err_px : ndarray of float64, shape (n,)
        Standard error per axis, px.
    shape : tuple of int
        (ny, nx) of the frame.
    """

    xy_px: Positions
    err_px: NDArray[np.float64]
    shape: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """A shift and turn that carries reference positions into the frame.

    A reference position p lands at R (p - c) + c + shift, with c the reference's image centre.

    Attributes
    ----------
    shift_px : ndarray of float64, shape (2,)
        Shift of the reference's image centre, px.
    shift_err_px : float
        Its standard error per axis, px.
    turn_rad, turn_err_rad : float
        Turn from +x towards +y and its standard error.
    frame_rows, reference_rows : ndarray of intp, shape (m,)
        Stars matched with each other.
    """

    shift_px: Positions
    shift_err_px: float
    turn_rad: float
    turn_err_rad: float
    frame_rows: Rows
    reference_rows: Rows


def image_centre(shape: tuple[int, int]) -> tuple[float, float]:
    """(x, y) of the middle of an image of shape (ny, nx), px."""
    return (shape[1] - 1) / 2, (shape[0] - 1) / 2


def place(frame: StarField, reference: StarField) -> Placement | None:
    """Find how the reference lies in a frame of the same scale; None when nothing is certain.

    The difference vectors of the brightest stars vote for a shift. Where that gives nothing
    (a turned field), pairs of stars of equal length vote for turn and shift together. Each
    candidate is refined on all stars and must then beat chance, see `_chance_placements`. While
    it leaves more than half of the stars alone the next ones are tried too, and the one that
    matches most wins: evenly spread stars beat chance in wrong places as well.

    Parameters
    ----------
    frame, reference : StarField
        The two star lists; beyond the brightest 1,500 stars are not looked at.

    Returns
    -------
    Placement or None
        None when no candidate is too good to be chance.
    """
    centre = np.array(image_centre(reference.shape))
    ours = frame.xy_px[:_MOST_STARS] - centre
    theirs = reference.xy_px[:_MOST_STARS] - centre
    if min(len(ours), len(theirs)) < _FEWEST_MATCHES:
        return None
    fit = _Fit(frame, reference, ours, theirs)
    enough = _ENOUGH_MATCHED * min(len(ours), len(theirs))
    best: Placement | None = None
    for turn, shift in candidates(ours, theirs, float(np.hypot(*centre))):
        placement = fit.refine(turn, shift)
        if placement is None:
            continue
        if best is None or len(placement.frame_rows) > len(best.frame_rows):
            best = placement
        if len(best.frame_rows) >= enough:
            break
    return best


class _Fit:
    """Least squares of shift and turn on two star lists, about the reference's centre."""

    def __init__(
        self, frame: StarField, reference: StarField, ours: Positions, theirs: Positions
    ) -> None:
        self.ours = ours
        self.theirs = theirs
        self.our_variance = frame.err_px[:_MOST_STARS] ** 2
        self.their_variance = reference.err_px[:_MOST_STARS] ** 2
        self.shape = frame.shape
        self.reference_shape = reference.shape
        self.tree = cKDTree(theirs)

    def refine(self, turn: float, shift: Positions) -> Placement | None:
        """Fit a candidate on all stars it brings together; None when chance explains it.

        Besides the centroid errors the stars get one common variance for what those leave out
        (air, optics), taken from the median distance from the prediction and shrinking step by
        step; the matching radius follows from both. It ends when neither the pairs nor the
        variance change: pairs chosen about a candidate that is a little off favour it.
        """
        extra = (_START_RADIUS_PX / _CLIP_SIGMA) ** 2
        rows, settled = _NO_PAIRS, False
        for _ in range(_MOST_STEPS):
            known_rows, rows = rows, self._pairs(turn, shift, extra)
            if len(rows[0]) < _FEWEST_MATCHES:
                return None
            if settled and all(map(np.array_equal, known_rows, rows)):
                break
            turn, shift = self._solve(rows, self._robust_weights(turn, shift, rows))
            freedom = 2 * len(rows[0]) - 3
            known = extra
            extra = min(known, self._unexplained(turn, shift, rows, 2 * len(rows[0]) / freedom))
            settled = extra > 0.8 * known or extra < _LEAST_SCATTER_PX**2
        if self._chance_placements(turn, shift, rows, extra) > _CHANCE_LIMIT:
            return None
        return self._placement(rows)

    def _in_reference(self, turn: float, shift: Positions) -> Positions:
        """Our stars where the reference would have them."""
        return turned(self.ours - shift, -turn)

    def _variance(self, rows: tuple[Rows, Rows]) -> NDArray[np.float64]:
        """Variance per axis that the centroid errors of both frames give matched stars, px^2."""
        variance: NDArray[np.float64] = self.our_variance[rows[0]] + self.their_variance[rows[1]]
        return variance

    def _squared_distance(
        self, turn: float, shift: Positions, rows: tuple[Rows, Rows]
    ) -> NDArray[np.float64]:
        """Squared distance of matched stars from their prediction, px^2."""
        off = self.ours[rows[0]] - shift - turned(self.theirs[rows[1]], turn)
        squared: NDArray[np.float64] = np.sum(off * off, axis=1)
        return squared

    def _unexplained(
        self, turn: float, shift: Positions, rows: tuple[Rows, Rows], inflation: float = 1.0
    ) -> float:
        """Variance per axis beside the centroid errors, from the median distance, px^2."""
        spread = float(np.median(self._squared_distance(turn, shift, rows))) / (2 * math.log(2))
        return max(spread * inflation - float(np.median(self._variance(rows))), 0.0)

    def _robust_weights(
        self, turn: float, shift: Positions, rows: tuple[Rows, Rows]
    ) -> NDArray[np.float64]:
        """Cauchy weights about the present prediction: one false pair must not pull few stars."""
        extra = max(self._unexplained(turn, shift, rows), _LEAST_SCATTER_PX**2)
        variance = self._variance(rows) + extra
        weights: NDArray[np.float64] = 1 / (variance + self._squared_distance(turn, shift, rows))
        return weights

    def _pairs(self, turn: float, shift: Positions, extra: float) -> tuple[Rows, Rows]:
        """Stars that are nearest to each other and near enough for their errors."""
        found = self.tree.query(
            self._in_reference(turn, shift), distance_upper_bound=_START_RADIUS_PX
        )
        distance, nearest = np.asarray(found[0]), np.asarray(found[1])
        order = np.argsort(distance, kind="stable")
        order = order[: np.searchsorted(distance[order], _START_RADIUS_PX)]
        theirs, first = np.unique(nearest[order], return_index=True)
        ours = order[first]
        limit = _matching_radius(self._variance((ours, theirs)) + extra)
        near = distance[ours] < limit
        return ours[near], theirs[near]

    def _solve(
        self, rows: tuple[Rows, Rows], weights: NDArray[np.float64]
    ) -> tuple[float, Positions]:
        """Weighted least squares of a turn and a shift: the plane case of Kabsch (1976)."""
        ours, theirs = self.ours[rows[0]], self.theirs[rows[1]]
        our_middle = weights @ ours / np.sum(weights)
        their_middle = weights @ theirs / np.sum(weights)
        a, b = theirs - their_middle, ours - our_middle
        cross = np.sum(weights * (a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]))
        dot = np.sum(weights * (a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1]))
        turn = float(np.arctan2(cross, dot))
        return turn, our_middle - turned(their_middle, turn)

    def _chance_placements(
        self, turn: float, shift: Positions, rows: tuple[Rows, Rows], extra: float
    ) -> float:
        """How many placements with as many matches two unrelated lists would offer, at most.

        A contrario reasoning (Desolneux, Moisan & Morel, from memory): at one shift and turn
        the chance matches are Poisson with mean (our stars inside the reference) x (density of
        its stars) x (matching area); this times the number of distinct shifts and turns, each a
        matching radius wide at the corner. The density is the larger of the mean one and the
        one found around our stars, for stars cluster.
        """
        matches = len(rows[0])
        area = float(np.mean(_matching_radius(self._variance(rows) + extra) ** 2)) * np.pi
        here = self._in_reference(turn, shift)
        ny, nx = self.reference_shape
        inside = here[np.all(np.abs(here) <= np.array([nx, ny]) / 2, axis=1)]
        shifts = (nx + self.shape[1]) * (ny + self.shape[0]) / area
        turns = np.pi * np.hypot(nx, ny) / np.sqrt(area / np.pi)
        crowd_area = np.pi * _CROWD_RADIUS_PX**2
        # No crowd is denser than all stars within one; most placements are settled by that, and
        # counting takes longer than all else here.
        densest = len(inside) * len(self.theirs) / min(crowd_area, nx * ny)
        most = float(shifts * turns * pdtrc(matches - 1, area * densest))
        if most <= _CHANCE_LIMIT:
            return most
        around = self.tree.query_ball_point(inside, _CROWD_RADIUS_PX, return_length=True).sum()
        by_mean = len(inside) * len(self.theirs) / (nx * ny)
        by_crowd = (around - matches) / crowd_area
        return float(shifts * turns * pdtrc(matches - 1, area * max(by_mean, by_crowd)))

    def _placement(self, rows: tuple[Rows, Rows]) -> Placement:
        """Fit once more with the common variance that makes chi^2 its degrees of freedom.

        As for a mean (Paule & Mandel 1982, J. Res. NBS 87, 377, from memory); errors are wider
        for few stars, as Student's distribution is.
        """
        centroid_variance = self._variance(rows)
        freedom = 2 * len(rows[0]) - 3
        extra = _LEAST_SCATTER_PX**2
        for _ in range(_MOST_STEPS):
            weights = 1 / (centroid_variance + extra)
            turn, shift = self._solve(rows, weights)
            squares = weights * self._squared_distance(turn, shift, rows)
            excess = float(np.sum(squares)) - freedom
            if excess <= 1e-3 * freedom:
                break
            extra += excess / float(np.sum(squares * weights))
        theirs = self.theirs[rows[1]]
        middle = weights @ theirs / np.sum(weights)
        lever = np.sum(weights * np.sum((theirs - middle) ** 2, axis=1))
        # a turn error moves the image centre as far as it lies from the stars' middle
        shift_variance = 1 / np.sum(weights) + np.sum(middle**2) / lever / 2
        student = max(freedom, 3) / (max(freedom, 3) - 2)
        return Placement(
            shift_px=shift,
            shift_err_px=float(np.sqrt(student * shift_variance)),
            turn_rad=turn,
            turn_err_rad=float(np.sqrt(student / lever)),
            frame_rows=rows[0],
            reference_rows=rows[1],
        )


def _matching_radius(variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far a star may lie from its prediction, px."""
    radius: NDArray[np.float64] = np.clip(
        _CLIP_SIGMA * np.sqrt(variance), _LEAST_RADIUS_PX, _START_RADIUS_PX
    )
    return radius
