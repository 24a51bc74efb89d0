"""What the stars' pixels hold beyond the fitted profile: in common, in apertures, stacked."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, embedded
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.star_pixels import (
    Shape,
    core_of,
    expected_on,
    fill_profile,
    image_of,
    is_expected,
    list_star,
    room_for_list,
    room_for_nodes,
    spread_disc,
    square_of,
)
from starwinnow.quantile import quantile

__all__ = [
    "aperture_residuals",
    "common_remainder",
    "left_over",
    "profile_values",
    "stack_remainders",
]


def common_remainder(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: Shape,
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
    stamps, _ = left_over(cutouts, math.inf, own, shape, square, expected_on(None, square))
    # Of an even number the lower median: with two stars, what both have.
    middle = (len(own) - 1) // 2
    center = np.partition(stamps, middle, axis=0)[middle]
    # Narrow images fall on the pixels in a few ways, not in Gaussian ones: the distance that
    # 85 % keep within (1.44 sigma of a Gaussian) sees them all, and few pixels are hot.
    most = int(0.85 * (len(own) - 1))
    spread = np.partition(np.abs(stamps - center), most, axis=0)[most] / 1.439531
    noise = noise_adu / max(quantile(own[:, 0]), 1e-6)
    wide = spread.astype(np.float64)
    found = np.stack([center, np.sqrt(np.maximum(wide**2 - noise**2, 0.0))])
    return image_of(found, square)


def aperture_residuals(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: Shape,
    disc: NDArray[np.int64],
    expected: NDArray[np.float32],
    radii_px: NDArray[np.float64],
    half_width_px: float,
) -> NDArray[np.float64]:
    """Sum data minus model about each star; shape (n, 11), ADU.

    Columns: in three zones that end at rising radii; near the half-maximum radius, and the sum of
    weights there; near the center, and the sum of weights there; what the squared data hold inside
    the last radius beyond the squared model and the noise (ADU^2); and the area that was summed in
    each zone, px.

    The background is the mesh's alone: a star's own level, fitted close by, holds some of its
    wings. A pixel counts by the part of it inside the circle, taken as linear across its edge;
    pixels that another object lights, or that are far off what all stars show, count nothing.
    Parameters as in `starwinnow.profile.kernel.accumulate`, and the three radii.
    """
    sums = np.zeros((len(own), 11))
    # A star's own level is taken for light.
    plain, none = own * [1, 1, 1, 0], np.empty((0, 0), np.float32)
    _look_at_stars(
        *cutouts.flat, cutouts.corner_px, noise_adu, plain, *shape, disc, expected,
        core_of(shape[0]), 0.0, 0.0, none, none, np.append(radii_px, half_width_px), sums,
    )  # fmt: skip
    return sums


def stack_remainders(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    weight: NDArray[np.float64],
    shape: Shape,
    disc: NDArray[np.int64],
    expected: NDArray[np.float32],
) -> NDArray[np.float64]:
    """Add up what the model leaves over of each star, moved by whole pixels to one centre.

    Parameters as in `starwinnow.profile.kernel.accumulate`, and the stars' weights, shape (n,).

    Returns
    -------
    ndarray, shape (3, m)
        Sums of weight * peak * remainder, of weight * peak^2, and of (weight * peak * remainder)^2.
    """
    used = weight > 0
    left, counted = left_over(cutouts.of(used), noise_adu, own[used], shape, disc, expected)
    share = weight[used] * own[used, 0] ** 2
    # In units of the largest: squares of an absurd BSCALE are beyond single precision.
    unit = float(np.max(share, initial=0.0)) or 1.0
    part = (share / unit).astype(np.float32)
    pull = part[:, np.newaxis] * left
    sums = np.stack([pull.sum(axis=0), part @ counted, np.einsum("ni,ni->i", pull, pull)])
    return sums * [[unit], [unit], [unit**2]]


def left_over(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: Shape,
    disc: NDArray[np.int64],
    expected: NDArray[np.float32],
    right_px: float = 0.0,
    up_px: float = 0.0,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give what the model leaves over of each star in units of its peak, and what of it counts.

    Parameters as in `starwinnow.profile.kernel.accumulate`, and how far the model is looked at
    right and up of each pixel.

    Returns
    -------
    left : ndarray of float32, shape (n, m)
        0 where a pixel does not count.
    counted : ndarray of float32, shape (n, m)
        1 where it does, else 0.
    """
    left, counted = np.empty((2, len(own), disc.shape[1]), np.float32)
    _look_at_stars(
        *cutouts.flat, cutouts.corner_px, noise_adu, own, *shape, disc, expected,
        core_of(shape[0]), right_px, up_px, left, counted, np.empty(0), np.empty((0, 0)),
    )  # fmt: skip
    return left, counted


def profile_values(
    cutouts: Cutouts,
    own: NDArray[np.float64],
    shape: Shape,
    disc: NDArray[np.int64],
    right_px: float = 0.0,
    up_px: float = 0.0,
) -> NDArray[np.float64]:
    """Give the profile of peak 1 in stars' pixels, as it is right and up of them.

    Parameters as in `left_over`.

    Returns
    -------
    ndarray, shape (n, m)
        0 in pixels without value.
    """
    # What stars of no light leave over.
    dark = Cutouts(light_adu=0 * cutouts.light_adu, corner_px=cutouts.corner_px)
    alike = own * [0, 1, 1, 0] + [1, 0, 0, 0]
    left, _ = left_over(
        dark, math.inf, alike, shape, disc, expected_on(None, disc), right_px, up_px
    )
    return -left.astype(np.float64)


@compiled
def _look_at_stars(
    light, side, corner, noise, own, shape, inverse_beta, disc, expected, core, right, up, left,
    counted, apertures, sums,
):  # fmt: skip
    """Fill in `left` and `counted` of `left_over`, or `sums` of `aperture_residuals`.

    The latter where `apertures` holds its three radii and the radius of half maximum. Two kernels
    would take twice as long to compile, most of it for the profile.
    """
    us, vs, offsets = spread_disc(disc, side)
    listed = room_for_list(disc)
    core = min(core, listed.shape[1])
    nodes = room_for_nodes(listed, core)
    zero, one = np.float32(0.0), np.float32(1.0)
    profile, n = np.empty(nodes.shape[1], np.float32), len(us)
    rest, counts = np.empty(n, np.float32), np.empty(n, np.float32)
    values, star, center, spread = listed[2, :n], profile[:n], expected[0], expected[1]
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        list_star(light[k], side, corner[k, 0], corner[k, 1], x0, y0, us, vs, offsets, listed)
        fill_profile(listed, right, up, core, shape, inverse_beta, nodes, profile)
        # In units of the peak, whose square is no number of single precision for any BSCALE.
        scale, sigma, base = np.float32(1.0 / peak), np.float32(noise / peak), np.float32(level)
        for i in range(n):
            residual = (values[i] - base) * scale - star[i]
            good = is_expected(residual, sigma, star[i], one, center[i], spread[i])
            rest[i] = residual if good else zero
            counts[i] = one if good else zero
        if len(apertures) > 0:
            _sum_apertures(listed, star, rest, counts, sigma, apertures, peak, sums[k])
        else:
            for i in range(n):
                left[k, i], counted[k, i] = rest[i], counts[i]


@embedded
def _sum_apertures(listed, profile, rest, counts, sigma, apertures, peak, sums):
    zero, one, two = np.float32(0.0), np.float32(1.0), np.float32(2.0)
    # Where half a pixel is inside, so much of it is.
    first, middle = np.float32(apertures[0] + 0.5), np.float32(apertures[1] + 0.5)
    last, ring = np.float32(apertures[2] + 0.5), np.float32(apertures[3])
    per_ring, per_center = two / ring, one / (np.float32(0.75) * ring)
    in_first, in_middle, in_last, power = zero, zero, zero, 0.0
    area_first, area_middle, area_last = zero, zero, zero
    at_half, at_half_weight, at_center, at_center_weight = zero, zero, zero, zero
    x, y = listed[0], listed[1]
    for i in range(len(rest)):
        distance = np.sqrt(x[i] * x[i] + y[i] * y[i])
        seen, left = counts[i], rest[i]
        # In double precision: of a star all but dark squares are beyond single precision.
        left2, sigma2 = float(left) * float(left), float(sigma) * float(sigma)
        beyond = float(two * profile[i]) * float(left) + left2 - sigma2
        power += beyond if (distance <= last) & (seen > zero) else 0.0
        inside = seen * min(max(first - distance, zero), one)
        in_first += left * inside
        area_first += inside
        inside = seen * min(max(middle - distance, zero), one)
        in_middle += left * inside
        area_middle += inside
        inside = seen * min(max(last - distance, zero), one)
        in_last += left * inside
        area_last += inside
        away = (distance - ring) * per_ring
        weight = seen * max(one - away * away, zero)
        weight *= weight
        at_half += left * weight
        at_half_weight += weight
        away = distance * per_center
        weight = seen * max(one - away * away, zero)
        weight *= weight
        at_center += left * weight
        at_center_weight += weight
    sums[0], sums[1] = in_first * peak, (in_middle - in_first) * peak
    sums[2] = (in_last - in_middle) * peak
    sums[3], sums[4] = at_half * peak, at_half_weight
    sums[5], sums[6] = at_center * peak, at_center_weight
    sums[7], sums[8] = power * peak * peak, area_first
    sums[9], sums[10] = area_middle - area_first, area_last - area_middle
