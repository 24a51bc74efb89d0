"""The figures handed out as truth, against published numbers, GalSim and rendered frames."""

from datetime import UTC, datetime

import galsim
import numpy as np
import pytest

from starwinnow_sim.camera import Camera
from starwinnow_sim.field import draw_star_field
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.render import render_frame
from starwinnow_sim.star_shape import StarShape
from starwinnow_sim.star_stamps import stamp, stamp_table
from starwinnow_sim.true_figures import star_figures, true_figures

GAUSSIAN = float("inf")
START = datetime(2031, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("fwhm_px", "imaged_px"), [(1.5, 1.6602), (2.0, 2.1182), (3.0, 3.0778), (4.0, 4.0581)]
)
def test_gaussian_width_with_its_pixel(fwhm_px: float, imaged_px: float) -> None:
    # Full width of a Gaussian convolved with a pixel, by numerical integration (no source).
    assert star_figures(StarShape(fwhm_px=fwhm_px, beta=GAUSSIAN)).fwhm_px == pytest.approx(
        imaged_px, rel=1e-3
    )


@pytest.mark.parametrize(("fwhm_px", "nea_px"), [(3.0, 21.451), (2.0, 10.116)])
def test_noise_equivalent_area_of_a_centred_gaussian(fwhm_px: float, nea_px: float) -> None:
    # 4 pi s^2 (King 1983, PASP 95, 163, seen second-hand), with the pixel integrated exactly.
    table = stamp_table(StarShape(fwhm_px=fwhm_px, beta=GAUSSIAN))
    image = stamp(table, 0.0, 0.0, table.short_px)
    assert 1 / (image**2).sum() == pytest.approx(nea_px, rel=1e-4)


def test_noise_equivalent_area_is_the_mean_over_places_in_the_pixel() -> None:
    shape = StarShape(fwhm_px=1.5, beta=GAUSSIAN)
    table = stamp_table(shape)
    phases = np.arange(4) / 4 - 0.5
    squares = [(stamp(table, dx, dy, 10) ** 2).sum() for dx in phases for dy in phases]
    assert star_figures(shape).nea_px == pytest.approx(1 / np.mean(squares), rel=1e-4)


@pytest.mark.parametrize(
    ("beta", "nea_over_fwhm2"),
    [(2.5, 4.3700), (3.0, 3.7771), (3.5, 3.4426), (4.765, 3.0184), (GAUSSIAN, 2.26618)],
)
def test_moffat_noise_equivalent_area(beta: float, nea_over_fwhm2: float) -> None:
    # NEA = pi a^2 (2 b - 1) / (b - 1)^2, from the Moffat profile (Moffat 1969, A&A 3, 455, and
    # Trujillo et al. 2001, MNRAS 328, 977). A star of 20 px hardly feels its pixel.
    figures = star_figures(StarShape(fwhm_px=20.0, beta=beta))
    whole_px = figures.nea_px / figures.flux_in_radius**2
    assert whole_px / 20**2 == pytest.approx(nea_over_fwhm2, rel=3e-3)


@pytest.mark.parametrize(
    ("defocus_fwhm", "hfr_ratio", "fwhm_ratio"),
    [(0.5, 1.0445, 1.0446), (1.0, 1.1715, 1.1914), (2.0, 1.6226, 1.8751), (3.0, 2.2156, 2.8780)],
)
def test_disc_convolved_with_gaussian(
    defocus_fwhm: float, hfr_ratio: float, fwhm_ratio: float
) -> None:
    # By numerical integration (no source); a star of 20 px hardly feels its pixel.
    width_px = 20.0
    sharp = star_figures(StarShape(fwhm_px=width_px, beta=GAUSSIAN))
    blurred = star_figures(
        StarShape(fwhm_px=width_px, beta=GAUSSIAN, defocus_px=defocus_fwhm * width_px)
    )
    assert blurred.hfr_px / sharp.hfr_px == pytest.approx(hfr_ratio, rel=2e-3)
    assert blurred.fwhm_px / sharp.fwhm_px == pytest.approx(fwhm_ratio, rel=2e-3)


@pytest.mark.parametrize(("length_fwhm", "profile_ratio"), [(0.5, 1.0591), (1.0, 1.2494)])
def test_trail_widens_the_long_axis_only(length_fwhm: float, profile_ratio: float) -> None:
    # Width along the trail over width across it, by numerical integration (no source); the
    # geometric mean of both widths grows by its square root.
    sharp = star_figures(StarShape(fwhm_px=20.0, beta=GAUSSIAN))
    trailed = star_figures(StarShape(fwhm_px=20.0, beta=GAUSSIAN, trail_x_px=20.0 * length_fwhm))
    assert trailed.fwhm_px / sharp.fwhm_px == pytest.approx(np.sqrt(profile_ratio), rel=3e-3)


@pytest.mark.parametrize(("fwhm_px", "beta"), [(1.5, 4.765), (2.6, 3.5), (5.0, 3.0)])
def test_half_flux_radius_against_galsim(fwhm_px: float, beta: float) -> None:
    figures = star_figures(StarShape(fwhm_px=fwhm_px, beta=beta))
    star = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=fwhm_px), galsim.Pixel(1.0))
    scale_px = fwhm_px / 40
    image = star.drawImage(nx=2001, ny=2001, scale=scale_px, method="no_pixel", dtype=float).array
    distance_px = np.hypot(*(np.indices(image.shape) - 1000)) * scale_px
    inside = distance_px < figures.radius_px
    order = np.argsort(distance_px[inside])
    enclosed = np.cumsum(image[inside][order])
    half = distance_px[inside][order][np.searchsorted(enclosed, enclosed[-1] / 2)]
    assert figures.hfr_px == pytest.approx(half, rel=3e-3)
    assert figures.flux_in_radius == pytest.approx(enclosed[-1] * 1.0, rel=2e-3)


def test_noise_is_that_of_the_rendered_frame() -> None:
    camera = Camera(shape=(500, 500), egain_e_per_adu=0.4, read_noise_e=3.0)
    truth = FrameTruth(
        start_utc=START, exposure_s=8.0, star=StarShape(fwhm_px=2.5), background_e=40.0
    )
    rng = np.random.default_rng(11)
    field = draw_star_field(camera.shape, count=0, rng=rng)
    frame = render_frame(field, truth, camera, rng)
    figures = true_figures(truth, camera)
    # 250 000 pixels: the standard deviation is known to 0.14 %, the mean to 0.03 noise units.
    assert frame.std() == pytest.approx(figures.noise_adu, rel=6e-3)
    assert frame.mean() == pytest.approx(figures.background_adu, abs=0.01 * figures.noise_adu)


def test_information_follows_transparency_noise_and_size() -> None:
    # Equivalent seconds for T = 0.8, s = 12, FWHM 3.6 against 1, 10, 3: 8 s x 0.8^2 x (10/12)^2
    # x (3/3.6)^2 = 2.469 s (Zackay & Ofek 2017, ApJ 836, 187, equation from memory).
    camera = Camera(shape=(10, 10), egain_e_per_adu=1.0, read_noise_e=0.0)
    rounding = 1 / 12

    def information(transparency: float, noise_adu: float, fwhm_px: float) -> float:
        truth = FrameTruth(
            start_utc=START,
            exposure_s=8.0,
            star=StarShape(fwhm_px=fwhm_px, beta=GAUSSIAN),
            transparency=transparency,
            background_e=noise_adu**2 - rounding,
        )
        return true_figures(truth, camera).information

    ratio = information(0.8, 12.0, 24.0) / information(1.0, 10.0, 20.0)
    assert 8 * ratio == pytest.approx(2.469, rel=1e-3)
