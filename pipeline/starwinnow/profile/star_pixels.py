"""Stars' pixels as lists, and the profile at each: what all loops over stars stand on."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.profile.moffat_values import moffat_values, nodes_on_pixel, quadratic

__all__ = [
    "Shape",
    "core_of",
    "disc_of",
    "expected_on",
    "fill_profile",
    "image_of",
    "is_expected",
    "join_nodes",
    "list_star",
    "own_pixels",
    "room_for_list",
    "room_for_nodes",
    "spread_disc",
    "square_of",
    "steps_need_nodes",
]

# A shape as kernels take it, see `starwinnow.profile.kernel.accumulate`: matrices and 1 / beta.
Shape = tuple[NDArray[np.float64], float]

# The mean of a profile over a pixel is f + (f_xx + f_yy) / 24 up to its fourth derivatives
# (Taylor's series). Where those matter, in the core, nodes are used: 3x3 of Gauss and Legendre.
_NODES = nodes_on_pixel(3)
_TAYLOR = np.float32(1.0 / 24.0)
# Pixels next to a star's centre that are its core, below a FWHM in px along the shorter axis.
# What is left errs by 1e-3 of the peak below 2.2 px, by 8e-4 at 2.6 px, 3e-4 at 3.5 px and 2e-4
# at 6 px, for Moffats and Gaussians; by a few times that along the ridge of a narrow trail, which
# reaches beyond the nearest pixels.
_CORES = ((2.6, 25), (6.0, 9))
# Lists are filled up to a multiple of this, so that vector instructions do all.
_TOGETHER = 16

# A pixel further from the model than 4.5 times its noise joined with 15 % of the model is a hot
# pixel, a cosmic ray or another object, not a star that differs a little from the average.
_CLIP_SIGMA = np.float32(4.5)
_MODEL_TOLERANCE = np.float32(0.15)


def core_of(shape: NDArray[np.float64]) -> int:
    """Tell how many pixels next to a star's centre need nodes."""
    xx, xy, yy = shape[0].tolist()
    # The larger eigenvalue of C^-1 belongs to the shorter axis.
    steepest = 0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy)
    for widest, core in _CORES:
        if steepest * widest**2 > 1:
            return core
    return 0


def steps_need_nodes(core: int) -> bool:
    """Tell whether a fit's steps need nodes, too, for a core.

    In wider stars the series' derivatives err by 3 % of their largest at most: a step differs by as
    much, and where the steps end by far less than noise.
    """
    return core == _CORES[0][1]


def disc_of(reach_px: float) -> NDArray[np.int64]:
    """Give the pixels about a star's own that lie within a distance of it, nearest first.

    Returns
    -------
    ndarray of int64, shape (2, n)
        Rows: x and y from the star's own pixel.
    """
    return _disc(int(reach_px**2))


@lru_cache(maxsize=64)
def _disc(distance2: int) -> NDArray[np.int64]:
    half = math.isqrt(distance2)
    v, u = np.indices((2 * half + 1, 2 * half + 1)).reshape(2, -1) - half
    away = u * u + v * v
    order = np.argsort(away, kind="stable")[: np.count_nonzero(away <= distance2)]
    return np.stack([u[order], v[order]])


@lru_cache(maxsize=64)
def square_of(side: int) -> NDArray[np.int64]:
    """Give the pixels of a square about a star's own, as `disc_of` does those of a disc."""
    disc = disc_of(side / math.sqrt(2.0))
    return np.ascontiguousarray(disc[:, (np.abs(disc) <= side // 2).all(axis=0)])


def own_pixels(own: NDArray[np.float64]) -> NDArray[np.int64]:
    """Give the pixel each star's centre is in: x and y, shape (n, 2); 0 where it has no place.

    Parameters
    ----------
    own : ndarray, shape (n, 4)
        x and y of each star, px, in columns 1 and 2.
    """
    return np.floor(np.nan_to_num(own[:, 1:3]) + 0.5).astype(np.int64)


def image_of(values: NDArray[np.float64], square: NDArray[np.int64]) -> NDArray[np.float64]:
    """Put values of the pixels of a `square_of`, shape (m, n), to their places: (m, side, side)."""
    half = int(square.max())
    image = np.zeros((len(values), 2 * half + 1, 2 * half + 1))
    image[:, square[1] + half, square[0] + half] = values
    return image


@inlined
def spread_disc(disc, side):
    """Rows of a disc as float32, and where each pixel is in a flat square of this side."""
    n = disc.shape[1]
    us, vs, offsets = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.int32)
    for i in range(n):
        us[i], vs[i], offsets[i] = disc[0, i], disc[1, i], disc[1, i] * side + disc[0, i]
    return us, vs, offsets


@inner
def list_star(square, side, left, top, x0, y0, us, vs, offsets, listed):
    """List a star's pixels.

    Parameters
    ----------
    square : ndarray of float32, shape (side^2,)
        Row by row; its first pixel is (left, top) of the frame.
    x0, y0 : float
        Where the star is; where that is NaN all pixels are without light.
    us, vs, offsets : ndarray, shape (n,)
        From `spread_disc`.
    listed : ndarray of float32, shape (3, m)
        From `room_for_list`. Rows receive x and y from the star's centre, px, and light, ADU: NaN
        beside the square and where the list is filled up.
    """
    x, y, values, n = listed[0], listed[1], listed[2], len(us)
    lost = np.isnan(x0) or np.isnan(y0)
    for i in range(0 if lost else n, len(values)):
        x[i], y[i], values[i] = 0.0, 0.0, np.nan
    if lost:
        return
    column, row = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
    right, up = np.float32(column - x0), np.float32(row - y0)
    for i in range(n):
        x[i] = right + us[i]
        y[i] = up + vs[i]
    column, row = column - left, row - top
    middle = row * side + column
    # The furthest comes last.
    half = int(np.sqrt(us[n - 1] ** 2 + vs[n - 1] ** 2))
    if half <= column < side - half and half <= row < side - half:
        for i in range(n):
            values[i] = square[np.uintp(middle + offsets[i])]
        return
    for i in range(n):
        u, v = column + int(us[i]), row + int(vs[i])
        inside = 0 <= u < side and 0 <= v < side
        values[i] = square[middle + offsets[i]] if inside else np.float32(np.nan)


@inlined
def room_for_list(disc):
    """Room for a star's pixels, filled up so that vector instructions do all."""
    n = disc.shape[1]
    return np.empty((3, n + -n % _TOGETHER), np.float32)


@inlined
def room_for_nodes(listed, core):
    """Room for a list's m pixels, then nine times the core's pixels, each time at another node.

    Rows of float32: x, y, q, E and exp(-E) as `moffat_values` has them, and what f_xx + f_yy is
    multiplied by, 1/24 for a pixel and 0 for a node.
    """
    m = listed.shape[1]
    nodes = np.empty((6, m + 9 * core), np.float32)
    for i in range(nodes.shape[1]):
        nodes[5, i] = _TAYLOR if i < m else np.float32(0.0)
    return nodes


@inner
def fill_profile(listed, right, up, core, shape, inverse_beta, nodes, means):
    """Pixel-averaged profile of peak 1 at each pixel of a list, moved right and up, px.

    Parameters
    ----------
    listed : ndarray of float32, shape (3, m)
        From `list_star`.
    right, up : float
        Which pixels are of the core does not change as they are moved.
    core : int
        `core_of` the shape.
    shape, inverse_beta
        See `starwinnow.profile.kernel.accumulate`.
    nodes : ndarray of float32, shape (6, k)
        `room_for_nodes`, which is filled in.
    means : ndarray of float32, shape (k,)
        Receives the profile, and behind it its values at the nodes.
    """
    one, two = np.float32(1.0), np.float32(2.0)
    right, up = np.float32(right), np.float32(up)
    c0, c1, c2 = quadratic(shape[0])
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    first, second, curved = -kappa * beta, -kappa * (beta + one), two * (c0 + c2)
    x0, y0, m = listed[0], listed[1], listed.shape[1]
    x, y = nodes[0, :m], nodes[1, :m]
    for i in range(len(x)):
        x[i] = x0[i] + right
        y[i] = y0[i] + up
    for k in range(9):
        here = slice(m + k * core, m + (k + 1) * core)
        x, y, dx, dy = nodes[0, here], nodes[1, here], right + _NODES[0, k], up + _NODES[1, k]
        for i in range(len(x)):
            x[i] = x0[i] + dx
            y[i] = y0[i] + dy
    x, y, q, profile, taylor = nodes[0], nodes[1], nodes[2], nodes[4], nodes[5]
    for i in range(len(q)):
        q[i] = c0 * x[i] * x[i] + c1 * x[i] * y[i] + c2 * y[i] * y[i]
    moffat_values(q, inverse_beta, nodes[3], profile)
    for i in range(len(q)):
        gx, gy = two * c0 * x[i] + c1 * y[i], c1 * x[i] + two * c2 * y[i]
        shrunk = one / (one + kappa * q[i])
        bend = second * shrunk * (gx * gx + gy * gy) + curved
        means[i] = profile[i] * (one + first * shrunk * bend * taylor[i])
    join_nodes(means, m, core)


@inner
def join_nodes(row, m, core):
    """Put the mean of its nodes in the place of each of the core's pixels, the first of m."""
    joined, part = row[:core], row[m : m + core]
    for i in range(len(joined)):
        joined[i] = _NODES[2, 0] * part[i]
    for k in range(1, 9):
        part, weight = row[m + k * core : m + (k + 1) * core], _NODES[2, k]
        for i in range(len(joined)):
            joined[i] += weight * part[i]


def expected_on(common: NDArray[np.float64] | None, disc: NDArray[np.int64]) -> NDArray[np.float32]:
    """Give what is expected beyond the profile in the pixels of a disc, in units of the peak.

    Parameters
    ----------
    common : ndarray, shape (2, side, side), or None
        See `starwinnow.profile.remainders.common_remainder`; beside it, or without, 0.
    disc : ndarray of int64, shape (2, n)
        See `disc_of`.

    Returns
    -------
    ndarray of float32, shape (2, n)
    """
    values = np.zeros((2, disc.shape[1]), np.float32)
    if common is not None:
        _fill_expected(common, disc, values)
    return values


@compiled
def _fill_expected(common, disc, values):
    side = common.shape[1]
    for i in range(disc.shape[1]):
        u, v = disc[0, i] + side // 2, disc[1, i] + side // 2
        if 0 <= u < side and 0 <= v < side:
            values[0, i], values[1, i] = common[0, v, u], common[1, v, u]


@inlined
def is_expected(residual, noise, light, peak, center, spread):
    """Whether a residual is no further from what all stars leave over than one may expect.

    Never where the pixel has no value.
    """
    limit = noise + _MODEL_TOLERANCE * light + peak * spread
    return abs(residual - peak * center) < _CLIP_SIGMA * limit
