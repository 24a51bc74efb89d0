"""What the stars' pixels hold beyond the fitted profile: in common, in apertures, stacked."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.star_pixels import (
    is_expected,
    node_counts,
    pixels_about,
    profile_values,
)
from starwinnow.quantile import quantile

__all__ = ["aperture_residuals", "common_remainder", "stack_remainders"]


def common_remainder(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    table: NDArray[np.float64],
    radius_px: float,
) -> NDArray[np.float64]:
    """Find what the stars' images have in common beyond the profile, in units of its peak.

    The median over the stars, pixel by pixel from the nearest to each centre, and the spread
    between them beyond the noise (where narrow images fall differently on the pixels): what a
    jolt or a trail adds to all of them shows, hot pixels and chance neighbours do not.
    Parameters as in `starwinnow.profile.kernel.accumulate`.

    Returns
    -------
    ndarray of float64, shape (2, side^2 + 1)
        Median and spread, row by row of a square about the centre; `side` is odd and reaches to
        the radius. The last stands for pixels beside it: 0.
    """
    side = 2 * int(np.ceil(radius_px)) + 1
    stamps = np.zeros((len(own), side, side))
    _fill_stamps(
        cutouts.light_adu, cutouts.corner_px, own, shape, table, *node_counts(shape), stamps
    )
    # Of an even number the lower median: with two stars, what both have.
    middle = (len(own) - 1) // 2
    center = np.partition(stamps, middle, axis=0)[middle]
    # Narrow images fall on the pixels in a few ways, not in Gaussian ones: the distance that
    # 85 % keep within (1.44 sigma of a Gaussian) sees them all, and few pixels are hot.
    most = int(0.85 * (len(own) - 1))
    spread = np.partition(np.abs(stamps - center), most, axis=0)[most] / 1.439531
    noise = noise_adu / max(quantile(own[:, 0]), 1e-6)
    found = np.zeros((2, side * side + 1))
    found[0, :-1] = center.ravel()
    found[1, :-1] = np.sqrt(np.maximum(spread**2 - noise**2, 0.0)).ravel()
    return found


@compiled
def _fill_stamps(light, corner, own, shape, table, core, outer, stamps):
    side = stamps.shape[1]
    room = light.shape[1] ** 2
    lists, spots, values = np.empty((3, room)), np.empty(room, np.int64), np.empty(room)
    reach, like = _corner_reach(side), np.zeros((2, side * side + 1))
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        if np.isnan(x0) or np.isnan(y0) or not peak > 0:
            continue
        left, top = corner[k, 0], corner[k, 1]
        count = pixels_about(light[k], left, top, x0, y0, reach, like, lists, spots)
        profile_values(lists, 0.0, 0.0, count, core, outer, shape, table, values)
        for i in range(count):
            left_over = (lists[2, i] - level) / peak - values[i]
            if spots[i] < side * side and not np.isnan(left_over):
                stamps[k, spots[i] // side, spots[i] % side] = left_over


@inlined
def _corner_reach(side):
    """How far from its star a pixel in the corner of a square of whole pixels can lie, px."""
    return 0.5 * (side + 1) * np.sqrt(2.0)


@compiled
def aperture_residuals(
    light, corner, noise, own, shape, table, common, radii, half_width, core, outer
):
    """Sum data minus model about each star; shape (n, 11), ADU.

    Columns: in three zones that end at rising radii; near the half-maximum radius `half_width`,
    and the sum of weights there; near the center, and the sum of weights there; what the squared
    data hold inside the last radius beyond the squared model and the noise (ADU^2); and the area
    that was summed in each zone, px.

    The background is the mesh's alone: a star's own level, fitted close by, holds some of its
    wings. A pixel counts by the part of it inside the circle, taken as linear across its edge;
    pixels that another object lights, or that are far off what all stars show, count nothing.
    """
    sums = np.zeros((len(own), 11))
    room = light.shape[1] ** 2
    lists, spots, values = np.empty((3, room)), np.empty(room, np.int64), np.empty(room)
    reach = radii[2] + 0.5
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        left, top = corner[k, 0], corner[k, 1]
        count = pixels_about(light[k], left, top, x0, y0, reach, common, lists, spots)
        profile_values(lists, 0.0, 0.0, count, core, outer, shape, table, values)
        for i in range(count):
            star = peak * values[i]
            residual = lists[2, i] - star
            if not is_expected(residual, noise, star, peak, common, spots[i]):
                continue
            distance = np.sqrt(lists[0, i] * lists[0, i] + lists[1, i] * lists[1, i])
            sums[k, 7] += (2.0 * star + residual) * residual - noise * noise
            counted = 0.0
            for m in range(3):
                inside = min(max(radii[m] + 0.5 - distance, 0.0), 1.0)
                sums[k, m] += residual * (inside - counted)
                sums[k, 8 + m] += inside - counted
                counted = inside
            at_half = max(1.0 - ((distance - half_width) / (0.5 * half_width)) ** 2, 0.0)
            central = max(1.0 - (distance / (0.75 * half_width)) ** 2, 0.0)
            sums[k, 3] += residual * at_half * at_half
            sums[k, 4] += at_half * at_half
            sums[k, 5] += residual * central * central
            sums[k, 6] += central * central
    return sums


@compiled
def stack_remainders(light, corner, noise, own, weight, shape, table, common, core, outer, sums):
    """Add up what the model leaves over of each star, moved by whole pixels to one centre.

    `sums`, shape (3, side, side), receives the sums of weight * peak * remainder, of weight *
    peak^2, and of (weight * peak * remainder)^2.
    """
    side = sums.shape[1]
    room = light.shape[1] ** 2
    lists, spots, values = np.empty((3, room)), np.empty(room, np.int64), np.empty(room)
    places, reach, like = np.empty(room, np.int64), _corner_reach(side), np.zeros((2, side**2 + 1))
    for k in range(len(own)):
        if weight[k] <= 0:
            continue
        peak, x0, y0, level = own[k]
        left, top = corner[k, 0], corner[k, 1]
        count = pixels_about(light[k], left, top, x0, y0, reach, like, lists, places)
        pixels_about(light[k], left, top, x0, y0, reach, common, lists, spots)
        profile_values(lists, 0.0, 0.0, count, core, outer, shape, table, values)
        for i in range(count):
            star = peak * values[i]
            residual = lists[2, i] - level - star
            if places[i] < side * side and is_expected(
                residual, noise, star, peak, common, spots[i]
            ):
                v, u = places[i] // side, places[i] % side
                pulled = weight[k] * peak * residual
                sums[0, v, u] += pulled
                sums[1, v, u] += weight[k] * peak * peak
                sums[2, v, u] += pulled * pulled
