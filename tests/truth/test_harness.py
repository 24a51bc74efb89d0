"""The truth itself, checked against formulas before frames are checked against it."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from .photon_bound import flux_for_snr, photon_bound
from .sky_frames import PEDESTAL_ADU, Sky, expose, lay_out, paint
from .star_shapes import PROFILES, StarShape, imaged, trail
from .true_figures import true_figures

Array = NDArray[np.float64]


@pytest.mark.parametrize(
    ("fwhm_px", "imaged_px"), [(1.5, 1.6602), (2.0, 2.1182), (3.0, 3.0778), (4.0, 4.0581)]
)
def test_pixel_widens_a_gaussian_by_the_error_function_profile(
    fwhm_px: float, imaged_px: float
) -> None:
    """Along x a Gaussian over a pixel is erf((x + .5) / s2) - erf((x - .5) / s2), s2 = s sqrt 2.

    Its half-maximum width solved to four digits; derived here, no published source.
    """
    figures = true_figures(StarShape("gaussian", fwhm_px).psf())
    assert figures.fwhm_px == pytest.approx(imaged_px, abs=2e-4)
    assert figures.fwhm_area_px == pytest.approx(figures.fwhm_px, rel=2.5e-3)


@pytest.mark.parametrize("beta", [2.5, 3.0, 3.5, 4.765])
def test_large_moffat_has_the_published_half_flux_radius_and_noise_area(beta: float) -> None:
    """Moffat 1969, A&A 3, 455; Trujillo et al. 2001, MNRAS 328, 977: FWHM = 2 a sqrt(2^(1/b) - 1),
    flux inside r = 1 - (1 + r^2/a^2)^(1-b), integral of the square by integration of the profile.
    """
    figures = true_figures(StarShape(f"moffat{beta}", 20.0).psf())
    a = 10.0 / np.sqrt(2 ** (1 / beta) - 1)
    inside = 1 - (1 + (60.0 / a) ** 2) ** (1 - beta)
    half_flux_px = a * np.sqrt((1 - inside / 2) ** (1 / (1 - beta)) - 1)
    noise_area_px = np.pi * a**2 * (2 * beta - 1) / (beta - 1) ** 2
    assert figures.flux_in_radius == pytest.approx(inside, abs=1e-3)
    assert figures.hfr_px == pytest.approx(half_flux_px, rel=2e-3)
    assert figures.nea_total_px == pytest.approx(noise_area_px, rel=2e-3)


def test_gaussian_has_kings_noise_equivalent_area() -> None:
    """4 pi s^2 = 2.26618 FWHM^2, King 1983, PASP 95, 163; and HFR is half of FWHM."""
    figures = true_figures(StarShape("gaussian", 16.0).psf())
    assert figures.nea_px == pytest.approx(4 * np.pi * ((16 / 2.354820) ** 2 + 1 / 12), rel=1e-4)
    assert 2 * figures.hfr_px == pytest.approx(figures.fwhm_px, rel=1e-3)


@pytest.mark.parametrize(("axis_ratio", "angle_deg"), [(0.8, 20.0), (0.6, 110.0), (0.6, 45.0)])
def test_large_stretched_star_keeps_its_axes(axis_ratio: float, angle_deg: float) -> None:
    """Stretching at constant area keeps the geometric mean; the pixel adds under 0.1 % here."""
    figures = true_figures(StarShape("moffat3.5", 16.0, axis_ratio, angle_deg).psf())
    assert figures.fwhm_px == pytest.approx(16.0, rel=2e-3)
    assert figures.fwhm_area_px == pytest.approx(figures.fwhm_px, rel=1e-3)
    assert figures.axis_ratio == pytest.approx(axis_ratio, abs=2e-3)
    assert figures.angle_deg == pytest.approx(angle_deg, abs=0.1)


@pytest.mark.parametrize(("length", "elongation"), [(0.5, 1.0591), (1.0, 1.2494), (2.0, 2.0197)])
def test_trailed_gaussian_widens_at_half_maximum(length: float, elongation: float) -> None:
    """A line of L = `length` widths over a Gaussian: erf profile; derived, no published source."""
    figures = true_figures(trail(StarShape("gaussian", 12.0).psf(), 12.0 * length, 30.0))
    assert 1 / figures.axis_ratio == pytest.approx(elongation, rel=0.01)
    assert figures.angle_deg == pytest.approx(30.0, abs=0.1)


@pytest.mark.parametrize("profile", PROFILES)
def test_painted_star_is_the_profile_integrated_over_pixels(profile: str) -> None:
    """Against midpoint sums of the profile's own values, 15 x 15 to a pixel."""
    shape = StarShape(profile, 3.0)
    layout = lay_out(np.random.default_rng(1), shape.fwhm_px, columns=1, rows=1)
    painted = paint(shape.psf(), layout)
    fine = 15
    column, row = round(float(layout.x_px[0])), round(float(layout.y_px[0]))
    offset = (fine * (layout.x_px[0] - column), fine * (layout.y_px[0] - row))
    side = 11 * fine
    values = shape.psf().drawImage(
        nx=side,
        ny=side,
        scale=1 / fine,
        offset=offset,
        method="no_pixel",
        dtype=float,
    )
    expected = values.array.reshape(11, fine, 11, fine).sum(axis=(1, 3))
    around = painted[row - 5 : row + 6, column - 5 : column + 6]
    assert around == pytest.approx(expected, abs=5e-4 * expected.max())


def test_size_error_under_sky_noise_is_one_over_snr() -> None:
    """A sky-limited Gaussian of known profile: d(size)/size = 1 / (S/N); derived, no source."""
    shape, sky = StarShape("gaussian", 6.0), Sky(1e8)
    bound = photon_bound(shape, sky, flux_for_snr(shape, sky, 25.0))
    assert bound.fwhm_known == pytest.approx(1 / 25.0, rel=0.02)
    assert bound.fwhm > bound.fwhm_known


def test_best_estimator_reaches_the_bound_on_exposed_frames() -> None:
    """Weighted least squares, linear about the truth, is unbiased and as good as the bound."""
    shape, sky, snr = StarShape("moffat3.5", 6.0), Sky(60.0), 40.0
    flux_e = flux_for_snr(shape, sky, snr)
    rng = np.random.default_rng(77)
    estimates = []
    for _ in range(4):
        layout = lay_out(rng, shape.fwhm_px)
        frame = expose(flux_e * paint(shape.psf(), layout), sky, rng)
        light = frame.pixels.astype(np.float64) - PEDESTAL_ADU - sky.background_e
        estimates += [
            _linear_estimate(shape, sky, flux_e, light, (x_px, y_px))
            for x_px, y_px in zip(layout.x_px, layout.y_px, strict=True)
        ]
    size, flux = np.transpose(estimates)
    assert size.mean() == pytest.approx(0, abs=4 * size.std() / np.sqrt(len(size)))
    assert flux.mean() == pytest.approx(0, abs=4 * flux.std() / np.sqrt(len(flux)))
    # 224 stars give a standard deviation to 5 %; FWHM as imaged follows size within 1 %.
    assert size.std() == pytest.approx(photon_bound(shape, sky, flux_e).fwhm_known, rel=0.15)
    assert flux.std() == pytest.approx(1 / snr, rel=0.15)


def _linear_estimate(
    shape: StarShape, sky: Sky, flux_e: float, light: Array, place_px: tuple[float, float]
) -> tuple[float, float]:
    """ln(size) fitted with place and flux, and ln(flux) fitted alone, both from the truth."""
    column, row = round(place_px[0]), round(place_px[1])
    half = 36

    def stamp(fwhm_px: float, dx_px: float = 0.0, dy_px: float = 0.0) -> Array:
        offset = (place_px[0] - column + dx_px, place_px[1] - row + dy_px)
        star = imaged(replace(shape, fwhm_px=fwhm_px).psf()) * flux_e
        side = 2 * half + 1
        image = star.drawImage(
            nx=side, ny=side, scale=1, offset=offset, method="no_pixel", dtype=float
        )
        return np.asarray(image.array.ravel())

    size = shape.fwhm_px
    expected = stamp(size)
    slopes = np.stack(
        [
            (stamp(size * 1.01) - stamp(size / 1.01)) / (2 * np.log(1.01)),
            stamp(size, dx_px=0.5e-2) - stamp(size, dx_px=-0.5e-2),
            stamp(size, dy_px=0.5e-2) - stamp(size, dy_px=-0.5e-2),
            expected,
        ]
    )
    seen = light[row - half : row + half + 1, column - half : column + half + 1].ravel()
    weight = 1 / (np.maximum(expected, 0) + sky.variance)
    fitted = np.linalg.solve((slopes * weight) @ slopes.T, (slopes * weight) @ (seen - expected))
    flux_alone = np.sum(weight * expected * (seen - expected)) / np.sum(weight * expected**2)
    return float(fitted[0]), float(flux_alone)
