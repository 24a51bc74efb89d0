"""Profiles across the spikes of one star, for the eye: all three on one axis."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.reading import SpikedStar, SpikeTriple
from starwinnow.focus_mask.star_window import is_mosaic
from starwinnow.frame import Frame

__all__ = ["SpikeProfiles", "Surroundings", "spike_profiles", "surroundings"]

_Numbers = NDArray[np.float64]

_STEP_PX = 0.25
# Spikes are followed from where neighbouring ones are well apart; the core is avoided.
_LEAST_RADIUS_PX, _LENGTH_PX = 12.0, 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Square of light around a star, averaged over 2x2 pixels on a colour mosaic.

    Attributes
    ----------
    light : ndarray, shape (n, n)
        ADU; NaN where the frame ends or has no value.
    x_px, y_px : float
        Crossing of the outer pair in this square.
    """

    light: _Numbers
    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpikeProfiles:
    """Light across each spike, against the distance from the crossing of the outer pair.

    Attributes
    ----------
    across_px : ndarray, shape (n,)
        Distance from the crossing along each spike's normal, px, positive towards the spike's
        direction + 90.
    centre, outer_first, outer_second : ndarray, shape (n,)
        Light, highest point 1, lowest 0; NaN where it cannot be told.
    """

    across_px: _Numbers
    centre: _Numbers
    outer_first: _Numbers
    outer_second: _Numbers


def surroundings(frame: Frame, star: SpikedStar, half_px: int) -> Surroundings:
    """Cut out a square of 2 half + 1 pixels around a star."""
    ny, nx = frame.pixels.shape
    top, left = round(star.y_px) - half_px, round(star.x_px) - half_px
    # One row and column more, for the average over neighbours.
    light = np.full((2 * half_px + 2, 2 * half_px + 2), np.nan)
    rows = slice(max(top, 0), max(min(top + len(light), ny), 0))
    columns = slice(max(left, 0), max(min(left + len(light), nx), 0))
    part = frame.pixels[rows, columns]
    light[rows.start - top :, columns.start - left :][: part.shape[0], : part.shape[1]] = part
    shift = 0.0
    if is_mosaic(frame):
        light[:-1, :-1] = (light[:-1, :-1] + light[1:, :-1] + light[:-1, 1:] + light[1:, 1:]) / 4
        shift = 0.5
    return Surroundings(
        light=light[:-1, :-1], x_px=star.x_px - left - shift, y_px=star.y_px - top - shift
    )


def spike_profiles(around: Surroundings, triple: SpikeTriple, reach_px: float) -> SpikeProfiles:
    """Follow each spike outwards from the core and take the usual light at each distance from it.

    Parameters
    ----------
    around : Surroundings
    triple : SpikeTriple
        One of the star's.
    reach_px : float
        Half the width of the profiles, px.
    """
    steps = math.ceil(reach_px / _STEP_PX)
    across_px = np.arange(-steps, steps + 1) * _STEP_PX
    centre, first, second = (
        _profile(around, angle, across_px) for angle in (triple.centre_deg, *triple.outer_deg)
    )
    return SpikeProfiles(
        across_px=across_px, centre=centre, outer_first=first, outer_second=second
    )


def _profile(around: Surroundings, angle_deg: float, across_px: _Numbers) -> _Numbers:
    """Mean of the middle half of the light along the spike, both sides, at each distance.

    Other spikes cross each distance at some radii only: they are among the outer quarters.
    """
    turn = math.radians(angle_deg)
    inner = max(_LEAST_RADIUS_PX, across_px[-1])
    radius = np.arange(inner, inner + _LENGTH_PX)
    along = np.concatenate([-radius, radius])[:, None]
    x = around.x_px + along * math.cos(turn) - across_px * math.sin(turn)
    y = around.y_px + along * math.sin(turn) + across_px * math.cos(turn)
    light = np.sort(_interpolated(around.light, x, y), axis=0)
    known = np.isfinite(light).sum(axis=0)
    rank = np.arange(len(light))[:, None]
    middle = (rank >= known // 4) & (rank < known - known // 4)
    count = middle.sum(axis=0)
    mean = np.where(middle, light, 0).sum(axis=0) / np.where(count, count, np.nan)
    low, high = np.nanmin(mean, initial=np.inf), np.nanmax(mean, initial=-np.inf)
    scaled: _Numbers = (mean - low) / (high - low) if high > low else np.full_like(mean, np.nan)
    return scaled


def _interpolated(pixels: _Numbers, x: _Numbers, y: _Numbers) -> _Numbers:
    """Bilinear; NaN outside of the square."""
    ny, nx = pixels.shape
    inside = (x >= 0) & (y >= 0) & (x < nx - 1) & (y < ny - 1)
    column, row = np.where(inside, x, 0).astype(int), np.where(inside, y, 0).astype(int)
    right, down = np.where(inside, x - column, 0), np.where(inside, y - row, 0)
    top = pixels[row, column] * (1 - right) + pixels[row, column + 1] * right
    bottom = pixels[row + 1, column] * (1 - right) + pixels[row + 1, column + 1] * right
    return np.where(inside, top * (1 - down) + bottom * down, np.nan)
