"""Compiled inner loop of the profile fit: each star's normal equations for one shared shape."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.star_pixels import (
    NODE_PX,
    NODE_WEIGHT,
    STEPS_PER_Q,
    is_expected,
    node_counts,
    nodes_at,
    pixels_about,
    profile_values,
)

__all__ = ["accumulate", "curvature_pull"]

# Order of a star's parameters everywhere below: its own four, peak, x, y, level; then the four of
# the frame's shape, ln FWHM, stretch1, stretch2, 1 / beta.


def accumulate(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    table: NDArray[np.float64],
    radius_px: float,
    *,
    common: NDArray[np.float64] | None,
    shared: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set up the normal equations of every star about its current parameters.

    Pixels weigh alike (the shape then does not depend on how bright a star is); pixels
    without value, outside the radius, nearer to a neighbour, or far off the model are left out.

    Parameters
    ----------
    cutouts : Cutouts
        One a star, without the pixels nearer to a neighbour.
    noise_adu : float
        Standard deviation of a pixel between the stars.
    own : ndarray of float64, shape (n, 4)
        Peak of the Moffat (ADU), x, y (px), level above the mesh (ADU) of each star.
    shape : ndarray of float64, shape (3, 3)
        Rows: C^-1 (xx, xy, yy) and its derivatives by stretch1 and stretch2, px^-2.
    table : ndarray of float64, shape (n, 6)
        `profile_table` of the current beta.
    radius_px : float
        Pixels whose centres lie within this distance of the star are used.
    common : ndarray of float64, shape (2, m), or None
        `common_remainder`: pixels further from the model and this than noise, tolerance and
        the stars' spread let expect are left out. Without it every pixel counts.
    shared : bool
        Whether the shape's parameters are wanted too: m is 8, else 4.

    Returns
    -------
    hessian : ndarray, shape (n, m, m)
        Sum of products of the derivatives of the model, in the order above.
    gradient : ndarray, shape (n, m)
        Sum of residual times derivative.
    """
    n, m = len(own), 8 if shared else 4
    hessian, gradient = np.empty((n, m, m)), np.empty((n, m))
    core, outer = node_counts(shape)
    noise = float("inf") if common is None else noise_adu
    expected = np.zeros((2, 1)) if common is None else common
    _accumulate(
        cutouts.light_adu, cutouts.corner_px, noise, own, shape, table, radius_px, expected,
        core, outer, hessian, gradient,
    )  # fmt: skip
    return hessian, gradient


@compiled
def _accumulate(
    light, corner, noise, own, shape, table, radius, common, core, outer, hessian, gradient
):
    room, m = light.shape[1] ** 2, gradient.shape[1]
    lists, spots = np.empty((3, room)), np.empty(room, np.int64)
    # One row a derivative, the residual in the place of the first that is not wanted.
    rows = np.empty((9, room))
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        count = 0
        if not (np.isnan(x0) or np.isnan(y0)):
            left, top = corner[k, 0], corner[k, 1]
            count = pixels_about(light[k], left, top, x0, y0, radius, common, lists, spots)
        if m == 4:
            _model_of_own(lists, count, peak, core, outer, shape, table, rows)
        else:
            _model(lists, count, peak, core, outer, shape, table, rows)
        for i in range(count):
            value = peak * rows[0, i]
            rows[m, i] = lists[2, i] - level - value
            if not is_expected(rows[m, i], noise, value, peak, common, spots[i]):
                for a in range(m + 1):
                    rows[a, i] = 0.0
        _sum_products(rows, count, hessian[k], gradient[k])


@inner
def _model(lists, count, peak, core, outer, shape, table, rows):
    """Pixel-averaged profile of peak 1 at each pixel of a list, and its derivatives.

    Rows: the profile, then derivatives by x, y and level and by the shape's four, of a star of
    this peak.
    """
    # q = c0 x^2 + c1 x y + c2 y^2, its derivatives by the stretches alike; and q in steps.
    c0, c1, c2 = 4.0 * shape[0, 0], 8.0 * shape[0, 1], 4.0 * shape[0, 2]
    d0, d1, d2 = 4.0 * shape[1, 0], 8.0 * shape[1, 1], 4.0 * shape[1, 2]
    e0, e1, e2 = 4.0 * shape[2, 0], 8.0 * shape[2, 1], 4.0 * shape[2, 2]
    a0, a1, a2 = STEPS_PER_Q * c0, STEPS_PER_Q * c1, STEPS_PER_Q * c2
    for i in range(count):
        dx, dy = lists[0, i], lists[1, i]
        sums = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        nodes = nodes_at(dx, dy, a0, a1, a2, core, outer)
        # Loops of known length are much the faster, and take much longer to compile.
        if nodes == 1:
            sums = _with_node(sums, dx, dy, 1.0, a0, a1, a2, table)
        elif nodes == 2:
            for j in range(2):
                y = dy + NODE_PX[1, j]
                for k in range(2):
                    sums = _with_node(sums, dx + NODE_PX[1, k], y, 0.25, a0, a1, a2, table)
        else:
            for j in range(nodes):
                y = dy + NODE_PX[2, j]
                for k in range(nodes):
                    weight = NODE_WEIGHT[2, j] * NODE_WEIGHT[2, k]
                    sums = _with_node(sums, dx + NODE_PX[2, k], y, weight, a0, a1, a2, table)
        value, by_beta, sx, sy, sxx, sxy, syy = sums
        rows[0, i], rows[3, i], rows[7, i] = value, 1.0, peak * by_beta
        rows[1, i] = -peak * (2.0 * c0 * sx + c1 * sy)
        rows[2, i] = -peak * (c1 * sx + 2.0 * c2 * sy)
        rows[4, i] = -2.0 * peak * (c0 * sxx + c1 * sxy + c2 * syy)
        rows[5, i] = peak * (d0 * sxx + d1 * sxy + d2 * syy)
        rows[6, i] = peak * (e0 * sxx + e1 * sxy + e2 * syy)


@inner
def _with_node(sums, x, y, weight, a0, a1, a2, table):
    """Add a node's part to the sums of the profile I, of dI/d(1/beta), and of dI/dq times powers.

    The powers are x, y, x^2, x y and y^2: all other derivatives follow from them.
    """
    value, by_beta, sx, sy, sxx, sxy, syy = sums
    xx, xy, yy = x * x, x * y, y * y
    spot = min(a0 * xx + a1 * xy + a2 * yy, len(table) - 1.0)
    whole = int(spot)
    part = spot - whole
    row = np.uintp(whole)  # unsigned: no check for counting from the end
    slope = weight * (table[row, 1] + part * table[row, 4])
    return (
        value + weight * (table[row, 0] + part * table[row, 3]),
        by_beta + weight * (table[row, 2] + part * table[row, 5]),
        sx + slope * x,
        sy + slope * y,
        sxx + slope * xx,
        sxy + slope * xy,
        syy + slope * yy,
    )


@inlined
def _model_of_own(lists, count, peak, core, outer, shape, table, rows):
    """Write the first four rows of `_model`, without the work for the others."""
    c0, c1, c2 = 4.0 * shape[0, 0], 8.0 * shape[0, 1], 4.0 * shape[0, 2]
    a0, a1, a2 = STEPS_PER_Q * c0, STEPS_PER_Q * c1, STEPS_PER_Q * c2
    for i in range(count):
        x, y = lists[0, i], lists[1, i]
        sums = (0.0, 0.0, 0.0)
        nodes = nodes_at(x, y, a0, a1, a2, core, outer)
        if nodes == 1:
            sums = _with_own_node(sums, x, y, 1.0, a0, a1, a2, table)
        elif nodes == 2:
            for j in range(2):
                for k in range(2):
                    u, v = x + NODE_PX[1, k], y + NODE_PX[1, j]
                    sums = _with_own_node(sums, u, v, 0.25, a0, a1, a2, table)
        else:
            for j in range(nodes):
                for k in range(nodes):
                    u, v = x + NODE_PX[2, k], y + NODE_PX[2, j]
                    weight = NODE_WEIGHT[2, j] * NODE_WEIGHT[2, k]
                    sums = _with_own_node(sums, u, v, weight, a0, a1, a2, table)
        value, sx, sy = sums
        rows[0, i], rows[3, i] = value, 1.0
        rows[1, i] = -peak * (2.0 * c0 * sx + c1 * sy)
        rows[2, i] = -peak * (c1 * sx + 2.0 * c2 * sy)


@inner
def _with_own_node(sums, x, y, weight, a0, a1, a2, table):
    """Add a node's part to the sums of the profile I and of dI/dq times x and y."""
    value, sx, sy = sums
    spot = min(a0 * x * x + a1 * x * y + a2 * y * y, len(table) - 1.0)
    whole = int(spot)
    part = spot - whole
    row = np.uintp(whole)
    slope = weight * (table[row, 1] + part * table[row, 4])
    return value + weight * (table[row, 0] + part * table[row, 3]), sx + slope * x, sy + slope * y


@inlined
def _sum_products(rows, count, hessian, gradient):
    """Sum up the products of all derivatives, and of each with the residual.

    The residual is the last of `rows`; the number m of derivatives is even. Writes `hessian`
    (m, m) and `gradient` (m,).
    """
    m = len(gradient)
    for a in range(m + 1):
        # Two at a time share what they read.
        for b in range(0, min(a, m - 1) + 1, 2):
            first, second = 0.0, 0.0
            for i in range(count):
                first += rows[a, i] * rows[b, i]
                second += rows[a, i] * rows[b + 1, i]
            if a == m:
                gradient[b], gradient[b + 1] = first, second
            else:
                hessian[a, b] = hessian[b, a] = first
                hessian[a, b + 1] = hessian[b + 1, a] = second


_CURVATURE_STEP_PX = 0.25


@compiled
def curvature_pull(light, corner, own, place_variance, shape, table, radius, core, outer):
    """Gradient that the model's curvature in x and y exerts on each star's parameters.

    The expected second-order term of the model, A (var(x) m_xx + var(y) m_yy), in place of the
    residual; shape (n, 8). `light` and `corner` are those of `Cutouts`, `place_variance` (n, 2).
    """
    pull = np.zeros((len(own), 8))
    room = light.shape[1] ** 2
    lists, spots, rows = np.empty((3, room)), np.empty(room, np.int64), np.empty((8, room))
    there, bend = np.empty(room), np.empty(room)
    none = np.zeros((2, 1))
    h = _CURVATURE_STEP_PX
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        left, top = corner[k, 0], corner[k, 1]
        count = pixels_about(light[k], left, top, x0, y0, radius, none, lists, spots)
        _model(lists, count, peak, core, outer, shape, table, rows)
        for i in range(count):
            bend[i] = -2.0 * (place_variance[k, 0] + place_variance[k, 1]) * rows[0, i]
        for m in range(2):
            for way in (-h, h):
                right, up = (way, 0.0) if m == 0 else (0.0, way)
                profile_values(lists, right, up, count, core, outer, shape, table, there)
                for i in range(count):
                    bend[i] += place_variance[k, m] * there[i]
        for i in range(count):
            known = not np.isnan(lists[2, i])
            for m in range(8):
                pull[k, m] += bend[i] * rows[m, i] * peak / (h * h) if known else 0.0
    return pull
