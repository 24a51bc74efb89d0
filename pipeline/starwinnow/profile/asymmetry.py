"""Tails that grow with the distance from the sensor's middle, as coma makes them."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.compiled import compiled
from starwinnow.profile.elimination import inverse_of
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.joint_fit import JointFit
from starwinnow.profile.star_pixels import (
    core_of,
    disc_of,
    is_expected,
    lists_for,
    pixels_about,
    profile_values,
)
from starwinnow.quantile import quantile

__all__ = ["UNKNOWN_TAILS", "corner_tails"]

UNKNOWN_TAILS = (math.nan, math.nan)
# Light within this radius counts, falling off towards it; noise outweighs the tails further out.
_REACH_PER_FWHM = 1.25
# Fewer stars than this do not show how something grows over the sensor.
_FEWEST_STARS = 20
_CLIP_SIGMA = 4.0
# Radii that a profile is summed over, as parts of the reach.
_STEPS = np.linspace(0.0, 1.0, 200)[1:]
# Of a star's width, relative: bright stars differ by this whatever their noise.
_LEAST_DOUBT = 0.02


def corner_tails(
    shape: tuple[int, int], background: Background, fit: JointFit, fwhm_px: float
) -> tuple[float, float]:
    """Third moment of the stars in the corners along the line to the middle, and its error.

    A star's third moment is sum(I w x (r^2 - c)) / (sum(I w r^2) FWHM / 2), with x from its
    centre along a line, the weight w = (1 - r^2 / (1.25 FWHM)^2)^2, and c such that an error of
    the centre does not matter. The fitted profile is symmetric: only what it leaves over counts.
    Third-order coma makes it grow in proportion to the distance from the middle, along the line
    to it (Seidel's sums; in proportion to the aberration while the seeing is wider); a jolt or a
    badly centred lens adds the same to all stars, which is fitted and left out.

    Parameters
    ----------
    shape : tuple of int
        (ny, nx) of the frame, px.
    background : Background
    fit : JointFit
    fwhm_px : float
        As imaged.

    Returns
    -------
    tails, error : float
        Positive where tails point away from the middle; NaN with too few stars.
    """
    if np.count_nonzero(fit.used) < _FEWEST_STARS:
        return UNKNOWN_TAILS
    reach = _REACH_PER_FWHM * fwhm_px
    balance, norm = _balance_and_norm(fwhm_px, 1.0 / float(fit.shape[3]), reach)
    matrices, inverse_beta = kernel_shape(fit.shape)
    moments = _odd_moments(
        fit.cutouts.light_adu, fit.cutouts.corner_px, background.noise_adu, fit.own, matrices,
        inverse_beta, fit.common, disc_of(reach + math.sqrt(0.5)), core_of(matrices), reach, balance,
    )  # fmt: skip
    # With those whose shape is not the frame's: that is what stars in the corners may be called.
    doubt = np.hypot(fit.deviation_err[:, 0], _LEAST_DOUBT)
    used = np.isfinite(moments).all(axis=1) & np.isfinite(doubt)
    peak = fit.own[used, 0]
    ny, nx = shape
    half = math.hypot(nx, ny) / 2
    place = (fit.own[used, 1:3] - [(nx - 1) / 2, (ny - 1) / 2]) / half
    seen = moments[used] / (peak[:, np.newaxis] * norm)
    return _growth_outwards(place, seen, 1 / doubt[used])


def _balance_and_norm(fwhm_px: float, beta: float, reach_px: float) -> tuple[float, float]:
    """Find the constant c and sum(I w r^2) FWHM / 2 of a Moffat of peak 1."""
    r = reach_px * _STEPS
    kappa = (2 ** (1 / beta) - 1) * 4 / fwhm_px**2
    value = (1 + kappa * r**2) ** -beta
    slope = -2 * beta * kappa * r * value / (1 + kappa * r**2)
    weight = (1 - (r / reach_px) ** 2) ** 2
    balance = float(np.sum(slope * weight * r**4) / np.sum(slope * weight * r**2))
    step = float(r[1] - r[0])
    return balance, float(np.sum(2 * np.pi * value * weight * r**3)) * step * fwhm_px / 2


def _growth_outwards(
    place: NDArray[np.float64], seen: NDArray[np.float64], sureness: NDArray[np.float64]
) -> tuple[float, float]:
    """Fit seen = constant + k place; k and its error, from the scatter of the stars."""
    n = len(place)
    weight = np.concatenate((sureness, sureness))
    design = np.zeros((2 * n, 3))
    design[:n, 0] = design[n:, 1] = 1.0
    design[:, 2] = place.T.ravel()
    design *= weight[:, np.newaxis]
    sight = seen.T.ravel() * weight
    counted = np.ones(2 * n)
    for _ in range(2):
        rows = design * counted[:, np.newaxis]
        information = rows.T @ design
        inverse = inverse_of(information)
        rest = sight - design @ (inverse @ (rows.T @ sight))
        spread = 1.4826 * quantile(np.abs(rest))
        counted = (np.abs(rest) <= _CLIP_SIGMA * spread).astype(np.float64)
    # Each star pulls by what it leaves over: holds also where stars differ more than noise does.
    pull = (rows @ inverse[2]) * rest
    count = np.count_nonzero(pull)
    growth = float(inverse[2] @ (rows.T @ sight))
    return growth, float(np.sqrt(np.sum(pull**2) * count / max(count - 3, 1)))


@compiled
def _odd_moments(light, corner, noise, own, shape, inverse_beta, common, disc, core, reach, balance):
    """Sum up what the profile leaves over of each star, weighted by x and y; shape (n, 2)."""
    sums = np.zeros((len(own), 2))
    lists, nodes = lists_for(disc, common)
    profile = np.empty(lists.shape[1], np.float32)
    zero, one = np.float32(0.0), np.float32(1.0)
    per_reach2, middle = np.float32(1.0 / (reach * reach)), np.float32(balance)
    for k in range(len(own)):
        peak, x0, y0, level = own[k]
        count = pixels_about(light[k], corner[k, 0], corner[k, 1], x0, y0, disc, lists)
        if count == 0:
            sums[k] = np.nan
            continue
        profile_values(lists, 0.0, 0.0, core, shape, inverse_beta, nodes, profile)
        x, y, values = lists[0, :count], lists[1, :count], lists[2, :count]
        center, spread = lists[3, :count], lists[4, :count]
        scale, below, sigma = np.float32(1.0 / peak), np.float32(level), np.float32(noise / peak)
        sum_x, sum_y = zero, zero
        for i in range(count):
            left = (values[i] - below) * scale - profile[i]
            good = is_expected(left, sigma, profile[i], one, center[i], spread[i])
            distance2 = x[i] * x[i] + y[i] * y[i]
            window = max(one - distance2 * per_reach2, zero)
            odd = (left if good else zero) * window * window * (distance2 - middle)
            sum_x += odd * x[i]
            sum_y += odd * y[i]
        sums[k, 0], sums[k, 1] = sum_x * peak, sum_y * peak
    return sums
