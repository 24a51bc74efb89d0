"""A roof's edge or a tree before the field: too near to be sharp, moving as the sky turns."""

import numpy as np
from numpy.typing import NDArray

from .conditions import Map
from .star_images import SCALE_ARCSEC

__all__ = ["edge_in_view"]

Array = NDArray[np.float64]
_APERTURE_M = 0.080


def edge_in_view(
    shape: tuple[int, int], count: int, rng: np.random.Generator
) -> list[tuple[Map, Map]]:
    """Draw what part of starlight and of background passes, for each frame.

    An edge at some distance covers a star's beam, 80 mm wide, bit by bit: it is blurred over
    the angle that the aperture has from there. A tree's outline wavers and lets some light
    through.
    """
    ny, nx = shape
    distance_m = float(np.exp(rng.uniform(np.log(60), np.log(500))))
    blur_px = _APERTURE_M / distance_m * 206_265 / SCALE_ARCSEC
    bearing = rng.uniform(0, 2 * np.pi)
    tree = rng.random() < 0.4
    leaks = rng.uniform(0.0, 0.15) if tree else 0.0
    waver_px = rng.uniform(20, 60) if tree else 0.0
    wave_px, phase = rng.uniform(150, 400), rng.uniform(0, 2 * np.pi)
    dark = rng.uniform(0.2, 1.5)
    half = abs(np.cos(bearing)) * nx / 2 + abs(np.sin(bearing)) * ny / 2
    # From a corner inwards, by up to three quarters of the field.
    reached = half - np.linspace(0.35, rng.uniform(0.7, 1.5), count) * half

    def maps(i: int) -> tuple[Map, Map]:
        def passing(x: Array, y: Array) -> Array:
            across, up = x * nx / 2, y * ny / 2
            along = np.cos(bearing) * across + np.sin(bearing) * up
            aside = np.cos(bearing) * up - np.sin(bearing) * across
            edge = reached[i] + waver_px * np.sin(2 * np.pi * aside / wave_px + phase)
            free = _free_pupil(np.clip((edge - along) / blur_px * 2, -1.0, 1.0))
            return np.asarray(leaks + (1 - leaks) * free)

        def glow(x: Array, y: Array) -> Array:
            part = passing(x, y)
            return np.asarray(part + dark * (1 - part))

        return passing, glow

    return [maps(i) for i in range(count)]


def _free_pupil(reach: Array) -> Array:
    """Part of a disc on one side of a chord at -1 to 1 radii: 0 to 1."""
    return np.asarray(0.5 + (reach * np.sqrt(1 - reach**2) + np.arcsin(reach)) / np.pi)
