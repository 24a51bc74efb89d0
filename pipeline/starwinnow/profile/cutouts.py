"""Squares cut from a frame about some places: the light there, whatever kind of pixels it had."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined
from starwinnow.frame import Pixels

__all__ = ["Cutouts", "cut", "in_light_of_another"]


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
    # What has no place lies outside of the frame.
    corner = np.floor(np.where(np.isfinite(places), places, -1e6) + 0.5).astype(np.int64) - half
    _cut(pixels, background.mesh_adu, background.cells_per_px, places, others, corner, light)
    return Cutouts(light_adu=light, corner_px=corner)


@compiled
def _cut(pixels, mesh, cells_per_px, places, others, corner, light):
    ny, nx = pixels.shape
    side = light.shape[1]
    for k in range(len(corner)):
        left, top = corner[k, 0], corner[k, 1]
        for v in range(side):
            y, row = top + v, light[k, v]
            inside = 0 <= y < ny
            # As floats: one kind of arguments is compiled once.
            middle, height = float(left + side // 2), float(y)
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], height, middle)
            slope = level_at(mesh, cells_per_px[0], cells_per_px[1], height, middle + 1.0) - base
            first = np.float32(base - slope * (side // 2))
            step = np.float32(slope)
            low = min(max(-left, 0), side)
            high = min(max(nx - left, low), side)
            for u in range(side):
                row[u] = np.nan
            if not inside:
                continue
            seen, stored = row[low:high], pixels[y, left + low : left + high]
            for i in range(high - low):
                seen[i] = np.float32(stored[i]) - (first + step * np.float32(low + i))
        # Most objects are alone.
        if others.shape[1] > 0 and not np.isnan(others[k, 0, 0]):
            for v in range(side):
                for u in range(side):
                    x, y = left + u, top + v
                    here = (x - places[k, 0]) ** 2 + (y - places[k, 1]) ** 2
                    if in_light_of_another(others, k, x, y, here):
                        light[k, v, u] = np.nan


@inlined
def in_light_of_another(others, k, x, y, own_distance2):
    """Whether a pixel is nearer to another object or lies where that one's light shows."""
    for m in range(others.shape[1]):
        if np.isnan(others[k, m, 0]):
            return False
        distance2 = (x - others[k, m, 0]) ** 2 + (y - others[k, m, 1]) ** 2
        if distance2 < max(own_distance2, others[k, m, 2] ** 2):
            return True
    return False
