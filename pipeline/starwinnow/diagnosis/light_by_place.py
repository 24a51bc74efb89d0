"""How a frame's stars fare by their place: a cloud's edge, or something in the way."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.field_response import FieldResponse
from starwinnow.flags import StarFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.relate import Relation, matched_fluxes

__all__ = ["Cut", "Slope", "light_slope", "view_cut"]

Column = NDArray[np.float64]

# Stars that should show with this S/N are looked for; fewer than so many tell nothing by place.
_SURE_SNR = 12.0
_FEWEST_STARS = 8
# Scatter of a star's flux that its error does not know (scintillation, flat field), as in
# `flux_ratio` but for stars of every place.
_LEAST_SCATTER = 0.01
_CLIP_SIGMA = 4.0
# A star is found where an object lies this close to its place, px or in FWHM.
_FOUND_PX, _FOUND_FWHM = 4.0, 1.0
# Hidden by something with an edge: stars are gone, one straight cut parts those that are gone
# from those that are there, and hardly any light comes from beyond it. Without anything in the way
# no star is gone.
_LEAST_MISSING, _LEAST_EXPLAINED, _MOST_LOW_SIDE = 0.015, 0.45, 0.4
_FEWEST_MISSING = 4
_DIRECTIONS = 36
_UNSURE = (
    StarFlag.SATURATED
    | StarFlag.EDGE
    | StarFlag.BLENDED
    | StarFlag.HOT_PIXEL
    | StarFlag.NOT_A_STAR
    | StarFlag.NO_FIT
    | StarFlag.SECOND_IMAGE
    | StarFlag.STREAK
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Plane through ln of light over the reference's, across the frame.

    Attributes
    ----------
    across : float
        Change of ln light from the middle to the corner it points to; NaN with too few stars.
    sigmas : float
        How far from none, standard deviations of the stars' own scatter.
    patchiness : float
        Scatter of the stars about the plane over what their errors allow.
    """

    across: float
    sigmas: float
    patchiness: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """Stars gone on one side of a straight line.

    Attributes
    ----------
    missing : float
        Part of the bright stars that are gone.
    hidden : float
        Part of the frame's bright stars beyond the line.
    side : str
        Where they are gone: left, right, top, bottom of the first row on top.
    covers_middle : bool
        Whether the middle of the frame lies beyond the line.
    """

    missing: float
    hidden: float
    side: str
    covers_middle: bool


_NO_SLOPE = Slope(across=math.nan, sigmas=0.0, patchiness=math.nan)


def light_slope(
    frame: FrameMeasures,
    reference: FrameMeasures,
    relation: Relation,
    response: FieldResponse | None,
) -> Slope:
    """Fit a plane to the light of the stars that both frames show well."""
    both = matched_fluxes(frame.stars, reference.stars, relation)
    snr = np.minimum(both.flux / both.flux_err, both.reference_flux / both.reference_err)
    both = both.select(snr >= _SURE_SNR)
    if len(both.flux) < _FEWEST_STARS:
        return _NO_SLOPE
    light = np.log(both.flux / both.reference_flux)
    if response is not None:
        light -= np.log(response.light(both.xy_px) / response.light(both.reference_xy_px))
    variance = (both.flux_err / both.flux) ** 2 + (both.reference_err / both.reference_flux) ** 2
    weight = 1 / (variance + _LEAST_SCATTER**2)
    half = np.array([frame.shape[1], frame.shape[0]]) / 2
    place = (both.xy_px - half) / np.hypot(*half)
    table = np.column_stack([np.ones(len(light)), place])
    for _ in range(2):
        normal = table.T @ (weight[:, np.newaxis] * table) + 1e-6 * np.eye(3)
        plane = np.linalg.solve(normal, table.T @ (weight * light))
        left = light - table @ plane
        scatter2 = max(1.0, float(np.median(weight * left**2)) / 0.455)
        used = weight > 0
        weight = np.where(weight * left**2 > _CLIP_SIGMA**2 * scatter2, 0.0, weight)
    covariance = np.linalg.inv(normal)[1:, 1:]
    tilt = plane[1:]
    sigma2 = float(tilt @ np.linalg.solve(covariance, tilt)) / scatter2
    if np.count_nonzero(used) < _FEWEST_STARS:
        return _NO_SLOPE
    return Slope(
        across=float(np.hypot(*tilt)), sigmas=math.sqrt(sigma2), patchiness=math.sqrt(scatter2)
    )


def view_cut(
    frame: FrameMeasures,
    reference: FrameMeasures,
    relation: Relation,
    transparency: float,
    *,
    least_clear: float = 0.0,
) -> Cut | None:
    """Look for a straight line beyond which the stars are gone.

    Parameters
    ----------
    frame, reference : FrameMeasures
    relation : Relation
        How the frame lies on the reference.
    transparency : float
        Of the frame, by the stars that are there.
    least_clear : float
        Part of that light that stars on this side of the line must show on average.

    Returns
    -------
    Cut or None
        None where no such line is sure.
    """
    place, seen = _expected_stars(frame, reference, relation, transparency)
    gone = seen < _MOST_LOW_SIDE
    if (
        len(seen) < _FEWEST_STARS
        or np.count_nonzero(gone) < _FEWEST_MISSING
        or np.mean(gone) < _LEAST_MISSING
    ):
        return None
    angle = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    way = np.array([np.cos(angle), np.sin(angle)])
    along = place @ way
    order = np.argsort(along, axis=0)
    sums = np.cumsum(seen[order], axis=0)[:-1]
    below = np.arange(1, len(seen))[:, np.newaxis]
    low, high = sums / below, (sums[-1] + seen[order[-1]] - sums) / (len(seen) - below)
    explained = below * (len(seen) - below) / len(seen) ** 2 * (high - low) ** 2
    # Only lines with the poor side below are looked at: the others come from the other way.
    explained = np.where(low < high, explained, 0.0)
    row, column = np.unravel_index(int(np.argmax(explained)), explained.shape)
    variance = float(np.var(seen))
    sides = low[row, column], high[row, column]
    if explained[row, column] < _LEAST_EXPLAINED * variance:
        return None
    clear = sides[1] > max(sides[0] / _MOST_LOW_SIDE, least_clear)
    if not clear or row + 1 < _FEWEST_MISSING:
        return None
    chosen = order[:, column]
    edge = (along[chosen[row], column] + along[chosen[row + 1], column]) / 2
    return Cut(
        missing=float(np.mean(gone)),
        hidden=float((row + 1) / len(seen)),
        side=_side(-way[:, column]),
        covers_middle=bool(edge > 0),
    )


def _expected_stars(
    frame: FrameMeasures, reference: FrameMeasures, relation: Relation, transparency: float
) -> tuple[NDArray[np.float64], Column]:
    """Places, in half diagonals from the middle, of stars that must show, and light that came."""
    stars = reference.stars
    sky = frame.noise_adu * math.sqrt(frame.nea_px)
    sure = (stars.flags & _UNSURE == 0) & np.isfinite(stars.flux_adu)
    sure &= transparency * np.nan_to_num(stars.flux_adu) > _SURE_SNR * sky
    rows = np.flatnonzero(sure)
    place = relation.to_frame(np.column_stack([stars.x_px[rows], stars.y_px[rows]]))
    size = np.array([frame.shape[1], frame.shape[0]])
    margin = max(8.0, 2 * float(np.nan_to_num(frame.fwhm_px)))
    inside = np.all((place > margin) & (place < size - 1 - margin), axis=1)
    rows, place = rows[inside], place[inside]
    seen = _light_seen(frame, stars.flux_adu * transparency, relation, rows)
    gone = np.flatnonzero(seen == 0)
    radius = max(_FOUND_PX, _FOUND_FWHM * float(np.nan_to_num(frame.fwhm_px)))
    for number in gone:
        away = np.hypot(frame.stars.x_px - place[number, 0], frame.stars.y_px - place[number, 1])
        seen[number] = 1.0 if (away < radius).any() else 0.0
    return (place - size / 2) / np.hypot(*size / 2), np.clip(seen, 0.0, 1.3)


def _light_seen(
    frame: FrameMeasures, expected_adu: Column, relation: Relation, rows: NDArray[np.intp]
) -> Column:
    """Light of some of the reference's stars over what is expected; 0 where none was matched."""
    seen = np.zeros(len(expected_adu))
    flux = np.nan_to_num(frame.stars.flux_adu[relation.frame_rows])
    matched = relation.reference_rows
    seen[matched] = flux / np.where(expected_adu[matched] > 0, expected_adu[matched], np.inf)
    return np.maximum(seen, 0.0)[rows]


def _side(way: NDArray[np.float64]) -> str:
    """Name a direction as seen with the first row on top."""
    if abs(way[0]) > abs(way[1]):
        return "right" if way[0] > 0 else "left"
    return "bottom" if way[1] > 0 else "top"
