"""What a frame says about the sky: its information for an aim, and how well that is known."""

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.settings import Aim
from starwinnow.star_spectrum import (
    depth_frequencies,
    remainder_spectrum,
    ring_frequencies,
    star_spectrum,
)

__all__ = [
    "detail_frequencies",
    "flux_scale_error",
    "imaged_spectrum",
    "information",
    "information_error",
]


def information(
    measures: FrameMeasures, transparency: float, *, aim: Aim, fwhm_ref_px: float
) -> float:
    """Information a frame carries for an aim: I(f) = T^2 |P(f)|^2 / s^2.

    T is the flux scale, s the noise and P the star's Fourier transform: Zackay & Ofek 2017,
    ApJ 836, 187 and 188 (squared signal-to-noise adds over frames). `glow` takes f = 0, where
    P is 1; `depth` the sum over all frequencies, T^2 / (s^2 NEA), the squared signal-to-noise
    of a faint star (King 1983, PASP 95, 163); `detail` f = 0.5 / FWHM of the reference,
    averaged over directions.

    Parameters
    ----------
    measures : FrameMeasures
        The frame.
    transparency : float
        Its flux scale T, 1 = reference.
    aim : {'glow', 'depth', 'detail'}
        What the stack is for.
    fwhm_ref_px : float
        FWHM of the reference, px; used by `detail` only.

    Returns
    -------
    float
        1/ADU^2, for `depth` 1/(ADU^2 px); NaN where a figure is missing, and for a frame whose
        background is at the sensor's limit, since its noise is not the sky's.
    """
    if not measures.noise_adu > 0 or FrameFlag.OVEREXPOSED in measures.flags:
        return math.nan
    flat = (transparency / measures.noise_adu) ** 2
    if aim == "glow":
        return flat
    if aim == "depth":
        return flat / measures.nea_px
    return flat * _mean_power(measures, fwhm_ref_px)


def information_error(
    measures: FrameMeasures,
    transparency_error: float,
    reference: FrameMeasures,
    *,
    aim: Aim,
) -> float:
    """Relative standard error of a frame's information in units of its reference's.

    An error of the fitted profile moves flux and sharpness together. For `depth` the two
    cancel: T^2 / NEA is the squared signal-to-noise of a matched filter, which is greatest, and
    so flat, at the true profile. For `glow` the flux alone counts; for `detail` a width e too
    large adds 2 e through the flux and changes |P|^2 by its own slope.

    Parameters
    ----------
    measures, reference : FrameMeasures
        The frame and its run's reference.
    transparency_error : float
        Relative error of the transparency from the stars' scatter alone.
    aim : {'glow', 'depth', 'detail'}
        What the stack is for.

    Returns
    -------
    float
        Relative error, 0 for the reference itself.
    """
    if measures is reference:
        return 0.0
    noise = 2 * math.hypot(_noise_error(measures), _noise_error(reference))
    stars = 2 * transparency_error
    if aim == "depth":
        return math.hypot(stars, noise)
    if aim == "glow":
        profile = 2 * math.hypot(flux_scale_error(measures), flux_scale_error(reference))
    else:
        profile = math.hypot(
            _detail_error(measures, reference.fwhm_px), _detail_error(reference, reference.fwhm_px)
        )
    return math.hypot(stars, noise, profile)


def flux_scale_error(measures: FrameMeasures) -> float:
    """Relative error that the fitted profile gives all fluxes of a frame together.

    A profile-fitted flux is sum(P d) / sum(P^2). Of a star whose true profile is narrower or
    wider by a small e it comes out too large by e, and its NEA by 2 e (exact for Gaussians to
    first order); light missed outside the core does the same. So it is half of the NEA's.
    """
    return measures.nea_err_px / measures.nea_px / 2


def detail_frequencies(fwhm_ref_px: float) -> NDArray[np.float64]:
    """Frequencies that `detail` looks at, shape (k, 2), cycles/px."""
    return ring_frequencies(0.5 / fwhm_ref_px)


def imaged_spectrum(
    measures: FrameMeasures, frequencies: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Fourier transform of the frame's star as imaged, shape (k,), for its unit of flux.

    The fitted profile and what the average star shows beyond it, about the star's fitted place.
    Scaled so that the integral of its square is 1 / NEA as measured, which knows from the
    pixels what light the fitted Moffat leaves out. NaN without a profile. `frequencies` are
    whole rings, see `remainder_spectrum`.
    """
    if measures.profile is None:
        return np.full(len(frequencies), np.nan, np.complex128)
    depth, areas = depth_frequencies()
    whole = star_spectrum(measures.profile, depth) + remainder_spectrum(measures, depth)
    power = float(areas @ np.abs(whole) ** 2)
    if frequencies is depth:
        spectrum = whole
    else:
        profile = star_spectrum(measures.profile, frequencies)
        spectrum = profile + remainder_spectrum(measures, frequencies)
    scaled: NDArray[np.complex128] = spectrum / math.sqrt(power * measures.nea_px)
    return scaled


def _mean_power(measures: FrameMeasures, fwhm_ref_px: float) -> float:
    """Mean of |P|^2 over the directions at the frequency of `detail`."""
    spectrum = imaged_spectrum(measures, detail_frequencies(fwhm_ref_px))
    return float(np.mean(np.abs(spectrum) ** 2))


def _detail_error(measures: FrameMeasures, fwhm_ref_px: float) -> float:
    """Relative error of T^2 |P|^2 that the error of the width makes."""
    profile = measures.profile
    if profile is None:
        return math.nan
    step = 0.01
    wider = replace(profile, fwhm_px=profile.fwhm_px * (1 + step))
    frequencies = detail_frequencies(fwhm_ref_px)
    here, there = (np.mean(star_spectrum(p, frequencies) ** 2) for p in (profile, wider))
    if not here > 0:
        return math.nan
    slope = 2 + math.log(there / here) / step
    return abs(slope) * measures.fwhm_err_px / measures.fwhm_px


def _noise_error(measures: FrameMeasures) -> float:
    """Relative error of the noise, from that of the level measured on the same pixels.

    Of n normal values, a level is good to s / sqrt(n) and s to s / sqrt(2 n); both frames'
    figures are medians over many cells, which scatter alike more.
    """
    return measures.background_err_adu / measures.noise_adu / math.sqrt(2)
