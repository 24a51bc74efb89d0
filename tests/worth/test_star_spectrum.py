"""The star's transform against GalSim, which shares nothing with it, and against formulas."""

import galsim
import numpy as np
import pytest

from starwinnow.frame_measures import StarProfile
from starwinnow.star_spectrum import depth_frequencies, ring_frequencies, star_spectrum


def profile(fwhm_px: float, beta: float, *, stretch: float = 0.0, angle_deg: float = 0.0):
    twice = 2 * np.deg2rad(angle_deg)
    return StarProfile(
        fwhm_px=fwhm_px,
        stretch1=stretch * np.cos(twice),
        stretch2=stretch * np.sin(twice),
        beta=beta,
        radius_px=1e6,
    )


def integral_nea(star: StarProfile) -> float:
    frequencies, areas = depth_frequencies()
    return float(1 / (areas @ star_spectrum(star, frequencies) ** 2))


@pytest.mark.parametrize("beta", [1.8, 2.5, 3.5, 4.765, 15.0])
@pytest.mark.parametrize("ratio", [1.0, 0.6])
def test_transform_equals_galsims(beta: float, ratio: float) -> None:
    """Rowe et al. 2015, Astronomy and Computing 10, 121; Moffat convolved with one pixel."""
    tight = galsim.GSParams(kvalue_accuracy=1e-7, folding_threshold=1e-4)
    psf = galsim.Moffat(beta=beta, fwhm=3.1, gsparams=tight)
    psf = psf.shear(q=ratio, beta=35.0 * galsim.degrees)
    star = galsim.Convolve(psf, galsim.Pixel(1.0), gsparams=tight)
    ours = profile(3.1, beta, stretch=-np.log(ratio), angle_deg=35.0)
    frequencies = np.concatenate([ring_frequencies(f) for f in (0.02, 0.1, 0.2, 0.35)])
    theirs = [star.kValue(*(2 * np.pi * f)).real for f in frequencies]
    assert star_spectrum(ours, frequencies) == pytest.approx(np.array(theirs), abs=2e-4)


@pytest.mark.parametrize(
    ("beta", "area_per_fwhm2"),
    [(2.5, 4.3700), (3.0, 3.7771), (3.5, 3.4426), (4.0, 3.2286), (4.765, 3.0184)],
)
def test_noise_equivalent_area_of_moffats(beta: float, area_per_fwhm2: float) -> None:
    """pi a^2 (2b-1)/(b-1)^2 for the profile of Moffat 1969, A&A 3, 455 (from memory).

    At FWHM 8 px a pixel still widens the star: by its variance, 1/12 px^2, beside that of the
    core, which adds 1 to 2 %.
    """
    nea_px = integral_nea(profile(8.0, beta))
    assert 1.0 < nea_px / (area_per_fwhm2 * 64) < 1.03
    assert integral_nea(profile(24.0, beta)) == pytest.approx(area_per_fwhm2 * 576, rel=0.008)


@pytest.mark.parametrize(
    ("fwhm_px", "formula", "exact"), [(3.0, 21.443, 21.451), (2.0, 10.112, 10.116)]
)
def test_noise_equivalent_area_of_gaussians(fwhm_px: float, formula: float, exact: float) -> None:
    """4 pi (s^2 + 1/12) with its pixel (derived); beta 2,000 is a Gaussian within .1 %."""
    assert 4 * np.pi * ((fwhm_px / 2.354820) ** 2 + 1 / 12) == pytest.approx(formula, abs=1e-3)
    assert integral_nea(profile(fwhm_px, 2000.0)) == pytest.approx(exact, rel=0.002)


@pytest.mark.parametrize("fwhm_px", [1.0, 2.0, 5.0, 12.0])
@pytest.mark.parametrize(("beta", "ratio"), [(2.5, 1.0), (4.765, 0.5), (3.0, 0.33)])
def test_integral_over_frequencies_is_that_over_pixels(
    fwhm_px: float, beta: float, ratio: float
) -> None:
    """Sum of P^2 of GalSim's images, averaged over where the star falls in its pixel."""
    psf = galsim.Moffat(beta=beta, fwhm=fwhm_px).shear(q=ratio, beta=20.0 * galsim.degrees)
    side = 2 * int(24 + 14 * fwhm_px) + 1
    steps = (np.arange(4) + 0.5) / 4 - 0.5
    squares = [
        np.sum(psf.drawImage(nx=side, ny=side, scale=1.0, offset=(x, y)).array ** 2.0)
        for x in steps
        for y in steps
    ]
    ours = integral_nea(profile(fwhm_px, beta, stretch=-np.log(ratio), angle_deg=20.0))
    assert 1 / ours == pytest.approx(float(np.mean(squares)), rel=0.004)


def test_light_outside_the_measuring_radius_is_left_out() -> None:
    """Unit flux inside R: for beta 2 the part outside is 1 / (1 + (R/a)^2)."""
    alpha_px = 3.0 / (2 * np.sqrt(np.sqrt(2) - 1))
    star = StarProfile(fwhm_px=3.0, stretch1=0.0, stretch2=0.0, beta=2.0, radius_px=3 * alpha_px)
    assert star_spectrum(star, np.array([[1e-7, 0.0]])) == pytest.approx([1 / 0.9], rel=1e-4)


def test_both_ways_to_the_bessel_function_agree_where_they_meet() -> None:
    frequencies = ring_frequencies(0.15)
    below, above = (star_spectrum(profile(3.0, beta), frequencies) for beta in (20.999, 21.001))
    assert below == pytest.approx(above, rel=1e-5)
