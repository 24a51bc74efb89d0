"""Compiled inner loop of the profile fit: each star's normal equations for one shared shape."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, embedded, inlined
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.moffat_values import quadratic
from starwinnow.profile.star_pixels import (
    Shape,
    core_of,
    fill_profile,
    is_expected,
    join_nodes,
    list_star,
    room_for_list,
    room_for_nodes,
    spread_disc,
    steps_need_nodes,
)

__all__ = ["accumulate"]

# Order of a star's parameters everywhere below: its own four, peak, x, y, level; then the four of
# the frame's shape, ln FWHM, stretch1, stretch2, 1 / beta.


def accumulate(
    cutouts: Cutouts,
    noise_adu: float,
    own: NDArray[np.float64],
    shape: Shape,
    *,
    disc: NDArray[np.int64],
    expected: NDArray[np.float32],
    shared: bool = True,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Set up the normal equations of every star about its current parameters.

    Pixels weigh alike (the shape then does not depend on how bright a star is); pixels without
    value, or far off the model, are left out.

    Parameters
    ----------
    cutouts : Cutouts
        One a star, without the pixels nearer to a neighbour.
    noise_adu : float
        Standard deviation of a pixel between the stars; infinite where every pixel counts.
    own : ndarray of float64, shape (n, 4)
        Peak of the Moffat (ADU), x, y (px), level above the mesh (ADU) of each star.
    shape : tuple
        An array of float64, shape (3, 3), whose rows are C^-1 (xx, xy, yy) and its derivatives by
        stretch1 and stretch2, px^-2; and 1 / beta.
    disc : ndarray of int64, shape (2, k)
        The pixels about each star's own that are used, see `disc_of`.
    expected : ndarray of float32, shape (2, k)
        `expected_on` that disc: pixels further from the model and this than noise, tolerance
        and the stars' spread let expect are left out.
    shared : bool
        Whether the shape's parameters are wanted too: m is 8, else 4.

    Returns
    -------
    hessian : ndarray, shape (n, m, m)
        Sum of products of the derivatives of the model, in the order above.
    gradient : ndarray, shape (n, m)
        Sum of residual times derivative.
    """
    n, m, core = len(own), 8 if shared else 4, core_of(shape[0])
    hessian, gradient = np.empty((n, m, m)), np.empty((n, m))
    _accumulate(
        *cutouts.flat, cutouts.corner_px, noise_adu, own, *shape, disc, expected,
        core, steps_need_nodes(core), hessian, gradient,
    )  # fmt: skip
    return hessian, gradient


@compiled
def _accumulate(
    light, side, corner, noise, own, shape, inverse_beta, disc, expected, core, narrow, hessian,
    gradient,
):  # fmt: skip
    m = gradient.shape[1]
    us, vs, offsets = spread_disc(disc, side)
    listed = room_for_list(disc)
    n = listed.shape[1]
    core = min(core, n)
    nodes = room_for_nodes(listed, core)
    # One row for each parameter's derivative, in their order, and then one for the residual.
    rows, scale = np.empty((9, nodes.shape[1]), np.float32), np.empty(m)
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        list_star(light[k], side, corner[k, 0], corner[k, 1], x0, y0, us, vs, offsets, listed)
        fill_profile(listed, 0.0, 0.0, core, shape, inverse_beta, nodes, rows[0])
        length = nodes.shape[1] if narrow else n
        _fill_own(shape, inverse_beta, nodes, length, rows)
        if m == 8:
            _fill_shared(shape, inverse_beta, nodes, length, rows)
        for a in range(1, m if narrow else 1):
            if a != 3:
                join_nodes(rows[a], n, core)
        _leave_out(listed[2], expected, noise, peak, level, m, rows)
        _sum_products(rows, n, hessian[k], gradient[k])
        # So far of a star of peak 1.
        for a in range(m):
            scale[a] = 1.0 if a in (0, 3) else peak
            gradient[k, a] *= scale[a]
            for b in range(a + 1):
                hessian[k, a, b] *= scale[a] * scale[b]
                hessian[k, b, a] = hessian[k, a, b]


@embedded
def _fill_own(shape, inverse_beta, nodes, length, rows):
    """Fill in derivatives by x and y of a profile of peak 1, at so many pixels and nodes."""
    one, two = np.float32(1.0), np.float32(2.0)
    c0, c1, c2 = quadratic(shape[0])
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    xs, ys, qs = nodes[0, :length], nodes[1, :length], nodes[2, :length]
    profile, taylor = nodes[4, :length], nodes[5, :length]
    by_x, by_y = rows[1, :length], rows[2, :length]
    for i in range(len(xs)):
        shrunk = one / (one + kappa * qs[i])
        gx, gy, _, _, _, _, along, bent = _bends(
            xs[i], ys[i], profile[i], taylor[i], shrunk, kappa, beta, c0, c1, c2
        )
        by_x[i] = -along * gx - bent * (two * c0 * gx + c1 * gy)
        by_y[i] = -along * gy - bent * (c1 * gx + two * c2 * gy)


@inlined
def _bends(x, y, f, t, shrunk, kappa, beta, c0, c1, c2):
    """Give what all derivatives of a profile f(q) are made of, at a pixel or a node.

    They are those of f + (f_xx + f_yy) t with t = 1/24 for a pixel and 0 for a node, where
    f_xx + f_yy = f'' |grad q|^2 + f' (q_xx + q_yy) with f's derivatives by q.

    Returns
    -------
    gx, gy : float32
        Gradient of q.
    steep, curved : float32
        t |grad q|^2 and t (q_xx + q_yy).
    f1, f2 : float32
        First and second derivative of f.
    along, bent : float32
        Derivative of the whole by q, its gradient held, and by half of |grad q|^2.
    """
    one, two = np.float32(1.0), np.float32(2.0)
    gx, gy = two * c0 * x + c1 * y, c1 * x + two * c2 * y
    steep, curved = t * (gx * gx + gy * gy), t * two * (c0 + c2)
    f1 = -kappa * beta * shrunk * f
    f2 = -kappa * (beta + one) * shrunk * f1
    f3 = -kappa * (beta + two) * shrunk * f2
    return gx, gy, steep, curved, f1, f2, f1 + f3 * steep + f2 * curved, two * t * f2


@embedded
def _fill_shared(shape, inverse_beta, nodes, length, rows):
    """Fill in derivatives by the shape's four, as `_fill_own` does the others."""
    one, two = np.float32(1.0), np.float32(2.0)
    c0, c1, c2 = quadratic(shape[0])
    # Derivatives of q by the stretches.
    d0, d1, d2 = quadratic(shape[1])
    e0, e1, e2 = quadratic(shape[2])
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    # d kappa / d(1 / beta).
    rise = np.float32(2.0**inverse_beta * np.log(2.0))
    xs, ys, qs = nodes[0, :length], nodes[1, :length], nodes[2, :length]
    exponents, profile, taylor = nodes[3, :length], nodes[4, :length], nodes[5, :length]
    by_size, by_stretch1 = rows[4, :length], rows[5, :length]
    by_stretch2, by_inverse = rows[6, :length], rows[7, :length]
    for i in range(len(xs)):
        x, y, q, t, f = xs[i], ys[i], qs[i], taylor[i], profile[i]
        shrunk = one / (one + kappa * q)
        gx, gy, steep, curved, f1, f2, along, bent = _bends(
            x, y, f, t, shrunk, kappa, beta, c0, c1, c2
        )
        by_size[i] = -two * (along * q + two * f2 * steep + f1 * curved)
        by_stretch1[i] = (
            along * (d0 * x * x + d1 * x * y + d2 * y * y)
            + bent * (gx * (two * d0 * x + d1 * y) + gy * (d1 * x + two * d2 * y))
            + f1 * t * two * (d0 + d2)
        )
        by_stretch2[i] = (
            along * (e0 * x * x + e1 * x * y + e2 * y * y)
            + bent * (gx * (two * e0 * x + e1 * y) + gy * (e1 * x + two * e2 * y))
            + f1 * t * two * (e0 + e2)
        )
        # dI / d(1 / beta) is I times this, whose derivatives by q follow.
        gain = beta * (exponents[i] - rise * q * shrunk)
        gain1 = beta * shrunk * (kappa * beta - rise * shrunk)
        gain2 = beta * kappa * shrunk * shrunk * (two * rise * shrunk - kappa * beta)
        by_inverse[i] = (
            f * gain
            + (f1 * gain + f * gain1) * curved
            + (f2 * gain + two * f1 * gain1 + f * gain2) * steep
        )


@embedded
def _leave_out(light, expected, noise, peak, level, m, rows):
    """Write the residual in row m, and zeros where a pixel is far off what is expected."""
    noise, peak, level = np.float32(noise), np.float32(peak), np.float32(level)
    one, zero = np.float32(1.0), np.float32(0.0)
    center, spread = expected[0], expected[1]
    n, filled = len(center), len(light)
    # The row of the level, whose derivative is 1, tells which pixels count.
    profile, light, counted, residuals = rows[0, :n], light[:n], rows[3, :n], rows[m, :n]
    for i in range(len(light)):
        value = peak * profile[i]
        residual = light[i] - level - value
        residuals[i] = residual
        counts = is_expected(residual, noise, value, peak, center[i], spread[i])
        counted[i] = one if counts else zero
    good = zero
    for i in range(len(light)):
        good += counted[i]
    if good < len(light):
        for i in range(len(light)):
            if counted[i] == 0:
                for a in range(m + 1):
                    rows[a, i] = zero
    for a in range(m + 1):
        rest = rows[a, n:filled]
        for i in range(len(rest)):
            rest[i] = zero


@embedded
def _sum_products(rows, n, hessian, gradient):
    """Sum up the products of all derivatives, and of each with the residual, of n pixels.

    The residual is row m of `rows`; the number m of derivatives is a multiple of four. Writes
    `hessian` (m, m), its lower half, and `gradient` (m,).
    """
    m, zero = len(gradient), np.float32(0.0)
    for a in range(m + 1):
        row = rows[a, :n]
        # Four at a time share what they read.
        for b in range(0, min(a, m - 1) + 1, 4):
            row0, row1 = rows[b, :n], rows[b + 1, :n]
            row2, row3 = rows[b + 2, :n], rows[b + 3, :n]
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
