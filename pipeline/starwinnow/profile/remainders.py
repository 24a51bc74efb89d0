"""What the stars' pixels hold beyond the fitted profile: in common, in apertures, stacked."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined
from starwinnow.frame import Pixels
from starwinnow.profile.kernel import (
    is_expected,
    nearer_to_another,
    node_counts,
    nodes_at,
    profile_value,
)

__all__ = [
    "aperture_residuals",
    "common_remainder",
    "in_light_of_another",
    "stack_remainders",
]


def common_remainder(
    pixels: Pixels,
    background: Background,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    table: NDArray[np.float64],
    radius_px: float,
    neighbours: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Find what the stars' images have in common beyond the profile, in units of its peak.

    The median over the stars, pixel by pixel from the nearest to each centre, and the spread
    between them beyond the noise (where narrow images fall differently on the pixels): what a
    jolt or a trail adds to all of them shows, hot pixels and chance neighbours do not.
    Parameters as in `starwinnow.profile.kernel.accumulate`.

    Returns
    -------
    ndarray of float64, shape (2, side, side)
        Median and spread; `side` is odd and reaches to the radius.
    """
    side = 2 * int(np.ceil(radius_px)) + 1
    stamps = np.zeros((len(own), side, side))
    _fill_stamps(
        pixels, background.mesh_adu, background.cells_per_px, own, shape, table, neighbours,
        *node_counts(shape), stamps,
    )  # fmt: skip
    # Of an even number the lower median: with two stars, what both have.
    middle = (len(own) - 1) // 2
    center = np.partition(stamps, middle, axis=0)[middle]
    # Narrow images fall on the pixels in a few ways, not in Gaussian ones: the distance that
    # 85 % keep within (1.44 sigma of a Gaussian) sees them all, and few pixels are hot.
    most = int(0.85 * (len(own) - 1))
    spread = np.partition(np.abs(stamps - center), most, axis=0)[most] / 1.439531
    noise = background.noise_adu / max(float(np.median(own[:, 0])), 1e-6)
    return np.stack([center, np.sqrt(np.maximum(spread**2 - noise**2, 0.0))])


@compiled
def _fill_stamps(pixels, mesh, cells_per_px, own, shape, table, neighbours, core, outer, stamps):
    ny, nx = pixels.shape
    side = stamps.shape[1]
    half = side // 2
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        if np.isnan(x0) or np.isnan(y0) or not peak > 0:
            continue
        xc, yc = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
        base = level_at(mesh, cells_per_px[0], cells_per_px[1], y0, x0) + level
        for v in range(side):
            for u in range(side):
                y, x = yc + v - half, xc + u - half
                if y < 0 or x < 0 or y >= ny or x >= nx:
                    continue
                dx, dy = x - x0, y - y0
                if nearer_to_another(neighbours, k, x, y, dx * dx + dy * dy):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                left = (pixels[y, x] - base) / peak - profile_value(dx, dy, shape, table, nodes)
                if not np.isnan(left):
                    stamps[k, v, u] = left


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


@compiled
def aperture_residuals(
    pixels,
    mesh,
    cells_per_px,
    noise,
    own,
    shape,
    table,
    lights,
    common,
    radii,
    half_width,
    core,
    outer,
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
    ny, nx = pixels.shape
    sums = np.zeros((len(own), 11))
    reach = radii[2] + 1.0
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        for y in range(max(int(y0 - reach), 0), min(int(y0 + reach) + 2, ny)):
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0)
            slope = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0 + 1.0) - base
            for x in range(max(int(x0 - reach), 0), min(int(x0 + reach) + 2, nx)):
                dx, dy = x - x0, y - y0
                distance2 = dx * dx + dy * dy
                distance = np.sqrt(distance2)
                if distance >= radii[2] + 0.5 or in_light_of_another(lights, k, x, y, distance2):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                light = peak * profile_value(dx, dy, shape, table, nodes)
                residual = pixels[y, x] - base - slope * dx - light
                if is_expected(residual, noise, light, peak, common, dx, dy):
                    sums[k, 7] += (2.0 * light + residual) * residual - noise * noise
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
def stack_remainders(
    pixels,
    mesh,
    cells_per_px,
    noise,
    own,
    weight,
    shape,
    table,
    neighbours,
    common,
    core,
    outer,
    sums,
):
    """Add up what the model leaves over of each star, moved by whole pixels to one centre.

    `sums`, shape (3, side, side), receives the sums of weight * peak * remainder, of weight *
    peak^2, and of (weight * peak * remainder)^2.
    """
    ny, nx = pixels.shape
    side = sums.shape[1]
    half = side // 2
    for k in range(len(own)):
        if weight[k] <= 0:
            continue
        peak, x0, y0, level = own[k]
        xc, yc = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
        for v in range(side):
            y = yc + v - half
            if y < 0 or y >= ny:
                continue
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0)
            slope = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0 + 1.0) - base
            for u in range(side):
                x = xc + u - half
                if x < 0 or x >= nx:
                    continue
                dx, dy = x - x0, y - y0
                if nearer_to_another(neighbours, k, x, y, dx * dx + dy * dy):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                light = peak * profile_value(dx, dy, shape, table, nodes)
                residual = pixels[y, x] - base - slope * dx - level - light
                if is_expected(residual, noise, light, peak, common, dx, dy):
                    pulled = weight[k] * peak * residual
                    sums[0, v, u] += pulled
                    sums[1, v, u] += weight[k] * peak * peak
                    sums[2, v, u] += pulled * pulled
