"""The Fourier transform of a frame's star as imaged: how much of each spatial frequency is left."""

from functools import lru_cache
from math import lgamma

import numpy as np
from numpy.typing import NDArray
from scipy.special import kve

from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.profile import unit_flux

__all__ = ["depth_frequencies", "remainder_spectrum", "ring_frequencies", "star_spectrum"]

Spectrum = NDArray[np.float64]

# From this order on the Bessel function overflows where its product with the small power beside
# it does not; there its uniform expansion is exact to 1e-6.
_EXPANSION_ORDER = 20.0

# Enough for the integral of |P|^2 within .2 % for stars of 1.3 to 12 px as imaged and axis
# ratios down to .33, and 1.1 % at 30 px: tests/worth compares with rendered stars.
_DIRECTIONS = 12
_RADII = 20
# Cycles per pixel beyond which a star of 1.3 px as imaged has nothing left.
_HIGHEST_FREQUENCY = 1.25
# Finer structure than two pixels a cycle cannot be told from coarser in pixels.
_HIGHEST_IN_PIXELS = 0.5


def star_spectrum(profile: StarProfile, frequencies: NDArray[np.float64]) -> Spectrum:
    """Fourier transform of the star as imaged: elliptical Moffat times one pixel.

    The transform of a Moffat of unit flux is 2/Gamma(v) (z/2)^v K_v(z) with v = beta - 1 and
    z = 2 pi f alpha (Hankel transform of (1 + r^2)^-beta, Gradshteyn & Ryzhik 6.565.4, from
    memory); a pixel multiplies it by sinc(fx) sinc(fy). It is real, since the star is centred.

    Parameters
    ----------
    profile : StarProfile
        The star; beta above 1.
    frequencies : ndarray of float64, shape (k, 2)
        (fx, fy), cycles per pixel.

    Returns
    -------
    ndarray of float64, shape (k,)
        Amplitude for unit flux inside the profile's measuring radius.
    """
    alpha_px = profile.fwhm_px / (2 * np.sqrt(2 ** (1 / profile.beta) - 1))
    log_ratio = np.hypot(profile.stretch1, profile.stretch2)
    major_angle = np.arctan2(profile.stretch2, profile.stretch1) / 2
    along = frequencies @ np.array([np.cos(major_angle), np.sin(major_angle)])
    across = frequencies @ np.array([-np.sin(major_angle), np.cos(major_angle)])
    z = (2 * np.pi * alpha_px) * np.hypot(
        along * np.exp(log_ratio / 2), across * np.exp(-log_ratio / 2)
    )
    flux_inside = 1 - (1 + (profile.radius_px / alpha_px) ** 2) ** (1 - profile.beta)
    pixel = np.sinc(frequencies[:, 0]) * np.sinc(frequencies[:, 1])
    spectrum: Spectrum = _moffat_spectrum(profile.beta - 1, z) * pixel / flux_inside
    return spectrum


def _moffat_spectrum(order: float, z: NDArray[np.float64]) -> Spectrum:
    """2/Gamma(v) (z/2)^v K_v(z), which is 1 at z = 0."""
    z = np.maximum(z, 1e-6)
    if order < _EXPANSION_ORDER:
        log_bessel = np.log(kve(order, z)) - z
    else:
        # NIST DLMF 10.41.4, with U_1 and U_2 of 10.41.10 (from memory)
        x = z / order
        root = np.sqrt(1 + x * x)
        p = 1 / root
        u1 = (3 * p - 5 * p**3) / 24
        u2 = (81 * p**2 - 462 * p**4 + 385 * p**6) / 1152
        eta = root + np.log(x / (1 + root))
        log_bessel = 0.5 * np.log(np.pi / (2 * order) * p) - order * eta
        log_bessel += np.log1p(-u1 / order + u2 / order**2)
    spectrum: Spectrum = np.exp(np.log(2) - lgamma(order) + order * np.log(z / 2) + log_bessel)
    return spectrum


def remainder_spectrum(
    measures: FrameMeasures, frequencies: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Fourier transform of what the average star shows beyond the fitted profile.

    An even trail, a disc out of focus or a jolt is no Moffat, and at the frequencies of fine
    detail the best-fitting one can have twice the amplitude of the star. What is left over is
    taken as far as it stands out of its noise, ring by ring: 1 - noise / power, the gain of a
    Wiener filter (from memory). It is complex where the star is not symmetric.

    Parameters
    ----------
    measures : FrameMeasures
        The frame, with a profile.
    frequencies : ndarray of float64, shape (k, 2)
        Whole rings, as `ring_frequencies` and `depth_frequencies` give them.

    Returns
    -------
    ndarray of complex128, shape (k,)
        Amplitude for unit flux inside the profile's measuring radius; 0 without an image.
    """
    image, profile = measures.average_star, measures.profile
    if profile is None or image.size == 0:
        return np.zeros(len(frequencies), np.complex128)
    place = np.arange(len(image)) - len(image) // 2
    inside = np.hypot(place[:, np.newaxis], place) <= profile.radius_px
    remainder = np.where(inside, image - unit_flux(profile, len(image)), 0.0)
    noise = float(np.nansum(measures.average_star_err[inside] ** 2))
    seen, (cos_x, cos_y), (sin_x, sin_y) = _waves(frequencies.tobytes(), len(image))
    even, odd = cos_y @ remainder, sin_y @ remainder
    spectrum = np.zeros(len(frequencies), np.complex128)
    spectrum.real[seen] = np.sum(even * cos_x - odd * sin_x, axis=1)
    spectrum.imag[seen] = -np.sum(even * sin_x + odd * cos_x, axis=1)
    rings = spectrum.reshape(-1, _DIRECTIONS)
    power = np.mean(np.abs(rings) ** 2, axis=1, keepdims=True)
    trust = np.maximum(power - noise, 0.0) / np.where(power > 0, power, 1.0)
    taken: NDArray[np.complex128] = (rings * trust).ravel()
    return taken


@lru_cache(maxsize=4)
def _waves(
    frequencies: bytes, side_px: int
) -> tuple[NDArray[np.bool_], NDArray[np.float64], NDArray[np.float64]]:
    """Which frequencies, shape (k, 2) in bytes, pixels tell, and their waves along x and y.

    These are two arrays of shape (2, k, side), cosines and sines. The same for all frames of a
    night, and dearer than all that is done with them.
    """
    asked = np.frombuffer(frequencies).reshape(-1, 2)
    seen = np.max(np.abs(asked), axis=1) <= _HIGHEST_IN_PIXELS
    place = np.arange(side_px) - side_px // 2
    phase = 2 * np.pi * asked[seen].T[:, :, np.newaxis] * place
    return seen, np.cos(phase), np.sin(phase)


def ring_frequencies(frequency: float) -> NDArray[np.float64]:
    """Directions spread evenly over half a circle at one frequency, shape (k, 2), cycles/px."""
    angle = np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    return frequency * np.column_stack([np.cos(angle), np.sin(angle)])


@lru_cache
def depth_frequencies() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Frequencies and weights for integrals over the whole frequency plane.

    By Parseval's theorem sum(weights * P^2) is the sum of P^2 over pixels, 1/NEA, averaged over
    where the star's centre falls in its pixel.

    Returns
    -------
    frequencies : ndarray of float64, shape (k, 2), read-only
        (fx, fy), cycles per pixel, over the half plane that suffices for real images.
    weights : ndarray of float64, shape (k,), read-only
        Area each stands for, 1/px^2.
    """
    # f = f_max u^2 crowds the nodes near zero, where wide stars have all their power
    nodes, node_weights = np.polynomial.legendre.leggauss(_RADII)
    u = (nodes + 1) / 2
    radii = _HIGHEST_FREQUENCY * u**2
    areas = 2 * np.pi * _HIGHEST_FREQUENCY**2 * u**3 * node_weights / _DIRECTIONS
    frequencies = np.concatenate([ring_frequencies(radius) for radius in radii])
    areas = np.repeat(areas, _DIRECTIONS)
    for shared in (frequencies, areas):
        shared.flags.writeable = False
    return frequencies, areas
