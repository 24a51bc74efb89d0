"""The rendered sensor: noise, limits, faults and colours."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from starwinnow_sim.camera import Camera, draw_hot_pixels, expose
from starwinnow_sim.field import StarField, draw_star_field
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.render import expected_light, render_frame
from starwinnow_sim.star_shape import StarShape

TRUTH = FrameTruth(
    start_utc=datetime(2031, 1, 1, tzinfo=UTC), exposure_s=8.0, star=StarShape(fwhm_px=2.5)
)
NO_STARS = draw_star_field((10, 10), count=0, rng=np.random.default_rng(0))


def one_star(x_px: float, y_px: float, flux_e: float, colour_mag: float = 0.0) -> StarField:
    return StarField(
        x_px=np.array([x_px]),
        y_px=np.array([y_px]),
        flux_e=np.array([flux_e]),
        colour_mag=np.array([colour_mag]),
    )


@pytest.mark.parametrize(
    ("level_e", "read_noise_e", "gain"), [(3.0, 1.5, 0.25), (100.0, 8.0, 1.0), (5000.0, 2.0, 2.0)]
)
def test_variance_is_counts_and_read_noise(
    level_e: float, read_noise_e: float, gain: float
) -> None:
    # Variance of Poisson counts and read noise over gain squared, and of rounding (Howell,
    # Handbook of CCD Astronomy, ch. 4, from memory).
    camera = Camera(shape=(400, 400), egain_e_per_adu=gain, read_noise_e=read_noise_e)
    light = np.full(camera.shape, level_e, np.float32)
    frame = expose(light, camera, np.random.default_rng(3)).astype(float)
    expected = (level_e + read_noise_e**2) / gain**2 + 1 / 12
    assert frame.var() == pytest.approx(expected, rel=0.015)
    assert frame.mean() == pytest.approx(
        camera.offset_adu + level_e / gain, abs=5 * np.sqrt(expected) / 400
    )


def test_noise_is_not_correlated_between_pixels() -> None:
    camera = Camera(shape=(400, 400))
    frame = render_frame(NO_STARS, TRUTH, camera, np.random.default_rng(4)).astype(float)
    frame -= frame.mean()
    for shift, axis in ((1, 0), (1, 1), (128, 0)):
        product = (frame * np.roll(frame, shift, axis)).mean() / frame.var()
        assert abs(product) < 5 / 400


def test_dark_pixels_stay_above_zero_counts() -> None:
    camera = Camera(shape=(50, 50), offset_adu=0.0, read_noise_e=5.0)
    frame = expose(np.full(camera.shape, -3.0, np.float32), camera, np.random.default_rng(5))
    assert frame.min() == 0
    assert (frame == 0).mean() > 0.4


@pytest.mark.parametrize(("gain", "full_well_e"), [(0.75, 51_000.0), (2.0, 20_000.0)])
def test_bright_stars_stop_at_the_limit(gain: float, full_well_e: float) -> None:
    camera = Camera(shape=(41, 41), egain_e_per_adu=gain, full_well_e=full_well_e, read_noise_e=0.0)
    field = one_star(20.0, 20.0, 5e6)
    frame = render_frame(field, TRUTH, camera, np.random.default_rng(6))
    assert frame.max() == camera.saturation_adu
    assert (frame == frame.max()).sum() > 5


def test_saturation_is_the_lower_of_both_limits() -> None:
    assert Camera(shape=(2, 2)).saturation_adu == 65_535
    assert Camera(shape=(2, 2), egain_e_per_adu=2.0, full_well_e=20_000).saturation_adu == 10_500


def test_hot_pixels_stay_where_they_are() -> None:
    shape = (200, 300)
    hot = draw_hot_pixels(shape, part=0.005, rng=np.random.default_rng(7))
    assert len(hot.x) == 300
    assert len(set(zip(hot.x, hot.y, strict=True))) == 300
    camera = Camera(shape=shape, hot_pixels=hot)
    moved = replace(TRUTH, shift_x_px=7.3, shift_y_px=-4.1)
    for truth, seed in ((TRUTH, 1), (moved, 2)):
        rng = np.random.default_rng(seed)
        frame = render_frame(NO_STARS, truth, camera, rng).astype(float)
        extra_e = (frame[hot.y, hot.x] - 500) * 0.75 - truth.background_e
        noise_e = np.sqrt(truth.background_e + hot.extra_e + 1.6**2)
        assert np.abs((extra_e - hot.extra_e) / noise_e).max() < 5


def test_background_gradient_is_linear() -> None:
    camera = Camera(shape=(101, 201))
    truth = replace(TRUTH, background_e=200.0, gradient_x=0.5, gradient_y=-0.2)
    light = expected_light(NO_STARS, truth, camera)
    assert light[50, 100] == pytest.approx(200)
    assert light[50, 0] == pytest.approx(200 * 0.75)
    assert light[50, -1] == pytest.approx(200 * 1.25)
    assert light[0, 0] == pytest.approx(200 * (1 - 0.25 + 0.1))


def test_vignetting_darkens_the_corners() -> None:
    camera = Camera(shape=(201, 301), vignetting=0.4, read_noise_e=0.0, egain_e_per_adu=1.0)
    light = np.full(camera.shape, 1e4, np.float32)
    frame = expose(light, camera, np.random.default_rng(8)).astype(float) - 500
    assert frame[95:106, 145:156].mean() == pytest.approx(1e4, rel=0.005)
    for corner in (frame[:5, :5], frame[-5:, :5], frame[:5, -5:], frame[-5:, -5:]):
        assert corner.mean() == pytest.approx(6e3, rel=0.03)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
def test_colours_fall_on_their_pixels(pattern: str) -> None:
    camera = Camera(shape=(60, 60), bayer_pattern=pattern)
    truth = replace(TRUTH, background_e=0.0, star=StarShape(fwhm_px=8.0))
    # A red star of colour 2 mag: 1 mag brighter in red and 1 mag fainter in blue.
    light = expected_light(one_star(29.6, 30.3, 1e6, colour_mag=2.0), truth, camera)
    white = expected_light(one_star(29.6, 30.3, 1e6), truth, camera)
    bright = white > 100
    ratio = np.where(bright, light / np.where(bright, white, 1), np.nan)
    expected = {"R": 10**0.4, "G": 1.0, "B": 10**-0.4}
    for i, colour in enumerate(pattern):
        cell = ratio[i // 2 :: 2, i % 2 :: 2]
        assert np.nanmin(cell) == pytest.approx(expected[colour], rel=1e-4)
        assert np.nanmax(cell) == pytest.approx(expected[colour], rel=1e-4)


def test_filters_weaken_red_and_blue() -> None:
    camera = Camera(shape=(200, 200), bayer_pattern="GRBG", egain_e_per_adu=1.0)
    light = np.full(camera.shape, 1e4, np.float32)
    frame = expose(light, camera, np.random.default_rng(9)).astype(float) - 500
    assert frame[0::2, 0::2].mean() == pytest.approx(1e4, rel=2e-3)
    assert frame[0::2, 1::2].mean() == pytest.approx(0.7e4, rel=2e-3)
    assert frame[1::2, 0::2].mean() == pytest.approx(0.8e4, rel=2e-3)
    assert frame[1::2, 1::2].mean() == pytest.approx(1e4, rel=2e-3)


def test_impossible_cameras_are_refused() -> None:
    with pytest.raises(ValueError, match="bayer_pattern is 'RGBG', must be one of RGGB"):
        Camera(shape=(2, 2), bayer_pattern="RGBG")
    with pytest.raises(ValueError, match="adc_max_adu is 70000, must be 1 to 65535"):
        Camera(shape=(2, 2), adc_max_adu=70_000)


def test_scale_of_a_small_refractor() -> None:
    # 206.265 p / f (elementary): 3.76 um at 480 mm.
    assert Camera(shape=(2, 2)).scale_arcsec == pytest.approx(1.61574, abs=1e-5)
