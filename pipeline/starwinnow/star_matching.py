"""Two lists of star positions -> the shift and turn that lays one on the other, or none."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import pdtrc

from starwinnow.pair_fit import FEWEST_MATCHES, final_fit, in_reference, settled_pairs
from starwinnow.placement_votes import candidates

__all__ = ["Placement", "StarField", "image_centre", "place"]

Positions = NDArray[np.float64]
Rows = NDArray[np.intp]

_MOST_STARS = 1500
# A placement is believed when fewer than this many as good are expected by chance among all
# shifts and turns. The expectation is good to a factor of some tens (stars cluster, the
# matching radius is chosen after the fact), so the limit leaves that margin and still lets
# fewer than one in ten thousand foreign fields pass.
_CHANCE_LIMIT = 1e-6
# A placement that matches this part of the shorter list needs no rival.
_ENOUGH_MATCHED = 0.5
# Within this distance of our stars the reference's stars are counted, px.
_CROWD_RADIUS_PX = 50.0


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
    if min(len(ours), len(theirs)) < FEWEST_MATCHES:
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
    """Shift and turn of two star lists, about the reference's centre."""

    def __init__(
        self, frame: StarField, reference: StarField, ours: Positions, theirs: Positions
    ) -> None:
        self.ours = np.ascontiguousarray(ours)
        self.theirs = np.ascontiguousarray(theirs)
        self.our_variance = frame.err_px[:_MOST_STARS] ** 2
        self.their_variance = reference.err_px[:_MOST_STARS] ** 2
        self.by_x = np.argsort(self.theirs[:, 0])
        self.shape = frame.shape
        self.reference_shape = reference.shape

    def refine(self, turn: float, shift: Positions) -> Placement | None:
        """Fit a candidate on all stars it brings together; None when chance explains it."""
        lists = self.ours, self.our_variance, self.theirs, self.their_variance
        start = (float(turn), float(shift[0]), float(shift[1]))
        turn, shift_x, shift_y, area, *rows = settled_pairs(*lists, self.by_x, start)
        if len(rows[0]) == 0:
            return None
        here = in_reference(self.ours, turn, shift_x, shift_y)
        if self._chance_placements(here, len(rows[0]), area) > _CHANCE_LIMIT:
            return None
        turn, turn_err, shift_x, shift_y, shift_err = final_fit(*lists, *rows)
        return Placement(
            shift_px=np.array([shift_x, shift_y]),
            shift_err_px=shift_err,
            turn_rad=turn,
            turn_err_rad=turn_err,
            frame_rows=rows[0],
            reference_rows=rows[1],
        )

    def _chance_placements(self, here: Positions, matches: int, area: float) -> float:
        """How many placements with as many matches two unrelated lists would offer, at most.

        A contrario reasoning (Desolneux, Moisan & Morel, from memory): at one shift and turn
        the chance matches are Poisson with mean (our stars inside the reference) x (density of
        its stars) x (matching area); this times the number of distinct shifts and turns, each a
        matching radius wide at the corner. The density is the larger of the mean one and the
        one found around our stars, for stars cluster.
        """
        ny, nx = self.reference_shape
        inside = here[(np.abs(here[:, 0]) <= nx / 2) & (np.abs(here[:, 1]) <= ny / 2)]
        shifts = (nx + self.shape[1]) * (ny + self.shape[0]) / area
        turns = np.pi * np.hypot(nx, ny) / np.sqrt(area / np.pi)
        crowd_area = np.pi * _CROWD_RADIUS_PX**2
        # No crowd is denser than all stars within one; most placements are settled by that, and
        # counting takes longer than all else here.
        densest = len(inside) * len(self.theirs) / min(crowd_area, nx * ny)
        most = float(shifts * turns * pdtrc(matches - 1, area * densest))
        if most <= _CHANCE_LIMIT:
            return most
        tree = cKDTree(self.theirs)
        around = tree.query_ball_point(inside, _CROWD_RADIUS_PX, return_length=True).sum()
        by_mean = len(inside) * len(self.theirs) / (nx * ny)
        by_crowd = (around - matches) / crowd_area
        return float(shifts * turns * pdtrc(matches - 1, area * max(by_mean, by_crowd)))
