"""A star's pixels as lists, and the profile at each: what all loops over stars stand on."""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import inlined, inner
from starwinnow.profile.moffat_values import moffat_values

__all__ = [
    "NODES",
    "core_of",
    "disc_of",
    "is_expected",
    "lists_for",
    "pixels_about",
    "profile_values",
    "quadratic",
    "spread_q",
]

# The mean of a profile over a pixel is f + (f_xx + f_yy) / 24 up to its fourth derivatives
# (Taylor's series). Where those matter, in the core, nodes are used: 3x3 of Gauss and Legendre.
# Rows: x, y and weight, of nine nodes on a pixel.
_SIDE = np.array([-(0.15**0.5), 0.0, 0.15**0.5])
_SHARE = np.array([5.0, 8.0, 5.0]) / 18
NODES = np.stack(
    [np.tile(_SIDE, 3), np.repeat(_SIDE, 3), np.outer(_SHARE, _SHARE).ravel()]
).astype(np.float32)
# Pixels next to a star's centre that are its core, below a FWHM in px along the shorter axis.
# What is left errs by 1e-3 of the peak below 2.2 px, by 8e-4 at 2.6 px, 3e-4 at 3.5 px and 2e-4
# at 6 px, for Moffats and Gaussians.
_CORES = ((2.6, 32), (6.0, 16))
# Lists are filled up to a multiple of this, so that vector instructions do all.
_TOGETHER = 16

# A pixel further from the model than 4.5 times its noise joined with 15 % of the model is a hot
# pixel, a cosmic ray or another object, not a star that differs a little from the average.
_CLIP_SIGMA = np.float32(4.5)
_MODEL_TOLERANCE = np.float32(0.15)


def core_of(shape: NDArray[np.float64]) -> int:
    """Tell how many pixels next to a star's centre need nodes, a multiple of sixteen."""
    xx, xy, yy = shape[0].tolist()
    # The larger eigenvalue of C^-1 belongs to the shorter axis.
    steepest = 0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy)
    for widest, core in _CORES:
        if steepest * widest**2 > 1:
            return core
    return 0


def disc_of(reach_px: float) -> NDArray[np.int64]:
    """Give the pixels about a star's own that lie within a distance of it: rows u, v, nearest first.

    Shape (2, n).
    """
    return _disc(int(reach_px**2))


@lru_cache(maxsize=64)
def _disc(distance2: int) -> NDArray[np.int64]:
    half = math.isqrt(distance2)
    v, u = np.indices((2 * half + 1, 2 * half + 1)).reshape(2, -1) - half
    away = u * u + v * v
    order = np.argsort(away, kind="stable")[: np.count_nonzero(away <= distance2)]
    disc = np.stack([u[order], v[order]])
    disc.flags.writeable = False
    return disc


@inlined
def lists_for(disc, common):
    """Room for the lists of a disc's pixels, for the work on them, and what each is expected to hold.

    Parameters
    ----------
    disc : ndarray of int64, shape (2, n)
        See `disc_of`.
    common : ndarray of float64, shape (2, side, side)
        See `starwinnow.profile.remainders.common_remainder`; beside it 0 is expected.

    Returns
    -------
    lists : ndarray of float32, shape (5, m)
        m is n filled up. Rows: x and y from the star's centre and the light, for `pixels_about`;
        the two values of `common`.
    nodes : ndarray of float32, shape (3, k)
        Room for `profile_values`.
    """
    n, middle = disc.shape[1], common.shape[1] // 2
    lists = np.zeros((5, n + -n % _TOGETHER), np.float32)
    for i in range(n):
        u, v = disc[0, i] + middle, disc[1, i] + middle
        if 0 <= u < common.shape[1] and 0 <= v < common.shape[1]:
            lists[3, i], lists[4, i] = common[0, v, u], common[1, v, u]
    return lists, np.empty((3, 9 * lists.shape[1]), np.float32)


@inner
def pixels_about(square, left, top, x0, y0, disc, lists):
    """List the pixels of a disc about (x0, y0): x and y from there, and the light.

    Parameters
    ----------
    square : ndarray of float32, shape (side, side)
        Its first pixel is (left, top) of the frame; pixels beside it have no value.
    disc : ndarray of int64, shape (2, n)
        See `disc_of`.
    lists : ndarray of float32, shape (5, m)
        From `lists_for`; receives the first three rows.

    Returns
    -------
    count : int
        How many pixels there are: n, or none where the place is NaN.
    """
    if np.isnan(x0) or np.isnan(y0):
        return 0
    side, n = len(square), disc.shape[1]
    column, row = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
    right, up = np.float32(column - x0), np.float32(row - y0)
    for i in range(n):
        lists[0, i] = right + np.float32(disc[0, i])
        lists[1, i] = up + np.float32(disc[1, i])
    column, row = column - left, row - top
    # The furthest comes last.
    half = int(np.sqrt(disc[0, n - 1] ** 2 + disc[1, n - 1] ** 2))
    if half <= column < side - half and half <= row < side - half:
        flat, middle = square.ravel(), row * side + column
        for i in range(n):
            lists[2, i] = flat[middle + disc[1, i] * side + disc[0, i]]
    else:
        for i in range(n):
            u, v = column + disc[0, i], row + disc[1, i]
            inside = 0 <= u < side and 0 <= v < side
            lists[2, i] = square[v, u] if inside else np.float32(np.nan)
    return n


@inlined
def quadratic(shape, k):
    """Row k of a shape's matrices as factors of x^2, x y and y^2: q, or its derivative."""
    return (
        np.float32(4.0 * shape[k, 0]), np.float32(8.0 * shape[k, 1]), np.float32(4.0 * shape[k, 2])
    )  # fmt: skip


@inlined
def spread_q(lists, right, up, core, c0, c1, c2, q):
    """Write q = c0 x^2 + c1 x y + c2 y^2 of the core's nodes, node by node, then of other pixels.

    All of them moved right and up. Returns how many were written.
    """
    for k in range(9):
        x0, y0, here = lists[0, :core], lists[1, :core], q[k * core : (k + 1) * core]
        for i in range(len(here)):
            x, y = x0[i] + (right + NODES[0, k]), y0[i] + (up + NODES[1, k])
            here[i] = c0 * x * x + c1 * x * y + c2 * y * y
    n = 8 * core + lists.shape[1]
    x0, y0, here = lists[0, core:], lists[1, core:], q[9 * core : n]
    for i in range(len(here)):
        x, y = x0[i] + right, y0[i] + up
        here[i] = c0 * x * x + c1 * x * y + c2 * y * y
    return n


@inner
def profile_values(lists, right, up, core, shape, inverse_beta, nodes, values):
    """Pixel-averaged profile of peak 1 at each pixel of a list, moved right and up, px.

    Which pixels are of the core does not change as they are moved. `nodes` is room for the work,
    `values` (m,) of float32 receives the profile.
    """
    core = min(core, lists.shape[1])
    c0, c1, c2 = quadratic(shape, 0)
    right, up = np.float32(right), np.float32(up)
    one, two, part = np.float32(1.0), np.float32(2.0), np.float32(1.0 / 24.0)
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    first, second = -kappa * beta, -kappa * (beta + one)
    curved = two * (c0 + c2) * part
    n = spread_q(lists, right, up, core, c0, c1, c2, nodes[0])
    moffat_values(nodes[0, :n], inverse_beta, nodes[1, :n], nodes[2, :n])
    here = values[:core]
    here[:] = np.float32(0.0)
    for k in range(9):
        profile = nodes[2, k * core : (k + 1) * core]
        for i in range(len(here)):
            here[i] += NODES[2, k] * profile[i]
    x0, y0, here = lists[0, core:], lists[1, core:], values[core:]
    q, profile = nodes[0, 9 * core : n], nodes[2, 9 * core : n]
    for i in range(len(here)):
        x, y, f = x0[i] + right, y0[i] + up, profile[i]
        slope_x, slope_y = two * c0 * x + c1 * y, c1 * x + two * c2 * y
        steep = (slope_x * slope_x + slope_y * slope_y) * part
        shrunk = one / (one + kappa * q[i])
        here[i] = f + first * shrunk * f * (curved + second * shrunk * steep)


@inlined
def is_expected(residual, noise, light, peak, center, spread):
    """Whether a residual is no further from what all stars leave over than one may expect.

    Never where the pixel has no value.
    """
    limit = noise + _MODEL_TOLERANCE * light + peak * spread
    return abs(residual - peak * center) < _CLIP_SIGMA * limit
