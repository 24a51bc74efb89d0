"""Fluxes of the same stars in two frames -> transparency."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled
from starwinnow.quantile import quantile

__all__ = ["flux_ratio"]

Fluxes = NDArray[np.float64]

# Signal-to-noise expected in both frames that makes sure a star is in both lists: detection
# starts near 5, fifteen standard deviations lower. Fainter stars would be in the list mostly
# where noise brightened them, and the ratio would come out too high.
_SURE_SNR = 20.0
# With fewer sure stars than this the best ones serve, however faint.
_ENOUGH_STARS = 8
# Variable stars and blends are dropped beyond this many standard deviations.
_CLIP_SIGMA = 4.0
# Least scatter taken for a star's ratio: scintillation at the zenith for 80 mm and 8 s by Young
# 1967, AJ 72, 747 (from memory), .56 %. Without it one very bright star, whose counted error is
# far smaller, would decide alone when there are few.
_LEAST_SCATTER = 0.005
_MOST_STEPS = 50


def flux_ratio(
    flux: Fluxes, flux_err: Fluxes, reference_flux: Fluxes, reference_err: Fluxes
) -> tuple[float, float]:
    """Weighted mean of frame over reference flux, and its standard error.

    Stars are chosen by their reference flux and by what it lets expect in the frame, never by
    the flux found there, which noise moves. Weights come from the errors of both fluxes and
    from a scatter common to all stars (scintillation, flat field) that the stars themselves
    tell; relative errors are taken at the joint flux of both frames, see `_ratio_variance`.

    Parameters
    ----------
    flux, flux_err, reference_flux, reference_err : ndarray of float64, shape (n,)
        The same stars in both frames with their standard errors, ADU, all positive.

    Returns
    -------
    ratio, ratio_err : float
        NaN without stars; the error of a single star is its own.
    """
    if len(flux) == 0:
        return np.nan, np.nan
    ratio, ratio_err = _ratio(flux, flux_err, reference_flux, reference_err)
    return ratio, ratio_err


def _ratio(
    flux: Fluxes, flux_err: Fluxes, reference_flux: Fluxes, reference_err: Fluxes
) -> tuple[float, float]:
    """Ratio of at least one star, with its error."""
    reference_snr = reference_flux / reference_err
    best = np.argsort(-reference_snr, kind="stable")[: max(_ENOUGH_STARS, len(flux) // 4)]
    guess = quantile(flux[best] / reference_flux[best])
    expected_snr = np.minimum(guess * reference_flux / flux_err, reference_snr)
    sure = np.flatnonzero(expected_snr >= _SURE_SNR)
    if len(sure) < _ENOUGH_STARS:
        sure = np.argsort(-expected_snr, kind="stable")[:_ENOUGH_STARS]
    relative = flux[sure] / (guess * reference_flux[sure])
    variance = _ratio_variance(
        flux[sure] / guess, flux_err[sure] / guess, reference_flux[sure], reference_err[sure]
    )
    deviation = np.abs(relative - quantile(relative))
    spread = 1.482602 * quantile(deviation)
    good = deviation <= _CLIP_SIGMA * np.sqrt(spread**2 + variance)
    mean, mean_err = _scattered_mean(relative[good], variance[good])
    return guess * mean, guess * mean_err


def _ratio_variance(one: Fluxes, one_err: Fluxes, other: Fluxes, other_err: Fluxes) -> Fluxes:
    """Relative variance of the ratio of two measures of the same flux, shape (n,).

    Were the reference's flux alone the base, stars that noise brightened there would look more
    certain, and the mean ratio would come out low.
    """
    weight, other_weight = 1 / one_err**2, 1 / other_err**2
    joint = (weight * one + other_weight * other) / (weight + other_weight)
    variance: Fluxes = (one_err**2 + other_err**2) / joint**2
    return variance


@compiled
def _scattered_mean(values, variance):
    """Weighted mean and error of values that scatter more than their variances, shape (n,).

    The common variance added to all makes chi^2 equal to its degrees of freedom: Paule & Mandel
    1982, J. Res. NBS 87, 377, with their Newton steps (from memory). The error is that of
    Student's distribution, which is wider than the normal one for few values.
    """
    common = _LEAST_SCATTER**2
    mean, total = 0.0, 0.0
    n = len(values)
    for _ in range(_MOST_STEPS):
        total, mean, chi2, slope = 0.0, 0.0, 0.0, 0.0
        for k in range(n):
            total += 1.0 / (variance[k] + common)
            # From the first value: what are all alike have that for their mean exactly.
            mean += (values[k] - values[0]) / (variance[k] + common)
        mean = values[0] + mean / total
        for k in range(n):
            weight = 1.0 / (variance[k] + common)
            square = weight * (values[k] - mean) ** 2
            chi2 += square
            slope += square * weight
        excess = chi2 - (n - 1)
        if excess <= 1e-6 * n:
            break
        common += excess / slope
    freedom = max(n - 1, 3)
    return mean, math.sqrt(freedom / (freedom - 2) / total)
