"""Compiled inner loop of the profile fit: each star's normal equations for one shared shape."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled, inlined
from starwinnow.frame import Pixels

__all__ = [
    "NODES",
    "STEPS_PER_Q",
    "WEIGHTS",
    "accumulate",
    "curvature_pull",
    "is_expected",
    "nearer_to_another",
    "node_counts",
    "nodes_at",
    "profile_table",
    "profile_value",
]

# Order of a star's parameters everywhere below: its own four, peak, x, y, level; then the four of
# the frame's shape, ln FWHM, stretch1, stretch2, 1 / beta.

# Table of the profile over q = (2 r / FWHM)^2: linear interpolation in steps of 1/32 is good to
# h^2 / 8 * beta (beta + 1) kappa^2 < 1e-4 of the peak.
STEPS_PER_Q = 32

# Pixels within 1.4 FWHM of the centre carry the shape and are integrated with more nodes.
_CORE_Q = 7.5
# Row k - 1: Gauss-Legendre nodes and weights on a pixel's side, k of them.
NODES = np.array(
    [[0.0, 0.0, 0.0], [-(12.0**-0.5), 12.0**-0.5, 0.0], [-(0.15**0.5), 0.0, 0.15**0.5]]
)
WEIGHTS = np.array([[1.0, 0.0, 0.0], [0.5, 0.5, 0.0], [5 / 18, 8 / 18, 5 / 18]])
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
        log_base = np.log1p(kappa * q)
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


def accumulate(
    pixels: Pixels,
    background: Background,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    table: NDArray[np.float64],
    radius_px: float,
    neighbours: NDArray[np.float64],
    *,
    common: NDArray[np.float64] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set up the normal equations of every star about its current parameters.

    Pixels weigh alike (the shape then does not depend on how bright a star is); pixels
    without value, outside the radius, nearer to a neighbour, or far off the model are left out.

    Parameters
    ----------
    pixels, background
        The frame.
    own : ndarray of float64, shape (n, 4)
        Peak of the Moffat (ADU), x, y (px), level above the mesh (ADU) of each star.
    shape : ndarray of float64, shape (3, 3)
        Rows: C^-1 (xx, xy, yy) and its derivatives by stretch1 and stretch2, px^-2.
    table : ndarray of float64, shape (n, 6)
        `profile_table` of the current beta.
    radius_px : float
        Pixels whose centres lie within this distance of the star are used.
    neighbours : ndarray of float64, shape (n, m, 2)
        Positions of other objects near each star, NaN where there are fewer than m.
    common : ndarray of float64, shape (2, side, side), or None
        `common_remainder`: pixels further from the model and this than noise, tolerance and
        the stars' spread let expect are left out. Without it every pixel counts.

    Returns
    -------
    hessian : ndarray, shape (n, 8, 8)
        Sum of products of the derivatives of the model, in the order above.
    gradient : ndarray, shape (n, 8)
        Sum of residual times derivative.
    """
    n = len(own)
    hessian, gradient = np.zeros((n, 8, 8)), np.zeros((n, 8))
    core, outer = node_counts(shape)
    noise = float("inf") if common is None else background.noise_adu
    expected = np.zeros((2, 1, 1)) if common is None else common
    _accumulate(
        pixels, background.mesh_adu, background.cells_per_px, noise, own, shape, table,
        radius_px, neighbours, expected, core, outer, hessian, gradient,
    )  # fmt: skip
    return hessian, gradient


def node_counts(shape: NDArray[np.float64]) -> tuple[int, int]:
    """Nodes on a pixel's side for the core and for the wings of a star."""
    fwhm = float((shape[0, 0] * shape[0, 2] - shape[0, 1] ** 2) ** -0.25)
    return (3, 2) if fwhm < _NARROW_FWHM_PX else (2, 1)


@inlined
def nodes_at(dx, dy, shape, core, outer):
    """Nodes on a pixel's side at an offset from a star: `core` near its centre, else `outer`."""
    q = 4.0 * (shape[0, 0] * dx * dx + 2.0 * shape[0, 1] * dx * dy + shape[0, 2] * dy * dy)
    return core if q < _CORE_Q else outer


@compiled
def _accumulate(
    pixels, mesh, cells_per_px, noise, own, shape, table, radius, neighbours, common, core, outer,
    hessian, gradient,
):  # fmt: skip
    ny, nx = pixels.shape
    # One row a pixel: the eight derivatives and the residual; their products are the equations.
    rows = np.empty((int(4.0 * (radius + 2.0) ** 2), 9))
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        if np.isnan(x0) or np.isnan(y0):
            continue
        alone = np.isnan(neighbours[k, 0, 0])
        n = 0
        for y in range(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, ny)):
            dy = y - y0
            half = radius * radius - dy * dy
            if half <= 0:
                continue
            half = np.sqrt(half)
            first, last = max(int(np.ceil(x0 - half)), 0), min(int(x0 + half), nx - 1)
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0)
            slope = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0 + 1.0) - base
            for x in range(first, last + 1):
                dx = x - x0
                if not alone and nearer_to_another(neighbours, k, x, y, dx * dx + dy * dy):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                _model(dx, dy, shape, table, nodes, rows, n)
                light = peak * rows[n, 0]
                residual = pixels[y, x] - base - slope * dx - level - light
                if is_expected(residual, noise, light, peak, common, dx, dy):
                    for m in (1, 2, 4, 5, 6, 7):
                        rows[n, m] *= peak
                    rows[n, 8] = residual
                    n += 1
        products = np.dot(rows[:n].T, rows[:n])
        hessian[k] = products[:8, :8]
        gradient[k] = products[:8, 8]


@inlined
def nearer_to_another(others, k, x, y, own_distance2):
    """Whether a pixel is nearer to one of a star's neighbours than to the star."""
    for m in range(others.shape[1]):
        if np.isnan(others[k, m, 0]):
            return False
        if (x - others[k, m, 0]) ** 2 + (y - others[k, m, 1]) ** 2 < own_distance2:
            return True
    return False


@inlined
def is_expected(residual, noise, light, peak, common, dx, dy):
    """Whether a residual is no further from what all stars leave over than one may expect."""
    side = common.shape[1]
    u, v = int(np.floor(dx + 0.5)) + side // 2, int(np.floor(dy + 0.5)) + side // 2
    limit = noise + _MODEL_TOLERANCE * light
    if 0 <= u < side and 0 <= v < side:
        residual -= peak * common[0, v, u]
        limit += peak * common[1, v, u]
    return abs(residual) < _CLIP_SIGMA * limit


@inlined
def _model(dx, dy, shape, table, nodes, d, at):
    """Pixel-averaged profile of peak 1 and its derivatives, into row `at` of `d`.

    `nodes` is how many a pixel's side has. (Numbers go in and out by
    index: handing out slices in the inner loop would cost more than the arithmetic.)
    """
    value, by_x, by_y, by_width, by_s1, by_s2, by_beta = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    a0, a1, a2 = shape[0, 0], shape[0, 1], shape[0, 2]
    b0, b1, b2 = shape[1, 0], shape[1, 1], shape[1, 2]
    c0, c1, c2 = shape[2, 0], shape[2, 1], shape[2, 2]
    for j in range(nodes):
        y = dy + NODES[nodes - 1, j]
        for i in range(nodes):
            x = dx + NODES[nodes - 1, i]
            weight = WEIGHTS[nodes - 1, i] * WEIGHTS[nodes - 1, j]
            xx, xy, yy = 4.0 * x * x, 8.0 * x * y, 4.0 * y * y
            q = a0 * xx + a1 * xy + a2 * yy
            place = min(q * STEPS_PER_Q, len(table) - 1.0)
            whole = int(place)
            part = place - whole
            row = np.uintp(whole)  # unsigned: no check for counting from the end
            value += weight * (table[row, 0] + part * table[row, 3])
            slope = weight * (table[row, 1] + part * table[row, 4])
            by_beta += weight * (table[row, 2] + part * table[row, 5])
            by_x -= slope * (a0 * x + a1 * y)
            by_y -= slope * (a1 * x + a2 * y)
            by_width -= slope * q
            by_s1 += slope * (b0 * xx + b1 * xy + b2 * yy)
            by_s2 += slope * (c0 * xx + c1 * xy + c2 * yy)
    d[at, 0], d[at, 1], d[at, 2], d[at, 3] = value, 8.0 * by_x, 8.0 * by_y, 1.0
    d[at, 4], d[at, 5], d[at, 6], d[at, 7] = 2.0 * by_width, by_s1, by_s2, by_beta


@inlined
def profile_value(dx, dy, shape, table, nodes):
    """Pixel-averaged profile of peak 1."""
    value = 0.0
    for j in range(nodes):
        y = dy + NODES[nodes - 1, j]
        for i in range(nodes):
            x = dx + NODES[nodes - 1, i]
            q = 4.0 * (shape[0, 0] * x * x + 2.0 * shape[0, 1] * x * y + shape[0, 2] * y * y)
            place = min(q * STEPS_PER_Q, len(table) - 1.0)
            whole = int(place)
            row = np.uintp(whole)
            weight = WEIGHTS[nodes - 1, i] * WEIGHTS[nodes - 1, j]
            value += weight * (table[row, 0] + (place - whole) * table[row, 3])
    return value


_CURVATURE_STEP_PX = 0.25


@compiled
def curvature_pull(size, own, place_variance, shape, table, radius, neighbours, core, outer):
    """Gradient that the model's curvature in x and y exerts on each star's parameters.

    The expected second-order term of the model, A (var(x) m_xx + var(y) m_yy), in place of the
    residual; shape (n, 8). `size` is (ny, nx) and `place_variance` (n, 2).
    """
    pull = np.zeros((len(own), 8))
    d = np.empty((1, 8))
    h = _CURVATURE_STEP_PX
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        for y in range(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, size[0])):
            for x in range(max(int(x0 - radius), 0), min(int(x0 + radius) + 2, size[1])):
                dx, dy = x - x0, y - y0
                distance2 = dx * dx + dy * dy
                if distance2 > radius * radius:
                    continue
                if nearer_to_another(neighbours, k, x, y, distance2):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                bend = 0.0
                for m in range(2):
                    ux, uy = (h, 0.0) if m == 0 else (0.0, h)
                    there = profile_value(dx + ux, dy + uy, shape, table, nodes)
                    there += profile_value(dx - ux, dy - uy, shape, table, nodes)
                    bend += place_variance[k, m] * there
                _model(dx, dy, shape, table, nodes, d, 0)
                bend -= 2.0 * (place_variance[k, 0] + place_variance[k, 1]) * d[0, 0]
                bend *= peak / (h * h)
                for m in (1, 2, 4, 5, 6, 7):
                    d[0, m] *= peak
                for m in range(8):
                    pull[k, m] += bend * d[0, m]
    return pull
