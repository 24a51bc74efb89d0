"""Compiled inner loop of the photometry: each object's own equations, the shape held."""

import numpy as np

from starwinnow.background import level_at
from starwinnow.compiled import compiled, inlined
from starwinnow.profile.kernel import (
    NODES,
    STEPS_PER_Q,
    WEIGHTS,
    is_expected,
    nearer_to_another,
    nodes_at,
)

__all__ = ["place_equations"]


@compiled
def place_equations(
    pixels, mesh, cells_per_px, noise, own, shape, table, radius, neighbours, common, core, outer
):
    """Set up the equations of brightness, x, y and level of each object.

    Parameters as in `starwinnow.profile.kernel.accumulate`; `noise` is infinite where no pixel
    shall be left out, `core` and `outer` are the nodes on a pixel's side.

    Returns
    -------
    hessian, gradient : ndarray, shapes (n, 4, 4) and (n, 4)
    """
    ny, nx = pixels.shape
    hessian, gradient = np.zeros((len(own), 4, 4)), np.zeros((len(own), 4))
    d = np.empty(4)
    d[3] = 1.0
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        if np.isnan(x0) or np.isnan(y0):
            continue
        for y in range(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, ny)):
            dy = y - y0
            half = radius * radius - dy * dy
            if half <= 0:
                continue
            half = np.sqrt(half)
            base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0)
            slope = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x0 + 1.0) - base
            for x in range(max(int(np.ceil(x0 - half)), 0), min(int(x0 + half), nx - 1) + 1):
                dx = x - x0
                if nearer_to_another(neighbours, k, x, y, dx * dx + dy * dy):
                    continue
                nodes = nodes_at(dx, dy, shape, core, outer)
                value, by_x, by_y = _value_and_slopes(dx, dy, shape, table, nodes)
                light = peak * value
                residual = pixels[y, x] - base - slope * dx - level - light
                if not is_expected(residual, noise, light, peak, common, dx, dy):
                    continue
                d[0], d[1], d[2] = value, peak * by_x, peak * by_y
                for a in range(4):
                    gradient[k, a] += residual * d[a]
                    for b in range(a + 1):
                        hessian[k, a, b] += d[a] * d[b]
        for a in range(4):
            for b in range(a):
                hessian[k, b, a] = hessian[k, a, b]
    return hessian, gradient


@inlined
def _value_and_slopes(dx, dy, shape, table, nodes):
    """Pixel-averaged profile of peak 1 and its derivatives by the star's x and y."""
    value, by_x, by_y = 0.0, 0.0, 0.0
    for j in range(nodes):
        y = dy + NODES[nodes - 1, j]
        for i in range(nodes):
            x = dx + NODES[nodes - 1, i]
            weight = WEIGHTS[nodes - 1, i] * WEIGHTS[nodes - 1, j]
            along_x = shape[0, 0] * x + shape[0, 1] * y
            along_y = shape[0, 1] * x + shape[0, 2] * y
            place = min(4.0 * (along_x * x + along_y * y) * STEPS_PER_Q, len(table) - 1.0)
            whole = int(place)
            part = place - whole
            row = np.uintp(whole)
            value += weight * (table[row, 0] + part * table[row, 3])
            slope = weight * (table[row, 1] + part * table[row, 4])
            by_x -= 8.0 * slope * along_x
            by_y -= 8.0 * slope * along_y
    return value, by_x, by_y
