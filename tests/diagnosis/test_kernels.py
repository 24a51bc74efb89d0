"""Kernels against GalSim's transfer functions, closed forms and finite differences."""

import math

import galsim
import numpy as np
import pytest

from starwinnow.diagnosis.kernels import (
    FocusFactor,
    HaloFactor,
    KnockFactor,
    SeeingFactor,
    ShiftFactor,
    TrailFactor,
    defocus_otf,
    optics_of,
    seeing_exponent,
)
from starwinnow.diagnosis.star_fits import StarModel
from starwinnow.frame import Capture

from .drawn_stars import OPTICS_MM, PIXEL_UM, DrawnStar, noise_equivalent_area

CAPTURE = Capture(aperture_mm=OPTICS_MM[0], focal_length_mm=OPTICS_MM[1], pixel_um=PIXEL_UM)
OPTICS = optics_of(CAPTURE)
RNG = np.random.default_rng(5)
KX, KY = RNG.uniform(-0.5, 0.5, (2, 40))


def of_galsim(profile) -> np.ndarray:
    """Transfer function at the frequencies above; GalSim's k is 2 pi of ours."""
    places = zip(2 * np.pi * KX, 2 * np.pi * KY, strict=True)
    return np.array([profile.kValue(kx, ky) for kx, ky in places])


def test_pupil_in_focus_is_the_closed_form() -> None:
    """(2/pi) (arccos s - s sqrt(1 - s^2)), Goodman, Introduction to Fourier Optics, from memory."""
    s = np.linspace(0, 1, 21)
    closed = 2 / np.pi * (np.arccos(s) - s * np.sqrt(1 - s**2))
    assert defocus_otf(s, np.zeros(1)) == pytest.approx(closed, abs=1e-6)
    assert closed[10] == pytest.approx(0.391, abs=5e-4)


@pytest.mark.parametrize("waves", [0.25, 0.6, 1.0, 1.7])
def test_pupil_out_of_focus_against_galsim(waves: float) -> None:
    # lambda / D of one arcsecond: the cutoff is one cycle per arcsecond.
    star = galsim.OpticalPSF(
        lam_over_diam=1.0, defocus=waves / (2 * math.sqrt(3)), oversampling=2, pad_factor=3
    )
    s = np.linspace(0.05, 0.95, 19)
    drawn = np.array([star.kValue(2 * np.pi * one, 0.0) for one in s])
    assert np.abs(drawn.imag).max() < 1e-3
    assert defocus_otf(s, np.full(1, waves)) == pytest.approx(drawn.real, abs=0.01)


@pytest.mark.parametrize(
    ("waves", "strehl"), [(0.25, 0.81), (0.5, 0.405), (1.0, 0.0), (1.5, 0.045)]
)
def test_central_brightness_out_of_focus(waves: float, strehl: float) -> None:
    """(sin pi W / pi W)^2: .81 at a quarter wave, 0 at one (Born & Wolf, from memory)."""
    nodes, weights = np.polynomial.legendre.leggauss(200)
    s = (nodes + 1) / 2
    volumes = [float(np.sum(weights * s * defocus_otf(s, np.full(1, one)))) for one in (waves, 0.0)]
    assert volumes[0] / volumes[1] == pytest.approx(strehl, abs=0.003)


def test_quarter_wave_is_the_depth_of_focus() -> None:
    """+-2 lambda N^2, common in textbooks of optics: 39.6 um at f/6."""
    assert OPTICS is not None
    assert OPTICS.focal_ratio == 6
    assert OPTICS.defocus_um(0.25) == pytest.approx(2 * 0.55 * 36)


def test_cutoff_and_unknown_optics() -> None:
    assert OPTICS is not None
    assert OPTICS.cutoff == pytest.approx(PIXEL_UM / (0.55 * 6))
    assert optics_of(Capture(aperture_mm=80.0, focal_length_mm=480.0)) is None
    assert optics_of(Capture(aperture_mm=800.0, focal_length_mm=480.0, pixel_um=3.8)) is None


@pytest.mark.parametrize("fwhm_px", [1.5, 2.5, 5.0])
def test_seeing_of_a_given_fwhm_against_galsim(fwhm_px: float) -> None:
    ours = np.exp(-seeing_exponent(fwhm_px) * np.hypot(KX, KY) ** (5 / 3))
    assert ours == pytest.approx(of_galsim(galsim.Kolmogorov(fwhm=fwhm_px)).real, abs=0.003)


def test_worse_seeing_is_the_ratio_of_two() -> None:
    factor = SeeingFactor(KX, KY)
    value, _ = factor.at(np.array([[seeing_exponent(2.6) - seeing_exponent(2.0)]]))
    two = [of_galsim(galsim.Kolmogorov(fwhm=one)).real for one in (2.6, 2.0)]
    shown = two[1] > 0.02
    assert shown.sum() > 15
    assert value[0][shown] == pytest.approx(two[0][shown] / two[1][shown], abs=0.01)


def test_moves_and_halo_against_galsim() -> None:
    way = math.atan2(3.0, 4.0) * galsim.radians
    trail, _ = TrailFactor(KX, KY).at(np.array([[4.0, 3.0]]))
    assert trail[0] == pytest.approx(of_galsim(galsim.Box(5.0, 0.01).rotate(way)).real, abs=1e-3)

    points = [(0.7, -0.3 * 5, 0.3 * 2), (0.3, 0.7 * 5, -0.7 * 2)]
    knocked = galsim.Add([galsim.DeltaFunction(flux=f).shift(x, y) for f, x, y in points])
    knock, _ = KnockFactor(KX, KY).at(np.array([[5.0, -2.0, 0.3]]))
    assert knock[0] == pytest.approx(of_galsim(knocked), abs=1e-6)

    shift, _ = ShiftFactor(KX, KY).at(np.array([[1.2, -0.4]]))
    assert shift[0] == pytest.approx(of_galsim(galsim.DeltaFunction().shift(1.2, -0.4)), abs=1e-6)

    wide = galsim.Gaussian(sigma=7.0, flux=0.2) + galsim.DeltaFunction(flux=0.8)
    halo, _ = HaloFactor(KX, KY).at(np.array([[0.2]]))
    assert halo[0] == pytest.approx(of_galsim(wide).real, abs=1e-6)


@pytest.mark.parametrize("waves", [0.1, 0.33, 0.8, 1.6])
def test_focus_is_the_pupil_out_of_it_over_the_pupil_in_it(waves: float) -> None:
    """By the integral itself; the factor looks it up in a table."""
    assert OPTICS is not None
    s = np.linspace(0.01, 0.96, 30)
    factor = FocusFactor(s * OPTICS.cutoff, np.zeros(30), OPTICS)
    value, _ = factor.at(np.array([[waves**2]]))
    ratio = defocus_otf(s, np.full(1, waves)) / defocus_otf(s, np.zeros(1))
    assert value[0] == pytest.approx(ratio, abs=2e-3)
    beyond, _ = FocusFactor(np.array([1.01 * OPTICS.cutoff]), np.zeros(1), OPTICS).at(
        np.array([[waves**2]])
    )
    assert beyond[0, 0] == 0.0


@pytest.mark.parametrize(
    ("factor", "parameters"),
    [
        (ShiftFactor(KX, KY), (0.7, -1.1)),
        (SeeingFactor(KX, KY), (6.0,)),
        (HaloFactor(KX, KY), (0.15,)),
        (FocusFactor(KX, KY, OPTICS), (0.2003,)),
        (TrailFactor(KX, KY), (3.0, -2.0)),
        (TrailFactor(KX, KY), (1e-5, 2e-5)),
        (KnockFactor(KX, KY), (4.0, 1.5, 0.35)),
    ],
)
def test_derivatives_against_finite_differences(factor, parameters) -> None:
    at = np.array([parameters])
    value, slopes = factor.at(at)
    assert len(slopes) == at.shape[1] == len(factor.low) == len(factor.high)
    for number, slope in enumerate(slopes):
        step = np.zeros_like(at)
        step[0, number] = 1e-6
        difference = (factor.at(at + step)[0] - factor.at(at - step)[0]) / 2e-6
        assert np.abs(difference).max() > 0
        assert np.broadcast_to(slope, value.shape) == pytest.approx(difference, abs=2e-7, rel=1e-4)


@pytest.mark.parametrize(
    ("family", "own", "spoiled", "name"),
    [
        ((TrailFactor,), (3.0, 1.0), {"trail_px": (3.0, 1.0)}, "trail"),
        ((KnockFactor,), (3.0, -2.0, 0.4), {"knock": (3.0, -2.0, 0.4)}, "knock"),
        ((FocusFactor,), (0.5**2,), {"waves": 0.5}, "focus"),
        ((), (), {"halo": (0.15, 7.0)}, "halo"),
        ((), (), {"seeing_px": 2.8}, "seeing"),
    ],
)
def test_what_a_kernel_adds_to_the_area(family, own, spoiled, name) -> None:
    """By Parseval's theorem in the code, by sums over GalSim's pixels here."""
    plain, large = DrawnStar().image(), DrawnStar(**spoiled).image()
    model = StarModel(plain)
    factors = [
        kind(model.kx, model.ky, *([OPTICS] if kind is FocusFactor else [])) for kind in family
    ]
    seeing = seeing_exponent(2.8) - seeing_exponent(2.2) if name == "seeing" else 0.0
    halo = 0.15 if name == "halo" else 0.0
    parts = model.area_parts(np.array([1.0, 0.0, 0.0, 0.0, seeing, halo, *own]), factors)
    # Light outside the square counts in the area of the whole star.
    squares = [float(np.sum(one**2)) for one in (plain, large)]
    assert parts[name] == pytest.approx(math.log(squares[0] / squares[1]), abs=0.01)
    assert parts[name] > 0.15
    others = [value for other, value in parts.items() if other != name]
    assert np.abs(others) == pytest.approx(0.0, abs=1e-9)
    if name != "halo":
        areas = [noise_equivalent_area(one) for one in (plain, large)]
        assert parts[name] == pytest.approx(math.log(areas[1] / areas[0]), abs=0.02)
