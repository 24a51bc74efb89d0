"""Information of a frame for each aim, against worked values."""

import math
from dataclasses import replace

import numpy as np
import pytest

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.information import (
    detail_frequencies,
    flux_scale_error,
    imaged_spectrum,
    information,
    information_error,
)
from starwinnow.settings import AIMS
from starwinnow.star_spectrum import depth_frequencies
from starwinnow.stars import Stars

from .made_up import measures


def frame(noise_adu: float = 10.0, fwhm_px: float = 3.0) -> FrameMeasures:
    return measures(0, Stars.empty(), noise_adu=noise_adu, fwhm_px=fwhm_px)


@pytest.mark.parametrize(
    ("transparency", "noise_adu", "fwhm_px", "seconds"),
    [
        (0.8, 10.0, 3.0, 5.12),
        (1.0, 12.0, 3.0, 5.556),
        (1.0, 10.0, 4.0, 4.50),
        (0.8, 12.0, 3.6, 2.469),
        (0.5, 14.0, 5.0, 0.367),
    ],
)
def test_equivalent_seconds(
    transparency: float, noise_adu: float, fwhm_px: float, seconds: float
) -> None:
    """CHECKS b, computed: against T = 1, noise 10, FWHM 3, 8 s (NEA goes with FWHM^2)."""
    mine = information(frame(noise_adu, fwhm_px), transparency, aim="depth", fwhm_ref_px=3.0)
    reference = information(frame(), 1.0, aim="depth", fwhm_ref_px=3.0)
    assert 8 * mine / reference == pytest.approx(seconds, abs=6e-4)


def test_depth_is_the_squared_snr_of_the_matched_filter() -> None:
    """CHECKS b: F = 1000, FWHM 3 px Gaussian on pixels, noise 10: S/N 21.59."""
    star = replace(frame(), nea_px=21.451)
    assert math.sqrt(information(star, 1000.0, aim="depth", fwhm_ref_px=3.0)) == pytest.approx(
        21.59, abs=0.005
    )


def test_glow_knows_nothing_of_sharpness() -> None:
    """T^2 / s^2: .64 / 144 whatever the star."""
    for fwhm_px in (2.0, 6.0):
        found = information(frame(12.0, fwhm_px), 0.8, aim="glow", fwhm_ref_px=3.0)
        assert found == pytest.approx(0.64 / 144)


def test_detail_of_a_gaussian() -> None:
    """|P|^2 = exp(-4 pi^2 s^2 f^2) at f = .5/FWHM_ref, times the pixel's part."""

    def gaussian(fwhm_px: float) -> FrameMeasures:
        sigma = fwhm_px / 2.354820
        profile = StarProfile(fwhm_px=fwhm_px, stretch1=0.0, stretch2=0.0, beta=1e5, radius_px=1e5)
        return replace(frame(), profile=profile, nea_px=4 * math.pi * (sigma**2 + 1 / 12))

    here, wider = (
        information(gaussian(w), 1.0, aim="detail", fwhm_ref_px=10.0) for w in (10.0, 13.0)
    )
    exponent = 4 * math.pi**2 * 0.05**2 / 2.354820**2
    # sinc(fx)^2 sinc(fy)^2 = 1 - (pi f)^2 / 3 to first order
    pixel = 1 - (math.pi * 0.05) ** 2 / 3
    # each is good to the .2 % of the integral that carries the NEA, their ratio to twice that
    assert here == pytest.approx(pixel * math.exp(-exponent * 100) / 100, rel=2e-3)
    assert wider / here == pytest.approx(math.exp(-exponent * 69), rel=4e-3)


def test_detail_is_averaged_over_directions() -> None:
    """Turning a trailed star changes nothing but through the pixel, which is small here."""
    long = frame(fwhm_px=12.0)
    assert long.profile is not None
    found = [
        information(
            replace(
                long,
                profile=replace(
                    long.profile, stretch1=0.7 * math.cos(2 * a), stretch2=0.7 * math.sin(2 * a)
                ),
            ),
            1.0,
            aim="detail",
            fwhm_ref_px=12.0,
        )
        for a in (0.0, 0.3, 0.9, 1.4)
    ]
    assert found == pytest.approx([found[0]] * 4, rel=0.01)


def test_spectrum_carries_the_measured_nea() -> None:
    star = replace(frame(), nea_px=40.0)
    frequencies, areas = depth_frequencies()
    power = np.abs(imaged_spectrum(star, frequencies)) ** 2
    assert areas @ power == pytest.approx(1 / 40, rel=1e-9)


def test_what_cannot_be_told_is_nan() -> None:
    nothing = replace(frame(), profile=None, nea_px=math.nan, fwhm_px=math.nan)
    assert information(nothing, 1.0, aim="glow", fwhm_ref_px=3.0) == pytest.approx(0.01)
    bad = [
        (nothing, 1.0, "depth"),
        (nothing, 1.0, "detail"),
        (frame(), math.nan, "glow"),
        (replace(frame(), noise_adu=0.0), 1.0, "glow"),
        (replace(frame(), noise_adu=math.nan), 1.0, "depth"),
        (replace(frame(), flags=FrameFlag.OVEREXPOSED), 1.0, "depth"),
    ]
    for star, transparency, aim in bad:
        assert math.isnan(information(star, transparency, aim=aim, fwhm_ref_px=3.0))  # type: ignore[arg-type]


def test_a_wrong_width_moves_each_aim_as_said() -> None:
    """Fit drawn Gaussians with a profile 1 % too wide: what flux, NEA and |P|^2 then do.

    A least-squares flux is F sum(P Q) / sum(Q^2) for the true P and the assumed Q; for Gaussians
    sum(P Q) = 1 / (2 pi (p^2 + q^2)), the pixel aside.
    """
    reference = frame(fwhm_px=8.0)
    p, q = 8.0, 8.08
    flux = 2 * q**2 / (p**2 + q**2)
    glow = flux**2 - 1
    depth = flux**2 * (p / q) ** 2 - 1
    assert depth == pytest.approx(0, abs=1.1e-4)
    wrong = replace(reference, fwhm_err_px=0.08, nea_err_px=0.02 * reference.nea_px)
    sure = replace(reference, fwhm_err_px=0.0, nea_err_px=0.0, background_err_adu=0.0)
    wrong = replace(wrong, background_err_adu=0.0)
    assert flux_scale_error(wrong) == pytest.approx(flux - 1, rel=0.02)
    assert information_error(wrong, 0.0, sure, aim="glow") == pytest.approx(glow, rel=0.02)
    assert information_error(wrong, 0.0, sure, aim="depth") == 0
    round_gaussian = StarProfile(fwhm_px=8.0, stretch1=0.0, stretch2=0.0, beta=1e5, radius_px=1e5)
    frequencies = detail_frequencies(8.0)
    f2 = float(np.sum(frequencies[0] ** 2))
    power = math.exp(-4 * math.pi**2 * f2 * (q**2 - p**2) / 2.354820**2)
    found = information_error(
        replace(wrong, profile=round_gaussian),
        0.0,
        replace(sure, profile=round_gaussian),
        aim="detail",
    )
    assert found == pytest.approx(abs(flux**2 * power - 1), rel=0.05)


def test_errors_add_in_squares_and_the_reference_has_none() -> None:
    """2 dT/T and 2 ds/s of both frames: 2 sqrt(.003^2 + 2 (.004)^2)."""
    noisy = replace(frame(), background_err_adu=0.004 * math.sqrt(2) * 10, nea_err_px=0.0)
    noisy = replace(noisy, fwhm_err_px=0.0)
    other = replace(noisy, file_name="other.fits")
    for aim in AIMS:
        assert information_error(other, 0.003, noisy, aim=aim) == pytest.approx(
            2 * math.sqrt(0.003**2 + 2 * 0.004**2)
        )
        assert information_error(noisy, 0.0, noisy, aim=aim) == 0
