"""How the lines of spikes lie through a single or a three-fold mask, by the numbers fitted."""

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.optics import lean_of
from starwinnow.focus_mask.reading import MaskKind
from starwinnow.focus_mask.spike_profile import profile_tables, single_parts, three_fold_parts

__all__ = ["SINGLE", "THREE_FOLD", "Layout"]

FloatArray = NDArray[np.float64]

# Makers cut both outer fans alike: their angles differ by no more than about this.
_SKEW_DEG = 0.4
_OUTER_DEG = (8.0, 36.0)
_WIDTH_PX = (0.4, 4.0)
_FARTHEST_PX = 25.0
_LARGEST_MOVE_PX, _LARGEST_TURN, _LARGEST_WIDENING_PX = 1.5, 0.05, 0.4


class Layout(Protocol):
    """What the fit needs to know of a mask.

    Attributes
    ----------
    kind : {'single', 'three-fold'}
    low, high, largest_step, firmness : ndarray, shape (n,)
        Limits of the numbers fitted, of one step, and 1 / variance of what is known beforehand.
    places : list of int
        Which numbers are places, px.
    turn, outer, width : int
        Which are the first centre spike's direction, the outer angle (radians), the width (px).
    table_of_line : ndarray of int, shape (lines,)
        Profile of each line: 0 of straight slits, 1 of turned ones.
    """

    kind: MaskKind
    low: FloatArray
    high: FloatArray
    largest_step: FloatArray
    firmness: FloatArray
    places: list[int]
    turn: int
    outer: int
    width: int
    table_of_line: NDArray[np.int64]

    def lines(self, params: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Directions (radians), distances (px) and their change with the parameters."""

    def offsets(self, params: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Spike offset of each triple, px, and its change with the parameters."""

    def crossing(self, params: FloatArray) -> tuple[float, float]:
        """Mean crossing of the outer pairs from the star's centre, px."""

    def skew(self, params: FloatArray) -> float:
        """Half the difference of the outer angles, radians."""

    def tables(self, params: FloatArray, chevron: int, detail_px: float) -> FloatArray:
        """Profiles across spikes of straight and of turned slits; see `profile_tables`."""


class _Single:
    """Crossing x, y, direction, outer angle, half the outer angles' difference, offset, width."""

    kind: MaskKind = "single"
    turn, outer, width = 2, 3, 6
    places = [0, 1, 5]  # noqa: RUF012
    table_of_line = np.array([0, 1, 1])
    low = np.array([
        -_FARTHEST_PX, -_FARTHEST_PX, -np.inf, np.radians(_OUTER_DEG[0]), -np.radians(3),
        -_FARTHEST_PX, _WIDTH_PX[0],
    ])  # fmt: skip
    high = np.array([
        _FARTHEST_PX, _FARTHEST_PX, np.inf, np.radians(_OUTER_DEG[1]), np.radians(3),
        _FARTHEST_PX, _WIDTH_PX[1],
    ])  # fmt: skip
    largest_step = np.array([
        _LARGEST_MOVE_PX, _LARGEST_MOVE_PX, _LARGEST_TURN, _LARGEST_TURN, 0.02,
        _LARGEST_MOVE_PX, _LARGEST_WIDENING_PX,
    ])  # fmt: skip
    firmness = np.array([0, 0, 0, 0, np.radians(_SKEW_DEG) ** -2, 0, 0])

    def lines(self, params: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        x, y, turn, outer, skew, offset, _ = params
        directions = np.array([turn, turn + outer + skew, turn - outer + skew])
        c, s = np.cos(directions), np.sin(directions)
        distances = y * c - x * s + np.array([offset, 0.0, 0.0])
        change = np.zeros((7, 7))
        change[:3, 0], change[:3, 1], change[0, 5] = -s, c, 1
        turning = np.array([[1.0, 0, 0], [1, 1, 1], [1, -1, 1]])
        change[3:6, 2:5] = turning
        change[:3, 2:5] = (-y * s - x * c)[:, None] * turning
        change[6, 6] = 1
        return directions, distances, change

    def offsets(self, params: FloatArray) -> tuple[FloatArray, FloatArray]:
        change = np.zeros((1, 7))
        change[0, 5] = 1
        return params[5:6], change

    def crossing(self, params: FloatArray) -> tuple[float, float]:
        return float(params[0]), float(params[1])

    def skew(self, params: FloatArray) -> float:
        return float(params[4])

    def tables(self, params: FloatArray, chevron: int, detail_px: float) -> FloatArray:
        outer, offset, sigma = params[3], params[5], params[6]
        # Ray optics: offset = radius * (2 + lean) * 4 / (3 pi), from the parts' centroids.
        radius = offset / (4 / (3 * np.pi) * (2 + chevron * np.tan(outer)))
        parts = single_parts(round(float(np.degrees(outer))), chevron)
        return np.array([profile_tables(part, radius, detail_px, sigma) for part in parts])


class _ThreeFold:
    """Direction, outer angle, width, then the distances of the nine lines, each triple's own.

    Distances are free, so that a mirror out of line may move each triple as it does.
    """

    kind: MaskKind = "three-fold"
    turn, outer, width = 0, 1, 2
    places = list(range(3, 12))  # noqa: RUF012
    table_of_line = np.array([0, 1, 1] * 3)
    low = np.array([-np.inf, np.radians(_OUTER_DEG[0]), _WIDTH_PX[0]] + [-_FARTHEST_PX] * 9)
    high = np.array([np.inf, np.radians(_OUTER_DEG[1]), _WIDTH_PX[1]] + [_FARTHEST_PX] * 9)
    largest_step = np.array(
        [_LARGEST_TURN, _LARGEST_TURN, _LARGEST_WIDENING_PX] + [_LARGEST_MOVE_PX] * 9
    )
    firmness = np.zeros(12)

    def lines(self, params: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        side = np.array([0.0, 1.0, -1.0] * 3)
        directions = params[0] + np.repeat(np.arange(3) * 2 * np.pi / 3, 3) + side * params[1]
        change = np.zeros((19, 12))
        change[:9, 3:] = np.eye(9)
        change[9:18, 0], change[9:18, 1] = 1, side
        change[18, 2] = 1
        return directions, params[3:], change

    def offsets(self, params: FloatArray) -> tuple[FloatArray, FloatArray]:
        outer, distances = params[1], params[3:].reshape(3, 3)
        # The outer lines' normals add up to 2 cos(outer) times the centre line's.
        both = distances[:, 1] + distances[:, 2]
        change = np.zeros((3, 12))
        for k in range(3):
            change[k, 3 + 3 * k : 6 + 3 * k] = [1, -0.5 / np.cos(outer), -0.5 / np.cos(outer)]
        change[:, 1] = -both * np.sin(outer) / (2 * np.cos(outer) ** 2)
        return distances[:, 0] - both / (2 * np.cos(outer)), change

    def crossing(self, params: FloatArray) -> tuple[float, float]:
        turns = params[0] + np.arange(3) * 2 * np.pi / 3
        _, one, other = params[3:].reshape(3, 3).T
        across, along = (one + other) / np.cos(params[1]) / 2, (other - one) / np.sin(params[1]) / 2
        x = along * np.cos(turns) - across * np.sin(turns)
        y = along * np.sin(turns) + across * np.cos(turns)
        return float(x.mean()), float(y.mean())

    def skew(self, params: FloatArray) -> float:
        return 0.0

    def tables(self, params: FloatArray, chevron: int, detail_px: float) -> FloatArray:
        outer_deg = float(np.degrees(params[1]))
        straight, turned = three_fold_parts(round(outer_deg), chevron)
        arm = -straight.centroid
        # Ray optics: the centre spike moves by its part's centroid, the crossing by its own.
        arms = arm * (1 + 1 / lean_of("three-fold", outer_deg, "+" if chevron > 0 else "-"))
        radius = float(self.offsets(params)[0].mean()) / arms
        return np.array(
            [profile_tables(part, radius, detail_px, params[2]) for part in (straight, turned)]
        )


SINGLE: Layout = _Single()
THREE_FOLD: Layout = _ThreeFold()
