"""The Fourier transform of a star as imaged, against GalSim and sums over drawn stars."""

from dataclasses import replace

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.profile import unit_flux
from starwinnow.star_spectrum import (
    depth_frequencies,
    remainder_spectrum,
    ring_frequencies,
    star_spectrum,
)
from starwinnow.stars import Stars

from .made_up import measures


def profile_of(
    fwhm_px: float, *, beta: float, ratio: float = 1.0, angle_deg: float = 0.0, radius: float = 1e7
) -> StarProfile:
    double = np.deg2rad(2 * angle_deg)
    stretch = -np.log(ratio)
    return StarProfile(
        fwhm_px=fwhm_px,
        stretch1=float(stretch * np.cos(double)),
        stretch2=float(stretch * np.sin(double)),
        beta=beta,
        radius_px=radius,
    )


def drawn(profile: StarProfile) -> galsim.GSObject:
    """The same star by GalSim: unit flux out to infinity, pixel included."""
    stretch = np.hypot(profile.stretch1, profile.stretch2)
    angle = 0.5 * np.arctan2(profile.stretch2, profile.stretch1)
    moffat = galsim.Moffat(beta=profile.beta, fwhm=profile.fwhm_px)
    shear = galsim.Shear(eta=stretch, beta=angle * galsim.radians)
    return galsim.Convolve(moffat.shear(shear), galsim.Pixel(1.0))


def nea_of(profile: StarProfile) -> float:
    frequencies, areas = depth_frequencies()
    return float(1 / (areas @ star_spectrum(profile, frequencies) ** 2))


@pytest.mark.parametrize("beta", [1.6, 2.5, 4.765, 20.9, 21.1, 100.0])
def test_agrees_with_galsim_in_all_directions(beta: float) -> None:
    """On both sides of the order where the Bessel function gives way to its expansion."""
    profile = profile_of(3.0, beta=beta, ratio=0.6, angle_deg=30.0)
    frequencies = np.concatenate([ring_frequencies(f) for f in (0.02, 0.167, 0.4)])
    star = drawn(profile)
    expected = [star.kValue(2 * np.pi * fx, 2 * np.pi * fy).real for fx, fy in frequencies]
    # GalSim tabulates the transform of a Moffat to a few parts in a million of its peak
    assert star_spectrum(profile, frequencies) == pytest.approx(expected, rel=1e-5, abs=1e-5)


def test_a_very_large_beta_is_a_gaussian() -> None:
    """exp(-2 pi^2 s^2 f^2), s = FWHM / 2.354820, times the pixel's sinc."""
    frequencies = ring_frequencies(0.2)
    sigma = 3.0 / 2.354820
    pixel = np.sinc(frequencies[:, 0]) * np.sinc(frequencies[:, 1])
    expected = np.exp(-2 * np.pi**2 * sigma**2 * 0.04) * pixel
    found = star_spectrum(profile_of(3.0, beta=1e5), frequencies)
    assert found == pytest.approx(expected, rel=1e-4)


def test_is_the_flux_inside_the_radius_at_frequency_zero() -> None:
    """A Moffat of beta 2.5 holds 1 - (1 + (R/a)^2)^-1.5 inside R; unit flux is that part."""
    alpha = 4.0 / 1.130501  # CHECKS a: FWHM/a of beta 2.5
    inside = 1 - (1 + (12 / alpha) ** 2) ** -1.5
    found = star_spectrum(profile_of(4.0, beta=2.5, radius=12.0), np.zeros((1, 2)))
    assert found[0] == pytest.approx(1 / inside, rel=1e-5)


@pytest.mark.parametrize(("fwhm_px", "nea_px"), [(3.0, 21.451), (2.0, 10.116)])
def test_noise_equivalent_area_of_a_gaussian_on_pixels(fwhm_px: float, nea_px: float) -> None:
    """CHECKS b, exact values for a Gaussian integrated over pixels; .2 % is what we state."""
    assert nea_of(profile_of(fwhm_px, beta=1e5)) == pytest.approx(nea_px, rel=2e-3)


@pytest.mark.parametrize("fwhm_px", [1.2, 2.0, 4.0, 12.0])
@pytest.mark.parametrize(("beta", "ratio"), [(2.5, 1.0), (3.5, 0.5), (20.0, 0.35)])
def test_integral_over_frequencies_is_the_sum_over_pixels(
    fwhm_px: float, beta: float, ratio: float
) -> None:
    """Sum of P^2 over a star drawn by GalSim, averaged over where in its pixel it falls."""
    profile = profile_of(fwhm_px, beta=beta, ratio=ratio, angle_deg=25.0)
    size = 2 * int(8 * fwhm_px + 20)
    star = drawn(profile)
    offsets = [
        (x, y) for x in (-0.375, -0.125, 0.125, 0.375) for y in (-0.375, -0.125, 0.125, 0.375)
    ]
    powers = [
        np.sum(
            star.drawImage(nx=size, ny=size, scale=1.0, method="no_pixel", offset=offset).array ** 2
        )
        for offset in (offsets if fwhm_px < 3 else offsets[:1])
    ]
    assert nea_of(profile) == pytest.approx(1 / np.mean(powers), rel=3e-3)


@pytest.mark.parametrize(
    ("beta", "area_per_fwhm2"),
    [(2.5, 4.3700), (3.0, 3.7771), (3.5, 3.4426), (4.0, 3.2286), (4.765, 3.0184)],
)
def test_noise_equivalent_area_of_moffats(beta: float, area_per_fwhm2: float) -> None:
    """pi a^2 (2b-1)/(b-1)^2 of the profile of Moffat 1969, A&A 3, 455 (from memory).

    At 24 px a pixel's own width adds less than half a per cent.
    """
    assert nea_of(profile_of(24.0, beta=beta)) == pytest.approx(area_per_fwhm2 * 576, rel=0.008)


def frame_with(profile: StarProfile, image: NDArray[np.float64], error: float) -> FrameMeasures:
    """A frame whose average star is `image`, each pixel known to `error`."""
    return replace(
        measures(0, Stars.empty()),
        profile=profile,
        average_star=image.astype(np.float32),
        average_star_err=np.full(image.shape, error, np.float32),
    )


@pytest.mark.parametrize("frequency", [0.1, 0.2, 0.3])
def test_what_a_trail_shows_beyond_its_profile_completes_its_spectrum(frequency: float) -> None:
    """An even trail of 8 px by GalSim, of which the profile knows the width only."""
    star = galsim.Convolve(
        galsim.Gaussian(fwhm=2.5),
        galsim.Box(8.0, 1e-3).rotate(30 * galsim.degrees),
        galsim.Pixel(1.0),
    )
    image = star.drawImage(nx=33, ny=33, scale=1.0, method="no_pixel", dtype=float).array
    profile = profile_of(4.5, beta=8.0, ratio=0.35, angle_deg=30.0, radius=15.0)
    frequencies = ring_frequencies(frequency)
    expected = np.array([star.kValue(2 * np.pi * fx, 2 * np.pi * fy) for fx, fy in frequencies])
    alone = star_spectrum(profile, frequencies)
    found = alone + remainder_spectrum(frame_with(profile, image, 1e-6), frequencies)
    assert np.max(np.abs(found - expected)) < 0.004
    assert np.max(np.abs(alone - expected)) > 0.03


def test_noise_of_the_average_star_is_not_taken_for_its_shape() -> None:
    """Of pure noise four fifths of the power are left out; of what stands out five times, none."""
    rng = np.random.default_rng(34_001)
    profile = profile_of(2.6, beta=3.0, radius=8.0)
    frequencies = np.concatenate([ring_frequencies(f) for f in np.linspace(0.05, 0.45, 40)])
    error = 1e-3
    inside = np.hypot(*(np.indices((33, 33)) - 16)) <= 8
    noise = error * rng.standard_normal((33, 33))
    found = remainder_spectrum(
        frame_with(profile, unit_flux(profile, 33) + noise, error), frequencies
    )
    assert np.mean(np.abs(found) ** 2) < 0.2 * error**2 * np.count_nonzero(inside)
    strong = 5 * noise
    found = remainder_spectrum(
        frame_with(profile, unit_flux(profile, 33) + strong, error), frequencies
    )
    assert np.mean(np.abs(found) ** 2) > 0.9 * np.sum(strong[inside] ** 2)


def test_no_image_says_nothing_beyond_the_profile() -> None:
    frame = replace(measures(0, Stars.empty()), profile=profile_of(3.0, beta=3.0, radius=9.0))
    assert not remainder_spectrum(frame, ring_frequencies(0.2)).any()
    assert not remainder_spectrum(replace(frame, profile=None), ring_frequencies(0.2)).any()
