"""Compiled inner loop of the profile fit: each star's normal equations for one shared shape."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled
from starwinnow.frame import Pixels

__all__ = [
    "PARAMETERS",
    "ProfileTable",
    "accumulate",
    "aperture_residuals",
    "curvature_pull",
    "node_sets",
    "stack_remainders",
]

# Order of a star's parameters: its own four, then the four of the frame's shape.
PARAMETERS = ("peak", "x", "y", "level", "ln_fwhm", "stretch1", "stretch2", "inverse_beta")

# Table of the profile over q = (2 r / FWHM)^2: linear interpolation in steps of 1/64 is good to
# h^2 / 8 * beta (beta + 1) kappa^2 < 3e-5 of the peak.
_STEPS_PER_Q = 64
_Q_MAX = 64

# Pixels within 1.5 FWHM of the centre carry the shape and are integrated with more nodes.
_CORE_Q = 9.0
_ONE_NODE = np.zeros(1), np.ones(1)
_TWO_NODES = np.array([-0.5, 0.5]) / np.sqrt(3.0), np.full(2, 0.5)
_THREE_NODES = np.sqrt(0.15) * np.array([-1.0, 0.0, 1.0]), np.array([5.0, 8.0, 5.0]) / 18
# Below this FWHM two nodes a side err by more than 0.1 % of the peak.
_NARROW_FWHM_PX = 2.2

# A pixel further from the model than 4.5 times its noise joined with 15 % of the model is a hot
# pixel, a cosmic ray or another object, not a star that differs a little from the average.
_CLIP_SIGMA = 4.5
_MODEL_TOLERANCE = 0.15


class ProfileTable:
    """Moffat of one beta and its derivatives, tabulated.

    Attributes
    ----------
    values : ndarray of float64, shape (n, 3)
        I(q), dI/dq and dI/d(1/beta), see `starwinnow.profile.moffat` for I.
    """

    __slots__ = ("values",)

    def __init__(self, inverse_beta: float) -> None:
        q = np.arange(_STEPS_PER_Q * _Q_MAX + 2) / _STEPS_PER_Q
        kappa = 2.0**inverse_beta - 1.0
        base = 1.0 + kappa * q
        log_base = np.log1p(kappa * q)
        value = np.exp(-log_base / inverse_beta)
        slope = -value * kappa / (inverse_beta * base)
        by_beta = value * (
            log_base / inverse_beta**2
            - 2.0**inverse_beta * np.log(2.0) * q / (inverse_beta * base)
        )
        self.values: NDArray[np.float64] = np.stack([value, slope, by_beta], axis=1)


def accumulate(  # noqa: PLR0913 - the kernel's plain arrays, passed once
    pixels: Pixels,
    background: Background,
    own: NDArray[np.float64],
    shape: NDArray[np.float64],
    table: ProfileTable,
    radius_px: float,
    neighbours: NDArray[np.float64],
    *,
    clip: bool,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Normal equations of every star about its current parameters.

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
    table : ProfileTable
        The profile of the current beta.
    radius_px : float
        Pixels whose centres lie within this distance of the star are used.
    neighbours : ndarray of float64, shape (n, m, 2)
        Positions of other objects near each star, NaN where there are fewer than m.
    clip : bool
        Whether pixels far off the model are left out.

    Returns
    -------
    hessian : ndarray, shape (n, 8, 8)
        Sum of products of the derivatives of the model, in the order of `PARAMETERS`.
    gradient : ndarray, shape (n, 8)
        Sum of residual times derivative.
    sums : ndarray, shape (n, 2)
        Sum of squared residuals, ADU^2, and number of pixels used.
    """
    n = len(own)
    hessian, gradient = np.zeros((n, 8, 8)), np.zeros((n, 8))
    sums = np.zeros((n, 2))
    core, outer = node_sets(shape)
    noise = background.noise_adu if clip else float("inf")
    _accumulate(
        pixels, background.mesh_adu, background.cells_per_px, noise, own, shape, table.values,
        radius_px, neighbours, core, outer, hessian, gradient, sums,
    )  # fmt: skip
    return hessian, gradient, sums


Nodes = tuple[NDArray[np.float64], NDArray[np.float64]]


def node_sets(shape: NDArray[np.float64]) -> tuple[Nodes, Nodes]:
    """Nodes and weights on a pixel's side for the core and for the wings of a star."""
    fwhm = float((shape[0, 0] * shape[0, 2] - shape[0, 1] ** 2) ** -0.25)
    if fwhm < _NARROW_FWHM_PX:
        return _THREE_NODES, _TWO_NODES
    return _TWO_NODES, _ONE_NODE


@compiled
def _accumulate(  # type: ignore[no-untyped-def]
    pixels, mesh, cells_per_px, noise, own, shape, table, radius, neighbours, core, outer,
    hessian, gradient, sums,
):  # fmt: skip
    ny, nx = pixels.shape
    d = np.empty(8)
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        if not (x0 == x0 and y0 == y0):
            continue
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
                if _nearer_to_another(neighbours[k], x, y, dx * dx + dy * dy):
                    continue
                q = 4.0 * (shape[0, 0] * dx * dx + 2.0 * shape[0, 1] * dx * dy
                           + shape[0, 2] * dy * dy)  # fmt: skip
                nodes = core if q < _CORE_Q else outer
                _model(dx, dy, shape, table, nodes[0], nodes[1], d)
                residual = pixels[y, x] - base - slope * dx - level - peak * d[0]
                if not abs(residual) < _CLIP_SIGMA * (noise + _MODEL_TOLERANCE * peak * d[0]):
                    continue
                for m in (1, 2, 4, 5, 6, 7):
                    d[m] *= peak
                for a in range(8):
                    gradient[k, a] += residual * d[a]
                    for b in range(a, 8):
                        hessian[k, a, b] += d[a] * d[b]
                sums[k, 0] += residual * residual
                sums[k, 1] += 1.0
        for a in range(8):
            for b in range(a):
                hessian[k, a, b] = hessian[k, b, a]


@compiled
def _nearer_to_another(others, x, y, own_distance2):  # type: ignore[no-untyped-def]
    for m in range(len(others)):
        if not others[m, 0] == others[m, 0]:
            return False
        if (x - others[m, 0]) ** 2 + (y - others[m, 1]) ** 2 < own_distance2:
            return True
    return False


@compiled
def _model(dx, dy, shape, table, nodes, weights, d):  # type: ignore[no-untyped-def]
    """Pixel-averaged profile of peak 1 and its derivatives, in the order of PARAMETERS."""
    d[:] = 0.0
    d[3] = 1.0
    for b in range(len(nodes)):
        y = dy + nodes[b]
        for a in range(len(nodes)):
            x = dx + nodes[a]
            weight = weights[a] * weights[b]
            xx, xy, yy = 4.0 * x * x, 8.0 * x * y, 4.0 * y * y
            q = shape[0, 0] * xx + shape[0, 1] * xy + shape[0, 2] * yy
            place = min(q * _STEPS_PER_Q, _STEPS_PER_Q * _Q_MAX + 0.0)
            i = int(place)
            part = place - i
            value = table[i, 0] + part * (table[i + 1, 0] - table[i, 0])
            slope = table[i, 1] + part * (table[i + 1, 1] - table[i, 1])
            by_beta = table[i, 2] + part * (table[i + 1, 2] - table[i, 2])
            d[0] += weight * value
            slope *= weight
            d[1] -= slope * 8.0 * (shape[0, 0] * x + shape[0, 1] * y)
            d[2] -= slope * 8.0 * (shape[0, 1] * x + shape[0, 2] * y)
            d[4] -= slope * 2.0 * q
            d[5] += slope * (shape[1, 0] * xx + shape[1, 1] * xy + shape[1, 2] * yy)
            d[6] += slope * (shape[2, 0] * xx + shape[2, 1] * xy + shape[2, 2] * yy)
            d[7] += weight * by_beta


_CURVATURE_STEP_PX = 0.25


@compiled
def curvature_pull(  # type: ignore[no-untyped-def]
    size, own, place_variance, shape, table, radius, neighbours, core, outer
):
    """Gradient that the model's curvature in x and y exerts on each star's parameters.

    The expected second-order term of the model, A (var(x) m_xx + var(y) m_yy), in place of the
    residual; shape (n, 8). `size` is (ny, nx) and `place_variance` (n, 2).
    """
    pull = np.zeros((len(own), 8))
    d, e = np.empty(8), np.empty(8)
    h = _CURVATURE_STEP_PX
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        for y in range(max(int(y0 - radius), 0), min(int(y0 + radius) + 2, size[0])):
            for x in range(max(int(x0 - radius), 0), min(int(x0 + radius) + 2, size[1])):
                dx, dy = x - x0, y - y0
                distance2 = dx * dx + dy * dy
                if distance2 > radius * radius:
                    continue
                if _nearer_to_another(neighbours[k], x, y, distance2):
                    continue
                q = 4.0 * (shape[0, 0] * dx * dx + 2.0 * shape[0, 1] * dx * dy
                           + shape[0, 2] * dy * dy)  # fmt: skip
                nodes = core if q < _CORE_Q else outer
                bend = 0.0
                for m in range(2):
                    ux, uy = (h, 0.0) if m == 0 else (0.0, h)
                    _model(dx + ux, dy + uy, shape, table, nodes[0], nodes[1], e)
                    bend += place_variance[k, m] * e[0]
                    _model(dx - ux, dy - uy, shape, table, nodes[0], nodes[1], e)
                    bend += place_variance[k, m] * e[0]
                _model(dx, dy, shape, table, nodes[0], nodes[1], d)
                bend -= 2.0 * (place_variance[k, 0] + place_variance[k, 1]) * d[0]
                bend *= peak / (h * h)
                for m in (1, 2, 4, 5, 6, 7):
                    d[m] *= peak
                for m in range(8):
                    pull[k, m] += bend * d[m]
    return pull


@compiled
def aperture_residuals(  # type: ignore[no-untyped-def]
    pixels, mesh, cells_per_px, noise, own, shape, table, neighbours, radii, half_width, core, outer
):
    """Sums of data minus model about each star; shape (n, 7), ADU.

    Columns: inside three rising radii; near the half-maximum radius `half_width`, and the sum
    of weights there; near the center, and the sum of weights there.

    The background is the mesh's alone: a star's own level, fitted close by, holds some of its
    wings. A pixel counts by the part of it inside the circle, taken as linear across its edge; pixels
    the fit leaves out count nothing, which is to say that they agree with the model.
    """
    ny, nx = pixels.shape
    sums = np.zeros((len(own), 7))
    reach = radii[2] + 1.0
    d = np.empty(8)
    for k in range(len(own)):
        peak, x0, y0, _ = own[k]
        for y in range(max(int(y0 - reach), 0), min(int(y0 + reach) + 2, ny)):
            for x in range(max(int(x0 - reach), 0), min(int(x0 + reach) + 2, nx)):
                dx, dy = x - x0, y - y0
                distance2 = dx * dx + dy * dy
                distance = np.sqrt(distance2)
                if distance >= radii[2] + 0.5 or _nearer_to_another(neighbours[k], x, y, distance2):
                    continue
                q = 4.0 * (shape[0, 0] * dx * dx + 2.0 * shape[0, 1] * dx * dy
                           + shape[0, 2] * dy * dy)  # fmt: skip
                nodes = core if q < _CORE_Q else outer
                _model(dx, dy, shape, table, nodes[0], nodes[1], d)
                base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x)
                residual = pixels[y, x] - base - peak * d[0]
                if abs(residual) < _CLIP_SIGMA * (noise + _MODEL_TOLERANCE * peak * d[0]):
                    for m in range(3):
                        inside = min(max(radii[m] + 0.5 - distance, 0.0), 1.0)
                        sums[k, m] += residual * inside
                    at_half = np.exp(-0.5 * ((distance - half_width) / (0.2 * half_width)) ** 2)
                    central = np.exp(-0.5 * (distance / (0.3 * half_width)) ** 2)
                    sums[k, 3] += residual * at_half
                    sums[k, 4] += at_half
                    sums[k, 5] += residual * central
                    sums[k, 6] += central
    return sums


@compiled
def stack_remainders(  # type: ignore[no-untyped-def]
    pixels, mesh, cells_per_px, noise, own, weight, shape, table, neighbours, sums
):
    """Add up what the model leaves over of each star, moved by whole pixels to one centre.

    `sums`, shape (3, side, side), receives the sums of weight * peak * remainder, of weight *
    peak^2, and of (weight * peak * remainder)^2.
    """
    ny, nx = pixels.shape
    side = sums.shape[1]
    half = side // 2
    d = np.empty(8)
    for k in range(len(own)):
        if weight[k] <= 0:
            continue
        peak, x0, y0, level = own[k]
        xc, yc = int(np.floor(x0 + 0.5)), int(np.floor(y0 + 0.5))
        for v in range(side):
            for u in range(side):
                y, x = yc + v - half, xc + u - half
                if y < 0 or x < 0 or y >= ny or x >= nx:
                    continue
                dx, dy = x - x0, y - y0
                if _nearer_to_another(neighbours[k], x, y, dx * dx + dy * dy):
                    continue
                _model(dx, dy, shape, table, _TWO_NODES[0], _TWO_NODES[1], d)
                base = level_at(mesh, cells_per_px[0], cells_per_px[1], y, x)
                residual = pixels[y, x] - base - level - peak * d[0]
                if abs(residual) < _CLIP_SIGMA * (noise + _MODEL_TOLERANCE * peak * d[0]):
                    pulled = weight[k] * peak * residual
                    sums[0, v, u] += pulled
                    sums[1, v, u] += weight[k] * peak * peak
                    sums[2, v, u] += pulled * pulled
