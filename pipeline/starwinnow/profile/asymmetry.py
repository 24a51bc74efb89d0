"""Tails that grow with the distance from the sensor's middle, as coma makes them."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.joint_fit import JointFit
from starwinnow.profile.remainders import left_over
from starwinnow.profile.star_pixels import disc_of, expected_on, own_pixels
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
    disc = disc_of(reach + math.sqrt(0.5))
    left, _ = left_over(
        fit.cutouts, background.noise_adu, fit.own, kernel_shape(fit.shape), disc,
        expected_on(fit.common, disc),
    )  # fmt: skip
    aside = own_pixels(fit.own) - fit.own[:, 1:3]
    x, y = aside[:, :1] + disc[0], aside[:, 1:] + disc[1]
    distance2 = x * x + y * y
    odd = left * np.maximum(1 - distance2 / reach**2, 0) ** 2 * (distance2 - balance)
    moments = np.stack([(odd * x).sum(axis=1), (odd * y).sum(axis=1)], axis=1) / norm
    # With those whose shape is not the frame's: that is what stars in the corners may be called.
    doubt = np.hypot(fit.deviation_err[:, 0], _LEAST_DOUBT)
    used = np.isfinite(fit.own).all(axis=1) & np.isfinite(doubt)
    ny, nx = shape
    half = math.hypot(nx, ny) / 2
    place = (fit.own[used, 1:3] - [(nx - 1) / 2, (ny - 1) / 2]) / half
    return _growth_outwards(place, moments[used], 1 / doubt[used])


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
    """Fit seen = constant + k place; k and its error, from the scatter of the stars.

    `place` and `seen` (n, 2), `sureness` (n,) the inverse of each star's error. The constant is one
    of x and one of y: weighted least squares in closed form, of what lies about the means.
    """
    sure2 = sureness[:, np.newaxis] ** 2
    counted = np.ones_like(seen)
    for _ in range(2):
        weight = counted * sure2
        norm = weight.sum(axis=0)
        far = place - (weight * place).sum(axis=0) / norm
        apart = seen - (weight * seen).sum(axis=0) / norm
        arm = weight * far
        spread = float(np.vdot(arm, far))
        growth = float(np.vdot(arm, apart)) / spread
        rest = apart - growth * far
        off = np.abs(rest) * sureness[:, np.newaxis]
        counted = (off <= _CLIP_SIGMA * 1.4826 * quantile(off)).astype(np.float64)
    # Each star pulls by what it leaves over: holds also where stars differ more than noise does.
    pull = arm * rest / spread
    count = np.count_nonzero(pull)
    return growth, float(np.sqrt(np.vdot(pull, pull) * count / max(count - 3, 1)))
