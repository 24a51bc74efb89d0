"""What the stars' pixels hold beyond the fitted profile: in common, in apertures, stacked."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.star_pixels import (
    core_of,
    disc_of,
    is_expected,
    lists_for,
    pixels_about,
    profile_values,
)
from starwinnow.quantile import quantile

__all__ = ["aperture_residuals", "common_remainder", "on_square", "square_of", "stack_remainders"]


def common_remainder(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    inverse_beta: float,
    radius_px: float,
) -> NDArray[np.float64]:
    """Find what the stars' images have in common beyond the profile, in units of its peak.

    The median over the stars, pixel by pixel from the nearest to each centre, and the spread
    between them beyond the noise (where narrow images fall differently on the pixels): what a
    jolt or a trail adds to all of them shows, hot pixels and chance neighbours do not.
    Parameters as in `starwinnow.profile.kernel.accumulate`.

    Returns
    -------
    ndarray of float64, shape (2, side, side)
        Median and spread in a square about the centre; `side` is odd and reaches to the radius.
    """
    side = 2 * int(np.ceil(radius_px)) + 1
    square = square_of(side)
    stamps = np.zeros((len(own), square.shape[1]), np.float32)
    _fill_stamps(
        cutouts.light_adu, cutouts.corner_px, own, shape, inverse_beta, square, core_of(shape),
        stamps,
    )  # fmt: skip
    # Of an even number the lower median: with two stars, what both have.
    middle = (len(own) - 1) // 2
    center = np.partition(stamps, middle, axis=0)[middle]
    # Narrow images fall on the pixels in a few ways, not in Gaussian ones: the distance that
    # 85 % keep within (1.44 sigma of a Gaussian) sees them all, and few pixels are hot.
    most = int(0.85 * (len(own) - 1))
    spread = np.partition(np.abs(stamps - center), most, axis=0)[most] / 1.439531
    noise = noise_adu / max(quantile(own[:, 0]), 1e-6)
    found = np.stack([center, np.sqrt(np.maximum(spread**2 - noise**2, 0.0))])
    return on_square(found.astype(np.float64), square)


def square_of(side: int) -> NDArray[np.int64]:
    """Give the pixels of a square about a star's own, as `disc_of` does those of a disc."""
    disc = disc_of(side / math.sqrt(2.0))
    return disc[:, (np.abs(disc) <= side // 2).all(axis=0)]


def on_square(values: NDArray[np.float64], square: NDArray[np.int64]) -> NDArray[np.float64]:
    """Put values of the pixels of a `square_of`, shape (m, n), to their places: (m, side, side)."""
    half = int(square.max())
    image = np.zeros((len(values), 2 * half + 1, 2 * half + 1))
    image[:, square[1] + half, square[0] + half] = values
    return image


@compiled
def _fill_stamps(light, corner, own, shape, inverse_beta, square, core, stamps):
    lists, nodes = lists_for(square, np.zeros((2, 1, 1)))
    profile = np.empty(lists.shape[1], np.float32)
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, square, lists)
        if count == 0 or not peak > 0:
            continue
        profile_values(lists, 0.0, 0.0, core, shape, inverse_beta, nodes, profile)
        stamp, values = stamps[k], lists[2, :count]
        scale, below = np.float32(1.0 / peak), np.float32(level)
        for i in range(count):
            left = (values[i] - below) * scale - profile[i]
            stamp[i] = np.float32(0.0) if np.isnan(left) else left


@compiled
def aperture_residuals(
    light, corner, noise, own, shape, inverse_beta, common, disc, core, radii, half_width
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
    lists, nodes = lists_for(disc, common)
    profile = np.empty(lists.shape[1], np.float32)
    zero, one, two = np.float32(0.0), np.float32(1.0), np.float32(2.0)
    # Where half a pixel is inside, so much of it is.
    first, middle = np.float32(radii[0] + 0.5), np.float32(radii[1] + 0.5)
    last = np.float32(radii[2] + 0.5)
    ring, per_ring = np.float32(half_width), np.float32(2.0 / half_width)
    per_center = np.float32(1.0 / (0.75 * half_width))
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, disc, lists)
        profile_values(lists, 0.0, 0.0, core, shape, inverse_beta, nodes, profile)
        x, y, values = lists[0, :count], lists[1, :count], lists[2, :count]
        center, spread = lists[3, :count], lists[4, :count]
        # In units of the peak, whose square is no number of single precision for any BSCALE.
        scale, sigma = np.float32(1.0 / peak), np.float32(noise / peak)
        in_first, in_middle, in_last, power = zero, zero, zero, zero
        area_first, area_middle, area_last = zero, zero, zero
        at_half, at_half_weight, at_center, at_center_weight = zero, zero, zero, zero
        for i in range(count):
            star = profile[i]
            left = values[i] * scale - star
            distance = np.sqrt(x[i] * x[i] + y[i] * y[i])
            good = is_expected(left, sigma, star, one, center[i], spread[i]) & (distance <= last)
            counted = one if good else zero
            rest = left if good else zero
            power += counted * ((two * star + rest) * rest - sigma * sigma)
            inside = counted * min(max(first - distance, zero), one)
            in_first += rest * inside
            area_first += inside
            inside = counted * min(max(middle - distance, zero), one)
            in_middle += rest * inside
            area_middle += inside
            inside = counted * min(max(last - distance, zero), one)
            in_last += rest * inside
            area_last += inside
            away = (distance - ring) * per_ring
            weight = counted * max(one - away * away, zero)
            weight *= weight
            at_half += rest * weight
            at_half_weight += weight
            away = distance * per_center
            weight = counted * max(one - away * away, zero)
            weight *= weight
            at_center += rest * weight
            at_center_weight += weight
        sums[k, 0], sums[k, 1], sums[k, 2] = in_first, in_middle - in_first, in_last - in_middle
        sums[k, 3], sums[k, 5] = at_half, at_center
        sums[k, :6] *= peak
        sums[k, 4], sums[k, 6], sums[k, 7] = at_half_weight, at_center_weight, power * peak * peak
        sums[k, 8], sums[k, 9] = area_first, area_middle - area_first
        sums[k, 10] = area_last - area_middle
    return sums


@compiled
def stack_remainders(
    light, corner, noise, own, weight, shape, inverse_beta, common, square, core, sums
):
    """Add up what the model leaves over of each star, moved by whole pixels to one centre.

    `sums`, shape (3, n), receives for each of the n pixels of a `square_of` the sums of weight *
    peak * remainder, of weight * peak^2, and of (weight * peak * remainder)^2.
    """
    lists, nodes = lists_for(square, common)
    profile = np.empty(lists.shape[1], np.float32)
    zero, one = np.float32(0.0), np.float32(1.0)
    for k in range(len(own)):
        if weight[k] <= 0:
            continue
        peak, x0, y0, level = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, square, lists)
        profile_values(lists, 0.0, 0.0, core, shape, inverse_beta, nodes, profile)
        values, center, spread = lists[2, :count], lists[3, :count], lists[4, :count]
        pulled, strength, squares = sums[0], sums[1], sums[2]
        scale, below = np.float32(1.0 / peak), np.float32(level)
        sigma, share = np.float32(noise / peak), weight[k] * peak * peak
        for i in range(count):
            left = (values[i] - below) * scale - profile[i]
            good = is_expected(left, sigma, profile[i], one, center[i], spread[i])
            pull = share * (left if good else zero)
            pulled[i] += pull
            strength[i] += share if good else 0.0
            squares[i] += pull * pull
