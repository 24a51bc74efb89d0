"""Figures of very bright stars against formulas; GalSim only draws the images."""

import numpy as np
import pytest

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

from .photon_bound import flux_for_snr
from .sky_frames import Sky, expose, lay_out, paint
from .star_shapes import StarShape, double_image, trail
from .true_figures import true_figures

_SKY = Sky(100.0)


def _measured(psf: object, shape: StarShape, room: float = 1.0) -> FrameMeasures:
    """Thirty stars of S/N 1,000; `room` widens the cells for shapes larger than `shape`."""
    rng = np.random.default_rng(82_009)
    layout = lay_out(rng, shape.fwhm_px * room, columns=6, rows=5)
    stars_e = flux_for_snr(shape, _SKY, 1000.0) * paint(psf, layout)
    return measure(expose(stars_e, _SKY, rng))


@pytest.mark.parametrize(
    ("fwhm_px", "imaged_px"), [(1.5, 1.6602), (2.0, 2.1182), (3.0, 3.0778), (4.0, 4.0581)]
)
def test_fwhm_includes_the_pixel(fwhm_px: float, imaged_px: float) -> None:
    """Half-maximum width of a Gaussian over a pixel (error functions); derived, no source."""
    shape = StarShape("gaussian", fwhm_px)
    assert _measured(shape.psf(), shape).fwhm_px == pytest.approx(imaged_px, rel=0.005)


@pytest.mark.parametrize("beta", [2.5, 3.0, 3.5, 4.765])
def test_large_moffat_has_its_half_flux_radius_and_noise_area(beta: float) -> None:
    """Moffat 1969, A&A 3, 455; Trujillo et al. 2001, MNRAS 328, 977.

    Flux inside r is 1 - (1 + r^2/a^2)^(1-b); half of the flux inside R = 3 FWHM; the integral of
    the square is (b-1)^2 / (pi a^2 (2b-1)). At 8 px the pixel adds 0.3 %.
    """
    shape = StarShape(f"moffat{beta}", 8.0)
    seen = _measured(shape.psf(), shape)
    a = 4.0 / np.sqrt(2 ** (1 / beta) - 1)
    inside = 1 - (1 + (24.0 / a) ** 2) ** (1 - beta)
    hfr_px = a * np.sqrt((1 - inside / 2) ** (1 / (1 - beta)) - 1)
    nea_px = inside**2 * np.pi * a**2 * (2 * beta - 1) / (beta - 1) ** 2
    assert seen.fwhm_px == pytest.approx(8.0, rel=0.01)
    assert seen.hfr_px == pytest.approx(hfr_px, rel=0.01)
    assert 2 * seen.hfr_px / seen.fwhm_px == pytest.approx(2 * hfr_px / 8.0, rel=0.01)
    assert seen.nea_px == pytest.approx(nea_px, rel=0.02)


def test_gaussian_has_kings_noise_equivalent_area() -> None:
    """4 pi (s^2 + 1/12) px; King 1983, PASP 95, 163, with the pixel's own variance."""
    shape = StarShape("gaussian", 3.0)
    expected_px = 4 * np.pi * ((3.0 / 2.354820) ** 2 + 1 / 12)
    assert _measured(shape.psf(), shape).nea_px == pytest.approx(expected_px, rel=0.02)


# L/w, elongation by second moments, by half-maximum widths: elong^2 = 1 + 0.46210 (L/w)^2, and
# error-function profile widths. Derived, no published source.
_TRAILS = [
    (0.25, 1.0143, 1.0145),
    (0.5, 1.0562, 1.0591),
    (0.674, 1.1000, 1.1093),
    (1.0, 1.2092, 1.2494),
    (1.5, 1.4282, 1.5822),
    (2.0, 1.6877, 2.0197),
]


@pytest.mark.parametrize(("length", "by_moments", "by_widths"), _TRAILS)
def test_trailed_star_is_as_long_as_its_trail(
    length: float, by_moments: float, by_widths: float
) -> None:
    """A line of `length` FWHM over a Gaussian of 4 px, 35 degrees from +x.

    The figure is the axis ratio of an elliptical Moffat. A trail is flat-topped, so a fitted
    ellipse lies between what moments and half-maximum widths give; that span is allowed, and
    1 % on either side of it.
    """
    shape = StarShape("gaussian", 4.0)
    drawn = trail(shape.psf(), 4.0 * length, 35.0)
    seen = _measured(drawn, shape, room=1 + length)
    elongation = 1 / seen.axis_ratio
    # The pixel rounds both widths: w^2 grows by the square of the pixel's share, 0.058 px.
    widened = (4.0581 / 4.0) ** 2
    low = np.sqrt(1 + (by_moments**2 - 1) / widened)
    high = np.sqrt(1 + (by_widths**2 - 1) / widened)
    assert 0.99 * low <= elongation <= 1.01 * high
    assert seen.trail_deg == pytest.approx(35.0, abs=1.0 if length > 0.4 else 3.0)


@pytest.mark.parametrize(("first_part", "angle_deg"), [(0.5, 60.0), (0.8, 150.0)])
def test_slightly_split_star_is_measured_along_its_split(
    first_part: float, angle_deg: float
) -> None:
    """Two images half a FWHM apart: variance along the split grows by f (1 - f) S^2.

    Half a FWHM is below the 0.849 FWHM at which two equal Gaussians part, so an ellipse can
    stand for them. As with trails, the fit lies between the moments' elongation,
    sqrt(1 + f (1-f) S^2 / s^2), and that of the half-maximum contour, within 1 %.
    Wider splits are no star profile at all and are not asked for here.
    """
    shape = StarShape("gaussian", 5.0)
    drawn = double_image(shape.psf(), 2.5, first_part, angle_deg)
    seen = _measured(drawn, shape, room=1.5)
    variance = (5.0 / 2.354820) ** 2 + 1 / 12
    by_moments = np.sqrt(1 + first_part * (1 - first_part) * 2.5**2 / variance)
    by_widths = 1 / true_figures(drawn).axis_ratio
    low, high = sorted((by_moments, by_widths))
    assert 0.99 * low <= 1 / seen.axis_ratio <= 1.01 * high
    assert seen.trail_deg == pytest.approx(angle_deg, abs=1.0)
