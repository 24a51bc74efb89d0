"""One frame through the whole measurement: invariances, flags, and frames with little to see."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag, StarFlag
from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

_SHAPE = (320, 400)
_FIGURES = ("fwhm_px", "hfr_px", "nea_px", "axis_ratio")


def _sky(rng: np.random.Generator, *, stars: int = 40, level: float = 500.0) -> NDArray[np.float64]:
    """Gaussian stars of sigma 1.5 px on a jittered grid, stretched a little along y."""
    y, x = np.indices(_SHAPE)
    image = rng.normal(level, 8.0, _SHAPE)
    for k in range(stars):
        x0 = 30 + 48 * (k % 8) + rng.uniform(-5, 5)
        y0 = 30 + 60 * (k // 8) + rng.uniform(-5, 5)
        r2 = ((x - x0) / 1.4) ** 2 + ((y - y0) / 1.6) ** 2
        image += rng.uniform(500, 5000) * np.exp(-0.5 * r2)
    return image


def _measured(image: NDArray[np.float64], **capture: float) -> FrameMeasures:
    pixels = np.ascontiguousarray(image.astype(np.float32))
    return measure(Frame(path=Path("made-up.fits"), pixels=pixels, capture=Capture(**capture)))


@pytest.fixture(scope="module")
def image() -> NDArray[np.float64]:
    return _sky(np.random.default_rng(20_011))


@pytest.mark.parametrize("figure", _FIGURES)
def test_adding_a_level_changes_nothing(image: NDArray[np.float64], figure: str) -> None:
    before, after = _measured(image), _measured(image + 1000.0)
    assert getattr(after, figure) == pytest.approx(getattr(before, figure), rel=1e-3)
    assert after.background_adu - before.background_adu == pytest.approx(1000.0, abs=0.05)


@pytest.mark.parametrize("figure", _FIGURES)
def test_scaling_all_values_changes_no_size(image: NDArray[np.float64], figure: str) -> None:
    before, after = _measured(image), _measured(4.0 * image)
    assert getattr(after, figure) == pytest.approx(getattr(before, figure), rel=1e-3)
    assert after.noise_adu == pytest.approx(4 * before.noise_adu, rel=1e-3)


@pytest.mark.parametrize("figure", _FIGURES)
def test_turning_the_frame_half_way_changes_little(image: NDArray[np.float64], figure: str) -> None:
    """Bins and cells fall differently on the stars: within the quoted error."""
    before, after = _measured(image), _measured(image[::-1, ::-1])
    error = figure.removesuffix("_px") + ("_err_px" if figure.endswith("_px") else "_err")
    assert getattr(after, figure) == pytest.approx(
        getattr(before, figure), abs=getattr(before, error)
    )


def test_a_quarter_turn_turns_the_trail(image: NDArray[np.float64]) -> None:
    before, after = _measured(image), _measured(np.rot90(image))
    turned = abs((after.trail_deg - before.trail_deg + 90) % 180 - 90)
    assert turned == pytest.approx(90.0, abs=3.0)
    # Gaussian of sigmas 1.4 and 1.6 with the pixel's variance, 1/12: moments, CHECKS d.
    assert before.axis_ratio == pytest.approx(np.sqrt((1.96 + 1 / 12) / (2.56 + 1 / 12)), abs=0.01)


def test_saturated_edge_and_blended_stars_are_flagged(image: NDArray[np.float64]) -> None:
    y, x = np.indices(_SHAPE)
    for x0, y0 in ((150.0, 150.0), (100.0, 0.0), (250.0, 140.0), (254.0, 140.0)):
        image = image + 40_000 * np.exp(-0.5 * ((x - x0) ** 2 + (y - y0) ** 2) / 2.25)
    limit = 20_000.0
    measures = _measured(np.minimum(image, limit), saturation_adu=limit)
    stars = measures.stars

    def flags_at(x0: float, y0: float) -> int:
        nearest = int(np.argmin(np.hypot(stars.x_px - x0, stars.y_px - y0)))
        return int(stars.flags[nearest])

    assert flags_at(150, 150) & StarFlag.SATURATED
    assert flags_at(100, 0) & StarFlag.EDGE
    assert flags_at(252, 140) & (StarFlag.BLENDED | StarFlag.SATURATED)
    assert measures.star_count <= 40


def test_a_frame_of_one_value_gives_no_figures() -> None:
    measures = _measured(np.full(_SHAPE, 100.0))
    assert measures.star_count == 0
    assert np.isnan(measures.fwhm_px)
    assert FrameFlag.NO_STARS in measures.flags


def test_a_frame_without_values_gives_no_figures() -> None:
    measures = _measured(np.full(_SHAPE, np.nan))
    assert measures.star_count == 0
    assert np.isnan(measures.background_adu)


def test_pixels_without_value_do_not_disturb(image: NDArray[np.float64]) -> None:
    holed = image.copy()
    holed[100:110, :] = np.nan
    before, after = _measured(image), _measured(holed)
    assert after.fwhm_px == pytest.approx(before.fwhm_px, abs=before.fwhm_err_px)


def test_figures_and_star_columns_agree(image: NDArray[np.float64]) -> None:
    measures = _measured(image)
    used = measures.stars.flags == 0
    assert np.count_nonzero(used) == measures.star_count == 40
    weighted = np.average(
        measures.stars.fwhm_px[used], weights=measures.stars.fwhm_err_px[used] ** -2.0
    )
    assert weighted == pytest.approx(measures.fwhm_px, rel=0.02)
    assert np.sum(measures.average_star) == pytest.approx(1.0, rel=0.02)
