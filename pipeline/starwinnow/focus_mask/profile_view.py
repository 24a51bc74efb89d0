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
# Spikes are followed from outside of the core to here.
_LEAST_RADIUS_PX, _FARTHEST_PX = 8.0, 65.0
# Another spike's light reaches so far; a spike's brightness is that so near to its line.
_CLEAR_PX, _NEAR_PX = 3.0, 1.5
# A point of the shape must rest on this part at least of what its best point rests on.
_LEAST_PART = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """Square of light around a star, averaged over 2x2 pixels on a colour mosaic.

    Attributes
    ----------
    light : ndarray, shape (n, n)
        ADU; NaN where the frame ends or has no value.
    x_px, y_px : float
        The star's place in this square.
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
        Light, highest point 1; NaN where it cannot be told.
    offset_px, offset_err_px : float
        The measured place of the centre spike and its standard error, px.
    """

    across_px: _Numbers
    centre: _Numbers
    outer_first: _Numbers
    outer_second: _Numbers
    offset_px: float
    offset_err_px: float

    def mirrored(self) -> "SpikeProfiles":
        """Count distances towards the other side."""
        return SpikeProfiles(
            across_px=self.across_px,
            centre=self.centre[::-1],
            outer_first=self.outer_first[::-1],
            outer_second=self.outer_second[::-1],
            offset_px=-self.offset_px,
            offset_err_px=self.offset_err_px,
        )


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


def spike_profiles(
    around: Surroundings, star: SpikedStar, triple: SpikeTriple, reach_px: float
) -> SpikeProfiles:
    """Add up each spike's light along it, at every distance across it.

    Parameters
    ----------
    around : Surroundings
        Of that star.
    star : SpikedStar
    triple : SpikeTriple
        One of the star's.
    reach_px : float
        Half the width of the profiles, px.
    """
    steps = math.ceil(reach_px / _STEP_PX)
    across_px: _Numbers = np.arange(-steps, steps + 1, dtype=np.float64) * _STEP_PX
    core_px = 1.5 * max(math.sqrt(star.saturated_px / math.pi), abs(triple.offset_px))
    radius = np.arange(_LEAST_RADIUS_PX + core_px, _FARTHEST_PX)
    along = np.concatenate([-radius, radius])
    own = _lines(star, triple)
    every = [line for one in star.triples for line in _lines(star, one)]
    at = _crossing(star, triple)
    centre, first, second = (
        _profile(
            around,
            line,
            [other for other in every if other != line],
            along,
            across_px + _across(at, line[0]),
        )
        for line in own
    )
    return SpikeProfiles(
        across_px=across_px,
        centre=centre,
        outer_first=first,
        outer_second=second,
        offset_px=triple.offset_px,
        offset_err_px=triple.offset_err_px,
    )


def _crossing(star: SpikedStar, triple: SpikeTriple) -> tuple[float, float]:
    """Crossing of a triple's outer pair, from the star's place, px.

    A three-fold mask's place is that of the light, half-way between crossing and centre spike to
    a tenth of the offset.
    """
    if len(star.triples) == 1:
        return 0.0, 0.0
    x, y = _direction(triple.centre_deg)
    return triple.offset_px / 2 * y, -triple.offset_px / 2 * x


def _lines(star: SpikedStar, triple: SpikeTriple) -> list[tuple[float, float]]:
    """Direction of each spike, and its distance from the star's place along its normal."""
    at = _crossing(star, triple)
    centre = (triple.centre_deg, _across(at, triple.centre_deg) + triple.offset_px)
    return [centre, *((angle, _across(at, angle)) for angle in triple.outer_deg)]


def _across(place: tuple[float, float], angle_deg: float) -> float:
    x, y = _direction(angle_deg)
    return place[1] * x - place[0] * y


def _profile(
    around: Surroundings,
    line: tuple[float, float],
    others: list[tuple[float, float]],
    along: _Numbers,
    across_px: _Numbers,
) -> _Numbers:
    """Shape across one line, of direction and distance from the star, highest point 1.

    At each distance along it the spike has another brightness a, so the light there is a times
    the shape: by least squares the shape is sum(a light) / sum(a^2). Points near other spikes
    are left out.
    """
    x, y = _direction(line[0])
    right = along[:, None] * x - across_px * y
    down = along[:, None] * y + across_px * x
    light = _interpolated(around.light, around.x_px + right, around.y_px + down)
    light -= np.nanmedian(around.light)
    for angle, offset in others:
        other_x, other_y = _direction(angle)
        light[np.abs(down * other_x - right * other_y - offset) < _CLEAR_PX] = np.nan
    near = np.abs(across_px - line[1]) <= _NEAR_PX
    clean = np.isfinite(light[:, near]).all(axis=1)
    if not clean.any():
        return np.full_like(across_px, np.nan)
    light = light[clean]
    brightness = np.maximum(light[:, near].mean(axis=1), 0)[:, None]
    known = np.isfinite(light)
    above = np.where(known, brightness * light, 0).sum(axis=0)
    below = np.where(known, brightness**2, 0).sum(axis=0)
    enough = below > _LEAST_PART * below.max(initial=0)
    shape = np.where(enough, above, np.nan) / np.where(enough, below, 1)
    top = np.nanmax(shape, initial=0)
    scaled: _Numbers = shape / top if top > 0 else np.full_like(shape, np.nan)
    return scaled


def _direction(angle_deg: float) -> tuple[float, float]:
    turn = math.radians(angle_deg)
    return math.cos(turn), math.sin(turn)


def _interpolated(pixels: _Numbers, x: _Numbers, y: _Numbers) -> _Numbers:
    """Bilinear; NaN outside of the square."""
    ny, nx = pixels.shape
    inside = (x >= 0) & (y >= 0) & (x < nx - 1) & (y < ny - 1)
    column, row = np.where(inside, x, 0).astype(int), np.where(inside, y, 0).astype(int)
    right, down = np.where(inside, x - column, 0), np.where(inside, y - row, 0)
    top = pixels[row, column] * (1 - right) + pixels[row, column + 1] * right
    bottom = pixels[row + 1, column] * (1 - right) + pixels[row + 1, column + 1] * right
    return np.where(inside, top * (1 - down) + bottom * down, np.nan)
