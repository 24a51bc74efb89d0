"""Whole rendered frames: stars where they belong, with their light, the same every time."""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
import sep
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera
from starwinnow_sim.field import Galaxies, StarField, draw_star_field
from starwinnow_sim.frame_truth import FrameTruth, place_in_frame
from starwinnow_sim.render import expected_light, render_frame
from starwinnow_sim.star_shape import StarShape

CAMERA = Camera(shape=(240, 320))
TRUTH = FrameTruth(
    start_utc=datetime(2031, 1, 1, tzinfo=UTC),
    exposure_s=8.0,
    star=StarShape(fwhm_px=2.5, beta=4.765),
    background_e=0.0,
)
# Four stars far from one another and from the edges, fluxes 1 to 4 thousand electrons.
GRID = StarField(
    x_px=np.array([80.3, 240.7, 90.0, 230.5]),
    y_px=np.array([60.2, 70.9, 180.5, 170.0]),
    flux_e=np.array([4e3, 3e3, 2e3, 1e3]),
    colour_mag=np.zeros(4),
)


def centroids(
    light: NDArray[np.float32], x_px: NDArray[np.float64], y_px: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Centroid and flux in 41 px square boxes about the places given."""
    found = []
    for x, y in zip(np.rint(x_px).astype(int), np.rint(y_px).astype(int), strict=True):
        box = light[y - 20 : y + 21, x - 20 : x + 21].astype(float)
        rows, columns = np.indices(box.shape) - 20
        flux = box.sum()
        found.append((x + (box * columns).sum() / flux, y + (box * rows).sum() / flux, flux))
    return tuple(np.array(found).T)


@pytest.mark.parametrize(
    "motion",
    [
        {},
        {"shift_x_px": 3.37, "shift_y_px": -5.81},
        {"rotation_deg": 2.0},
        {"rotation_deg": -3.0, "shift_x_px": 4.6, "shift_y_px": 7.2, "transparency": 0.4},
    ],
)
def test_stars_lie_where_the_truth_says(motion: dict[str, Any]) -> None:
    truth = replace(TRUTH, **motion)
    light = expected_light(GRID, truth, CAMERA)
    wanted_x, wanted_y = place_in_frame(GRID.x_px, GRID.y_px, truth, CAMERA.shape)
    x, y, flux = centroids(light, wanted_x, wanted_y)
    assert np.hypot(x - wanted_x, y - wanted_y).max() < 2e-3
    assert flux == pytest.approx(GRID.flux_e * truth.transparency, rel=1e-3)


def test_a_turn_is_about_the_middle_from_x_to_y() -> None:
    truth = replace(TRUTH, rotation_deg=90.0, shift_x_px=10.0)
    x, y = place_in_frame(np.array([259.5, 159.5]), np.array([119.5, 119.5]), truth, (240, 320))
    assert x == pytest.approx([169.5, 169.5])
    assert y == pytest.approx([219.5, 119.5])


def test_shift_by_whole_pixels_moves_the_pixels() -> None:
    still = expected_light(GRID, TRUTH, CAMERA)
    moved = expected_light(GRID, replace(TRUTH, shift_x_px=3.0, shift_y_px=-2.0), CAMERA)
    assert moved[20:200, 30:300] == pytest.approx(still[22:202, 27:297], abs=1e-3)


def test_stars_drift_in_from_outside_and_out_again() -> None:
    field = StarField(
        x_px=np.array([-15.0]),
        y_px=np.array([100.0]),
        flux_e=np.array([1e4]),
        colour_mag=np.zeros(1),
    )
    inside = expected_light(field, replace(TRUTH, shift_x_px=60.0), CAMERA)
    cut = expected_light(field, replace(TRUTH, shift_x_px=14.5), CAMERA)
    gone = expected_light(field, replace(TRUTH, shift_x_px=-500.0), CAMERA)
    assert inside.sum() == pytest.approx(1e4, rel=1e-3)
    # The star's centre sits on the frame's edge.
    assert cut.sum() == pytest.approx(5e3, rel=1e-3)
    assert gone.sum() == 0


def test_bright_stars_keep_their_wings() -> None:
    star = StarShape(fwhm_px=2.5, beta=2.5)
    truth = replace(TRUTH, star=star, background_e=20.0)
    field = replace(GRID, x_px=GRID.x_px[:1], y_px=GRID.y_px[:1], flux_e=np.array([1e6]),
                    colour_mag=np.zeros(1))  # fmt: skip
    light = expected_light(field, truth, CAMERA) - 20.0
    # At 25 px from a Moffat star: (b - 1) / (pi a^2) (1 + r^2 / a^2)^-b (Moffat 1969, A&A 3,
    # 455), far out of the short stamp of 15 px.
    a_px = 2.5 / 1.130501
    expected = 1e6 * 1.5 / (np.pi * a_px**2) * (1 + (105 - 80.3) ** 2 / a_px**2) ** -2.5
    assert light[60, 105] == pytest.approx(expected, rel=0.02)


def test_galaxies_move_and_dim_with_the_field() -> None:
    galaxies = Galaxies(
        x_px=np.array([150.0]),
        y_px=np.array([110.0]),
        flux_e=np.array([2e4]),
        scale_px=np.array([4.0]),
        axis_ratio=np.array([0.5]),
        angle_deg=np.array([0.0]),
    )
    empty = np.empty(0)
    field = StarField(x_px=empty, y_px=empty, flux_e=empty, colour_mag=empty, galaxies=galaxies)
    truth = replace(TRUTH, rotation_deg=90.0, shift_x_px=5.0, transparency=0.5)
    light = expected_light(field, truth, CAMERA).astype(float)
    rows, columns = np.indices(light.shape)
    mean_x, mean_y = (light * columns).sum() / light.sum(), (light * rows).sum() / light.sum()
    wanted_x, wanted_y = place_in_frame(galaxies.x_px, galaxies.y_px, truth, CAMERA.shape)
    assert (mean_x, mean_y) == pytest.approx((wanted_x[0], wanted_y[0]), abs=0.01)
    assert light.sum() == pytest.approx(1e4, rel=2e-3)
    spread_x = (light * (columns - mean_x) ** 2).sum()
    spread_y = (light * (rows - mean_y) ** 2).sum()
    # The long axis lay along x and now lies along y.
    assert spread_y > 3 * spread_x


def test_an_independent_program_finds_the_stars() -> None:
    camera = Camera(shape=(400, 400))
    rng = np.random.default_rng(21)
    field = draw_star_field(camera.shape, count=60, rng=rng, faintest_e=3000)
    truth = replace(TRUTH, background_e=50.0, shift_x_px=1.7, rotation_deg=0.5)
    frame = render_frame(field, truth, camera, rng).astype(np.float32)
    background = sep.Background(frame)
    found = sep.extract(frame - background, 4.0, err=background.globalrms)
    x, y = place_in_frame(field.x_px, field.y_px, truth, camera.shape)
    distance = np.hypot(x[:, None] - found["x"], y[:, None] - found["y"])
    alone = np.sort(np.hypot(x[:, None] - x, y[:, None] - y), axis=1)[:, 1] > 15
    well_inside = (np.abs(x - 199.5) < 185) & (np.abs(y - 199.5) < 185)
    nearest = distance.min(axis=1)[alone & well_inside]
    assert len(nearest) > 25
    assert nearest.max() < 0.15
    assert background.globalback == pytest.approx(500 + 50 / 0.75, abs=1.5)


def test_the_same_seed_gives_the_same_frame() -> None:
    truth = replace(TRUTH, background_e=30.0)
    frames = [render_frame(GRID, truth, CAMERA, np.random.default_rng(seed)) for seed in (1, 1, 2)]
    assert frames[0].dtype == np.uint16
    assert frames[0].shape == CAMERA.shape
    np.testing.assert_array_equal(frames[0], frames[1])
    assert (frames[0] != frames[2]).mean() > 0.8


def test_star_counts_follow_the_power_law() -> None:
    field = draw_star_field(
        (1000, 1500), count=6000, rng=np.random.default_rng(2), margin_px=100.0,
        faintest_e=100.0, brightest_e=1e6, slope=0.75,
    )  # fmt: skip
    assert len(field) == round(6000 * 1.2 * 1.7 / 1.5)
    assert (np.diff(field.flux_e) <= 0).all()
    brighter = np.array([(field.flux_e > limit).mean() for limit in (300.0, 1e3, 3e3)])
    # N(> F) goes as F^-0.75; the upper limit takes away a part of 1e-3.
    expected = np.array([3.0, 10.0, 30.0]) ** -0.75
    assert brighter == pytest.approx(expected, abs=4 * np.sqrt(0.25 / len(field)))
    inside = (np.abs(field.x_px - 749.5) < 750) & (np.abs(field.y_px - 499.5) < 500)
    assert inside.sum() == pytest.approx(6000, rel=0.04)


def test_unequal_columns_are_refused() -> None:
    with pytest.raises(ValueError, match=r"columns have lengths \[2, 1, 1, 1\]"):
        StarField(x_px=np.zeros(2), y_px=np.zeros(1), flux_e=np.zeros(1), colour_mag=np.zeros(1))


def test_impossible_conditions_are_refused() -> None:
    with pytest.raises(ValueError, match="has no time zone; give UTC"):
        replace(TRUTH, start_utc=datetime(2031, 1, 1))  # noqa: DTZ001
    with pytest.raises(ValueError, match=r"transparency is -0\.1, must be 0 or more"):
        replace(TRUTH, transparency=-0.1)
