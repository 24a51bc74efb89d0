"""Squares cut from a frame about some places: the light there, whatever kind of pixels it had."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled
from starwinnow.frame import Pixels

__all__ = ["Cutouts", "cut"]


# A cell of the background's mesh.
_LARGEST_PLANE_PX = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutouts:
    """Light about n places.

    Attributes
    ----------
    light_adu : ndarray of float32, shape (n, side, side)
        Above the background; NaN outside of the frame, where pixels have no value, and where
        another object's light is.
    corner_px : ndarray of int64, shape (n, 2)
        x and y in the frame of each square's first pixel.
    """

    light_adu: NDArray[np.float32]
    corner_px: NDArray[np.int64]

    @property
    def flat(self) -> tuple[NDArray[np.float32], int]:
        """The squares row by row, shape (n, side^2), and their side."""
        count, side, _ = self.light_adu.shape
        return self.light_adu.reshape(count, side * side), side

    def of(self, chosen: NDArray[np.bool_] | NDArray[np.intp] | slice) -> "Cutouts":
        """Pick some of the squares."""
        return Cutouts(light_adu=self.light_adu[chosen], corner_px=self.corner_px[chosen])


def cut(
    pixels: Pixels,
    background: Background,
    places: NDArray[np.float64],
    reach_px: float,
    others: NDArray[np.float64],
    margin_px: int = 0,
) -> Cutouts:
    """Cut squares that reach at least so far about each place, and about half a pixel beside it.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU.
    background : Background
    places : ndarray of float64, shape (n, 2)
        x and y, px.
    reach_px : float
    others : ndarray of float64, shape (n, m, 3)
        x, y and reach of other objects' light, px; NaN where there are fewer than m. Pixels
        nearer to another object, or within its reach, are left out.
    margin_px : int
        So much farther on each side, for places that will move.

    Returns
    -------
    Cutouts
    """
    half = int(np.ceil(reach_px)) + margin_px
    light = np.empty((len(places), 2 * half + 1, 2 * half + 1), np.float32)
    corner = np.empty((len(places), 2), np.int64)
    _cut(pixels, background.mesh_adu, background.cells_per_px, places, others, corner, light)
    return Cutouts(light_adu=light, corner_px=corner)


@compiled
def _cut(pixels, mesh, cells_per_px, places, others, corner, light):
    ny, nx = pixels.shape
    side = light.shape[1]
    half = side // 2
    for k in range(len(corner)):
        for axis in range(2):
            # What has no place lies outside of the frame.
            place = places[k, axis] if np.isfinite(places[k, axis]) else -1e6
            corner[k, axis] = int(np.floor(place + 0.5)) - half
        left, top = corner[k, 0], corner[k, 1]
        # Across a small square the background is as good as a plane; it has kinks at the middles of
        # the mesh's cells, of which a large one shows more.
        x, y = float(left + half), float(top + half)
        base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x)
        slope_x = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x + 1.0) - base
        slope_y = level_at(mesh, cells_per_px[0], cells_per_px[1], y + 1.0, x) - base
        low = min(max(-left, 0), side)
        high = min(max(nx - left, low), side)
        first, last = min(max(-top, 0), side), max(min(ny - top, side), 0)
        if low > 0 or high < side or first > 0 or last < side:
            for v in range(side):
                for u in range(side):
                    light[k, v, u] = np.nan
        step, start = np.float32(slope_x), np.float32(low - half)
        for v in range(first, last):
            level = base + slope_y * (v - half)
            if side > _LARGEST_PLANE_PX:
                level = level_at(mesh, cells_per_px[0], cells_per_px[1], float(top + v), x)
            level = np.float32(level) + step * start
            seen, stored = light[k, v, low:high], pixels[top + v, left + low : left + high]
            for i in range(len(seen)):
                seen[i] = np.float32(stored[i]) - (level + step * np.float32(i))
        own_x, own_y = np.float32(places[k, 0] - left), np.float32(places[k, 1] - top)
        for m in range(others.shape[1]):
            if np.isnan(others[k, m, 0]):
                break
            x0, y0 = np.float32(others[k, m, 0] - left), np.float32(others[k, m, 1] - top)
            lit = np.float32(others[k, m, 2] ** 2)
            for v in range(side):
                own_up, up = np.float32(v) - own_y, np.float32(v) - y0
                own_up, up, seen = own_up * own_up, up * up, light[k, v]
                for u in range(side):
                    own_right, right = np.float32(u) - own_x, np.float32(u) - x0
                    nearest = max(own_right * own_right + own_up, lit)
                    other = right * right + up < nearest
                    seen[u] = np.float32(np.nan) if other else seen[u]
