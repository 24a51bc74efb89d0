"""A star's pixels as lists, and the profile at each: what all loops over stars stand on."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner

__all__ = [
    "NODE_PX",
    "NODE_WEIGHT",
    "STEPS_PER_Q",
    "is_expected",
    "node_counts",
    "nodes_at",
    "pixels_about",
    "profile_table",
    "profile_values",
]

# Table of the profile over q = (2 r / FWHM)^2: linear interpolation in steps of 1/32 is good to
# h^2 / 8 * beta (beta + 1) kappa^2 < 1e-4 of the peak.
STEPS_PER_Q = 32

# Pixels within 1.4 FWHM of the centre carry the shape and are integrated with more nodes.
_CORE_Q = 7.5
# Row k - 1: Gauss-Legendre nodes and weights on a pixel's side, k of them.
NODE_PX = np.array(
    [[0.0, 0.0, 0.0], [-(12.0**-0.5), 12.0**-0.5, 0.0], [-(0.15**0.5), 0.0, 0.15**0.5]]
)
NODE_WEIGHT = np.array([[1.0, 0.0, 0.0], [0.5, 0.5, 0.0], [5 / 18, 8 / 18, 5 / 18]])
# Below this FWHM two nodes a side err by more than 0.1 % of the peak.
_NARROW_FWHM_PX = 2.2

# A pixel further from the model than 4.5 times its noise joined with 15 % of the model is a hot
# pixel, a cosmic ray or another object, not a star that differs a little from the average.
_CLIP_SIGMA = 4.5
_MODEL_TOLERANCE = 0.15


@compiled
def profile_table(inverse_beta, q_max):
    """Profile of one beta over q: I, dI/dq, dI/d(1/beta), and their steps to the next row.

    See `starwinnow.profile.moffat` for I. Shape (n, 6), for q from 0 to `q_max`; beyond, the
    last value holds.
    """
    n = int(STEPS_PER_Q * q_max) + 2
    table = np.empty((n, 6))
    kappa = 2.0**inverse_beta - 1.0
    kappa_slope = 2.0**inverse_beta * np.log(2.0)
    for row in range(n):
        q = row / STEPS_PER_Q
        base = 1.0 + kappa * q
        log_base = np.log(base)
        value = np.exp(-log_base / inverse_beta)
        table[row, 0] = value
        table[row, 1] = -value * kappa / (inverse_beta * base)
        table[row, 2] = value * (
            log_base / inverse_beta**2 - kappa_slope * q / (inverse_beta * base)
        )
    for row in range(n - 1):
        for column in range(3):
            table[row, 3 + column] = table[row + 1, column] - table[row, column]
    return table[: n - 1]


def node_counts(shape: NDArray[np.float64]) -> tuple[int, int]:
    """Nodes on a pixel's side for the core and for the wings of a star."""
    fwhm = float((shape[0, 0] * shape[0, 2] - shape[0, 1] ** 2) ** -0.25)
    return (3, 2) if fwhm < _NARROW_FWHM_PX else (2, 1)


@inner
def pixels_about(square, left, top, x0, y0, reach, common, lists, spots):
    """List the pixels of a square that lie within `reach` of (x0, y0).

    Parameters
    ----------
    square : ndarray of float32, shape (side, side)
        Its first pixel is (left, top) of the frame.
    common : ndarray of float64, shape (2, m)
        See `starwinnow.profile.remainders.common_remainder`.
    lists : ndarray of float64, shape (3, side^2)
        Rows receive x and y from the centre, and the light.
    spots : ndarray of int64, shape (side^2,)
        Receives each pixel's place in `common`.

    Returns
    -------
    count : int
        How many pixels there are.
    """
    side = len(square)
    wide = int(np.sqrt(common.shape[1] - 1.0) + 0.5)
    start_u = left - int(np.floor(x0 + 0.5)) + wide // 2
    start_v = top - int(np.floor(y0 + 0.5)) + wide // 2
    count = 0
    for v in range(side):
        y = top + v - y0
        half = reach * reach - y * y
        if not half > 0:
            continue
        half = np.sqrt(half)
        first = max(int(np.ceil(x0 - half)) - left, 0)
        end = max(min(int(np.floor(x0 + half)) - left, side - 1) + 1, first)
        here = slice(count, count + end - first)
        dx, dy, light, spot = lists[0, here], lists[1, here], lists[2, here], spots[here]
        row, x, u = square[v, first:end], left + first - x0, start_u + first
        known, before = 0 <= start_v + v < wide, (start_v + v) * wide + u
        # No branch inside: the loops then use vector instructions.
        for i in range(len(row)):
            dx[i] = x + i
            dy[i] = y
        for i in range(len(row)):
            light[i] = row[i]
        for i in range(len(row)):
            spot[i] = before + i if known & (u + i >= 0) & (u + i < wide) else wide * wide
        count += len(row)
    return count


@inlined
def nodes_at(dx, dy, a0, a1, a2, core, outer):
    """Nodes on a pixel's side at an offset from a star: `core` near its centre, else `outer`."""
    return core if a0 * dx * dx + a1 * dx * dy + a2 * dy * dy < _CORE_Q * STEPS_PER_Q else outer


@inner
def profile_values(lists, right, up, count, core, outer, shape, table, values):
    """Pixel-averaged profile of peak 1 at each pixel of a list, moved right and up, px.

    `core` and `outer` are the nodes on a pixel's side near the centre and elsewhere; which of
    them a pixel has does not change as it is moved.
    """
    scale = 4.0 * STEPS_PER_Q
    a0, a1, a2 = scale * shape[0, 0], 2.0 * scale * shape[0, 1], scale * shape[0, 2]
    for i in range(count):
        value = 0.0
        nodes = nodes_at(lists[0, i], lists[1, i], a0, a1, a2, core, outer)
        x0, y0 = lists[0, i] + right, lists[1, i] + up
        # Loops of known length are much the faster.
        if nodes == 1:
            value = _value_at(x0, y0, a0, a1, a2, table)
        elif nodes == 2:
            for j in range(2):
                for k in range(2):
                    x, y = x0 + NODE_PX[1, k], y0 + NODE_PX[1, j]
                    value += 0.25 * _value_at(x, y, a0, a1, a2, table)
        else:
            for j in range(nodes):
                for k in range(nodes):
                    x, y = x0 + NODE_PX[2, k], y0 + NODE_PX[2, j]
                    weight = NODE_WEIGHT[2, j] * NODE_WEIGHT[2, k]
                    value += weight * _value_at(x, y, a0, a1, a2, table)
        values[i] = value


@inlined
def _value_at(x, y, a0, a1, a2, table):
    spot = min(a0 * x * x + a1 * x * y + a2 * y * y, len(table) - 1.0)
    whole = int(spot)
    row = np.uintp(whole)  # unsigned: no check for counting from the end
    return table[row, 0] + (spot - whole) * table[row, 3]


@inlined
def is_expected(residual, noise, light, peak, common, spot):
    """Whether a residual is no further from what all stars leave over than one may expect.

    Never where the pixel has no value.
    """
    limit = noise + _MODEL_TOLERANCE * light + peak * common[1, spot]
    return abs(residual - peak * common[0, spot]) < _CLIP_SIGMA * limit
