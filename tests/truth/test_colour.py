"""A colour sensor measures stars of any colour as a sensor without filters does."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starwinnow.measure import measure
from starwinnow.readers import read_frame
from starwinnow.readers.bayer import pattern_at_origin

from .colour import PATTERNS, SKY_PARTS, as_mosaic, responses, star_field
from .sky_frames import PEDESTAL_ADU, Sky, expose
from .star_shapes import StarShape

_SKY = Sky(300.0)


@pytest.mark.parametrize("temperature_k", [3_000.0, 10_000.0])
@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_mosaic_measures_like_a_sensor_without_filters(
    pattern: str, temperature_k: float
) -> None:
    """Whether the header states the pattern or the sky shows it."""
    rng = np.random.default_rng([93_001, PATTERNS.index(pattern), int(temperature_k)])
    stars_e = star_field(StarShape("moffat3", 2.2), _SKY, rng)
    mono = measure(expose(stars_e, _SKY, rng))
    stated = as_mosaic(stars_e, _SKY, pattern, temperature_k, rng)
    unstated = replace(stated, capture=replace(stated.capture, bayer_pattern=None))
    for colour in (measure(stated), measure(unstated)):
        assert colour.fwhm_px == pytest.approx(mono.fwhm_px, rel=0.02)
        assert colour.hfr_px == pytest.approx(mono.hfr_px, rel=0.02)
        assert colour.axis_ratio > 0.97


@pytest.mark.parametrize("fwhm_px", [1.6, 3.5])
@pytest.mark.parametrize("temperature_k", [3_000.0, 10_000.0])
def test_small_and_larger_stars_of_a_mosaic(fwhm_px: float, temperature_k: float) -> None:
    rng = np.random.default_rng([93_101, int(temperature_k)])
    stars_e = star_field(StarShape("moffat3", fwhm_px), _SKY, rng)
    mono = measure(expose(stars_e, _SKY, rng))
    colour = measure(as_mosaic(stars_e, _SKY, "GBRG", temperature_k, rng))
    assert colour.fwhm_px == pytest.approx(mono.fwhm_px, rel=0.02)
    assert colour.hfr_px == pytest.approx(mono.hfr_px, rel=0.02)


@pytest.mark.parametrize("row_order", ["TOP-DOWN", "BOTTOM-UP"])
@pytest.mark.parametrize(("right_px", "down_px"), [(0, 0), (1, 0), (0, 1)])
def test_a_mosaic_file_is_measured_by_its_green_pixels(
    tmp_path: Path, row_order: str, right_px: int, down_px: int
) -> None:
    """Whatever offsets and row order say, the pixels measured are green: the sky is theirs."""
    height = 300
    at_origin = pattern_at_origin(
        "RGGB",
        x_offset=right_px,
        y_offset=down_px,
        bottom_up=row_order == "BOTTOM-UP",
        height_px=height,
    )
    assert at_origin is not None
    rng = np.random.default_rng(93_201)
    stars_e = star_field(StarShape("moffat3", 2.2), _SKY, rng, shape=(height, 400), count=12)
    frame = as_mosaic(stars_e, _SKY, at_origin, 3_000.0, rng)
    cards = {"BAYERPAT": "RGGB", "XBAYROFF": right_px, "YBAYROFF": down_px, "ROWORDER": row_order}
    fits.writeto(tmp_path / "mosaic.fits", frame.pixels, fits.Header(cards))
    read = measure(read_frame(tmp_path / "mosaic.fits"))
    assert read.fwhm_px == measure(frame).fwhm_px
    assert read.background_adu == pytest.approx(PEDESTAL_ADU + _SKY.background_e, abs=1.0)


@pytest.mark.parametrize("temperature_k", [3_000.0, 10_000.0])
def test_colour_planes_are_measured_by_their_mean(tmp_path: Path, temperature_k: float) -> None:
    rng = np.random.default_rng([93_301, int(temperature_k)])
    stars_e = star_field(StarShape("moffat3", 2.2), _SKY, rng)
    mono = measure(expose(stars_e, _SKY, rng))
    parts = responses(temperature_k)
    planes = [
        expose(stars_e * parts[colour], Sky(_SKY.background_e * SKY_PARTS[colour]), rng).pixels
        for colour in "RGB"
    ]
    fits.writeto(tmp_path / "cube.fits", np.stack(planes))
    cube = measure(read_frame(tmp_path / "cube.fits"))
    assert cube.fwhm_px == pytest.approx(mono.fwhm_px, rel=0.02)
    assert cube.hfr_px == pytest.approx(mono.hfr_px, rel=0.02)
