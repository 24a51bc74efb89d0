"""Compiled inner loop of the profile fit: each star's normal equations for one shared shape."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inlined, inner
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.moffat_values import moffat_values
from starwinnow.profile.star_pixels import (
    NODES,
    core_of,
    disc_of,
    is_expected,
    lists_for,
    pixels_about,
    profile_values,
    quadratic,
    spread_q,
)

__all__ = ["accumulate", "curvature_pull"]

# Order of a star's parameters everywhere below: its own four, peak, x, y, level; then the four of
# the frame's shape, ln FWHM, stretch1, stretch2, 1 / beta.


def accumulate(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    inverse_beta: float,
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
    inverse_beta : float
        1 / beta.
    radius_px : float
        Pixels whose centres lie within this distance of the star are used.
    common : ndarray of float64, shape (2, side, side), or None
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
    noise = float("inf") if common is None else noise_adu
    expected = np.zeros((2, 1, 1)) if common is None else common
    _accumulate(
        cutouts.light_adu, cutouts.corner_px, noise, own, shape, inverse_beta, disc_of(radius_px),
        expected, core_of(shape), hessian, gradient,
    )  # fmt: skip
    return hessian, gradient


@compiled
def _accumulate(
    light, corner, noise, own, shape, inverse_beta, disc, common, core, hessian, gradient
):
    m = gradient.shape[1]
    lists, nodes = lists_for(disc, common)
    # One row a derivative, the residual in the place of the first that is not wanted.
    rows = np.empty((9, lists.shape[1]), np.float32)
    scale = np.empty(m)
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, disc, lists)
        if count == 0:
            hessian[k], gradient[k] = 0.0, 0.0
            continue
        if m == 4:
            _model_of_own(lists, core, shape, inverse_beta, nodes, rows)
        else:
            _model(lists, core, shape, inverse_beta, nodes, rows)
        _leave_out(lists, count, noise, peak, level, rows[: m + 1])
        _sum_products(rows[: m + 1], hessian[k], gradient[k])
        # So far of a star of peak 1.
        for a in range(m):
            scale[a] = 1.0 if a == 0 or a == 3 else peak
            gradient[k, a] *= scale[a]
            for b in range(a + 1):
                hessian[k, a, b] *= scale[a] * scale[b]
                hessian[k, b, a] = hessian[k, a, b]


@inner
def _leave_out(lists, count, noise, peak, level, rows):
    """Write the residual in the last row, and zeros where a pixel is far off what is expected."""
    noise, peak, level = np.float32(noise), np.float32(peak), np.float32(level)
    one, zero = np.float32(1.0), np.float32(0.0)
    profile, light = rows[0, :count], lists[2, :count]
    center, spread = lists[3, :count], lists[4, :count]
    # The row of the level, whose derivative is 1, tells which pixels count.
    counted, residuals, good = rows[3, :count], rows[len(rows) - 1, :count], zero
    for i in range(count):
        value = peak * profile[i]
        residual = light[i] - level - value
        residuals[i] = residual
        counts = is_expected(residual, noise, value, peak, center[i], spread[i])
        counted[i] = one if counts else zero
    for i in range(count):
        good += counted[i]
    if good < count:
        for i in range(count):
            if counted[i] == 0:
                for a in range(len(rows)):
                    rows[a, i] = zero
    for a in range(len(rows)):
        rows[a, count:] = zero


@inner
def _model(lists, core, shape, inverse_beta, nodes, rows):
    """Pixel-averaged profile of peak 1 at each pixel of a list, and its derivatives.

    Rows: the profile; derivatives by x and y; none, for the level's is 1; and derivatives by the
    shape's four. Outside of the core each is f + (f_xx + f_yy) / 24 with the derivatives of
    f(q) by q, and f_xx + f_yy = f'' |grad q|^2 + f' (q_xx + q_yy).
    """
    core = min(core, lists.shape[1])
    one, two, part = np.float32(1.0), np.float32(2.0), np.float32(1.0 / 24.0)
    c0, c1, c2 = quadratic(shape, 0)
    # Derivatives of q by the stretches.
    d0, d1, d2 = quadratic(shape, 1)
    e0, e1, e2 = quadratic(shape, 2)
    curved, curved_d, curved_e = two * (c0 + c2) * part, two * (d0 + d2) * part, two * (e0 + e2) * part
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    # d kappa / d(1 / beta).
    rise = np.float32(2.0**inverse_beta * np.log(2.0))
    first, second, third = -kappa * beta, -kappa * (beta + one), -kappa * (beta + two)
    n = spread_q(lists, np.float32(0.0), np.float32(0.0), core, c0, c1, c2, nodes[0])
    moffat_values(nodes[0, :n], inverse_beta, nodes[1, :n], nodes[2, :n])
    if core > 0:
        _sum_nodes(lists, core, first, kappa, beta, rise, nodes, rows)
        for i in range(core):
            sx, sy, sxx, sxy, syy = rows[1, i], rows[2, i], rows[4, i], rows[5, i], rows[6, i]
            rows[1, i] = -(two * c0 * sx + c1 * sy)
            rows[2, i] = -(c1 * sx + two * c2 * sy)
            rows[4, i] = -two * (c0 * sxx + c1 * sxy + c2 * syy)
            rows[5, i] = d0 * sxx + d1 * sxy + d2 * syy
            rows[6, i] = e0 * sxx + e1 * sxy + e2 * syy
    x0, y0 = lists[0, core:], lists[1, core:]
    qs, exponents, profile = nodes[0, 9 * core : n], nodes[1, 9 * core : n], nodes[2, 9 * core : n]
    value, by_x, by_y = rows[0, core:], rows[1, core:], rows[2, core:]
    by_size, by_one, by_other, by_inverse = rows[4, core:], rows[5, core:], rows[6, core:], rows[7, core:]
    for i in range(len(x0)):
        x, y, q, exponent = x0[i], y0[i], qs[i], exponents[i]
        gx, gy = two * c0 * x + c1 * y, c1 * x + two * c2 * y
        steep = (gx * gx + gy * gy) * part
        shrunk = one / (one + kappa * q)
        f = profile[i]
        f1 = first * shrunk * f
        f2 = second * shrunk * f1
        f3 = third * shrunk * f2
        along = f1 + f3 * steep + f2 * curved
        bent = two * part * f2
        value[i] = f + f2 * steep + f1 * curved
        by_x[i] = -along * gx - bent * (two * c0 * gx + c1 * gy)
        by_y[i] = -along * gy - bent * (c1 * gx + two * c2 * gy)
        by_size[i] = -two * (along * q + two * f2 * steep + f1 * curved)
        by_one[i] = (
            along * (d0 * x * x + d1 * x * y + d2 * y * y)
            + bent * (gx * (two * d0 * x + d1 * y) + gy * (d1 * x + two * d2 * y))
            + f1 * curved_d
        )
        by_other[i] = (
            along * (e0 * x * x + e1 * x * y + e2 * y * y)
            + bent * (gx * (two * e0 * x + e1 * y) + gy * (e1 * x + two * e2 * y))
            + f1 * curved_e
        )
        # dI / d(1 / beta) is I times this, whose derivatives by q follow.
        by_beta = beta * (exponent - rise * q * shrunk)
        by_beta1 = beta * shrunk * (kappa * beta - rise * shrunk)
        by_beta2 = beta * kappa * shrunk * shrunk * (two * rise * shrunk - kappa * beta)
        by_inverse[i] = (
            f * by_beta
            + (f1 * by_beta + f * by_beta1) * curved
            + (f2 * by_beta + two * f1 * by_beta1 + f * by_beta2) * steep
        )


@inner
def _sum_nodes(lists, core, first, kappa, beta, rise, nodes, rows):
    """Sum up over each core pixel's nodes the profile, dI/d(1/beta), and dI/dq times powers.

    Rows 0 and 7 receive the former; 1, 2, 4, 5 and 6 those times x, y, x^2, x y and y^2: all
    other derivatives follow from them.
    """
    one = np.float32(1.0)
    x0, y0 = lists[0, :core], lists[1, :core]
    value, by_beta, sx, sy = rows[0, :core], rows[7, :core], rows[1, :core], rows[2, :core]
    sxx, sxy, syy = rows[4, :core], rows[5, :core], rows[6, :core]
    rows[:, :core] = np.float32(0.0)
    for k in range(9):
        here = slice(k * core, (k + 1) * core)
        q, exponents, profile = nodes[0, here], nodes[1, here], nodes[2, here]
        for i in range(len(x0)):
            x, y = x0[i] + NODES[0, k], y0[i] + NODES[1, k]
            f = NODES[2, k] * profile[i]
            shrunk = one / (one + kappa * q[i])
            slope = first * shrunk * f
            value[i] += f
            by_beta[i] += f * beta * (exponents[i] - rise * q[i] * shrunk)
            sx[i] += slope * x
            sy[i] += slope * y
            sxx[i] += slope * x * x
            sxy[i] += slope * x * y
            syy[i] += slope * y * y


@inner
def _model_of_own(lists, core, shape, inverse_beta, nodes, rows):
    """Write the first three rows of `_model`, without the work for the others."""
    core = min(core, lists.shape[1])
    one, two, part = np.float32(1.0), np.float32(2.0), np.float32(1.0 / 24.0)
    c0, c1, c2 = quadratic(shape, 0)
    curved = two * (c0 + c2) * part
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    first, second, third = -kappa * beta, -kappa * (beta + one), -kappa * (beta + two)
    n = spread_q(lists, np.float32(0.0), np.float32(0.0), core, c0, c1, c2, nodes[0])
    moffat_values(nodes[0, :n], inverse_beta, nodes[1, :n], nodes[2, :n])
    x0, y0 = lists[0, :core], lists[1, :core]
    value, by_x, by_y = rows[0, :core], rows[1, :core], rows[2, :core]
    value[:], by_x[:], by_y[:] = np.float32(0.0), np.float32(0.0), np.float32(0.0)
    for k in range(9):
        here = slice(k * core, (k + 1) * core)
        q, profile = nodes[0, here], nodes[2, here]
        for i in range(len(x0)):
            x, y = x0[i] + NODES[0, k], y0[i] + NODES[1, k]
            f = NODES[2, k] * profile[i]
            slope = first * f / (one + kappa * q[i])
            value[i] += f
            by_x[i] -= slope * (two * c0 * x + c1 * y)
            by_y[i] -= slope * (c1 * x + two * c2 * y)
    x0, y0, q, profile = lists[0, core:], lists[1, core:], nodes[0, 9 * core : n], nodes[2, 9 * core : n]
    value, by_x, by_y = rows[0, core:], rows[1, core:], rows[2, core:]
    for i in range(len(x0)):
        x, y = x0[i], y0[i]
        gx, gy = two * c0 * x + c1 * y, c1 * x + two * c2 * y
        steep = (gx * gx + gy * gy) * part
        shrunk = one / (one + kappa * q[i])
        f = profile[i]
        f1 = first * shrunk * f
        f2 = second * shrunk * f1
        f3 = third * shrunk * f2
        along = f1 + f3 * steep + f2 * curved
        bent = two * part * f2
        value[i] = f + f2 * steep + f1 * curved
        by_x[i] = -along * gx - bent * (two * c0 * gx + c1 * gy)
        by_y[i] = -along * gy - bent * (c1 * gx + two * c2 * gy)


@inner
def _sum_products(rows, hessian, gradient):
    """Sum up the products of all derivatives, and of each with the residual.

    The residual is the last of `rows`; the number m of derivatives is a multiple of four. Writes
    `hessian` (m, m), its lower half, and `gradient` (m,).
    """
    m, zero = len(gradient), np.float32(0.0)
    for a in range(m + 1):
        row = rows[a]
        # Four at a time share what they read.
        for b in range(0, min(a, m - 1) + 1, 4):
            row0, row1, row2, row3 = rows[b], rows[b + 1], rows[b + 2], rows[b + 3]
            sum0, sum1, sum2, sum3 = zero, zero, zero, zero
            for i in range(len(row)):
                sum0 += row[i] * row0[i]
                sum1 += row[i] * row1[i]
                sum2 += row[i] * row2[i]
                sum3 += row[i] * row3[i]
            if a == m:
                gradient[b], gradient[b + 1] = sum0, sum1
                gradient[b + 2], gradient[b + 3] = sum2, sum3
            else:
                hessian[a, b], hessian[a, b + 1] = sum0, sum1
                hessian[a, b + 2], hessian[a, b + 3] = sum2, sum3


_CURVATURE_STEP_PX = 0.25


@compiled
def curvature_pull(light, corner, own, place_variance, shape, inverse_beta, disc, core):
    """Gradient that the model's curvature in x and y exerts on each star's parameters.

    The expected second-order term of the model, A (var(x) m_xx + var(y) m_yy), in place of the
    residual; shape (n, 8). `light` and `corner` are those of `Cutouts`, `place_variance` (n, 2).
    """
    pull = np.zeros((len(own), 8))
    lists, nodes = lists_for(disc, np.zeros((2, 1, 1)))
    rows, there = np.empty((8, lists.shape[1]), np.float32), np.empty(lists.shape[1], np.float32)
    bend = np.empty(lists.shape[1])
    h = _CURVATURE_STEP_PX
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, disc, lists)
        _model(lists, core, shape, inverse_beta, nodes, rows)
        for i in range(count):
            rows[3, i] = np.float32(1.0)
            bend[i] = -2.0 * (place_variance[k, 0] + place_variance[k, 1]) * rows[0, i]
        for m in range(2):
            for way in (-h, h):
                right, up = (way, 0.0) if m == 0 else (0.0, way)
                profile_values(lists, right, up, core, shape, inverse_beta, nodes, there)
                for i in range(count):
                    bend[i] += place_variance[k, m] * there[i]
        for m in range(8):
            total = 0.0
            for i in range(count):
                total += 0.0 if np.isnan(lists[2, i]) else bend[i] * rows[m, i]
            pull[k, m] = total * peak / (h * h) * (1.0 if m == 0 or m == 3 else peak)
    return pull
