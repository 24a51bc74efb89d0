"""What was put into stars that GalSim drew is found again, with errors that are true."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.diagnosis.kernels import FocusFactor, KnockFactor, TrailFactor, optics_of
from starwinnow.diagnosis.star_fits import (
    HALO,
    SEEING,
    SHIFT_X,
    SHIFT_Y,
    KernelFits,
    StarImages,
    StarModel,
    prepare,
)
from starwinnow.frame import Capture

from .drawn_stars import OPTICS_MM, PIXEL_UM, DrawnStar

# Sky of 10 ADU under sixty stars of 50,000 electrons, added up.
SKY, ELECTRONS = 2.5e-5, 3e6
OPTICS = optics_of(
    Capture(aperture_mm=OPTICS_MM[0], focal_length_mm=OPTICS_MM[1], pixel_um=PIXEL_UM)
)


@pytest.fixture(scope="module")
def model() -> StarModel:
    return StarModel(DrawnStar().image())


def seen(star: DrawnStar, count: int, *, electrons: float = ELECTRONS) -> StarImages:
    """The star with noise of sky and photons, `count` times."""
    rng = np.random.default_rng(17)
    image = np.broadcast_to(star.image(), (count, 33, 33))
    error = np.sqrt(SKY**2 + np.maximum(image, 0.0) / electrons)
    noisy = image + error * rng.standard_normal(image.shape)
    return prepare(noisy, error, np.full(count, 0.3))


def begun(stars: StarImages, *own: float) -> NDArray[np.float64]:
    return np.tile([1.0, 0.0, 0.0, 0.0, 0.0, 0.01, *own], (len(stars), 1))


@pytest.mark.parametrize("waves", [0.3, 0.5, 0.9])
def test_focus_is_found(model: StarModel, waves: float) -> None:
    stars = seen(DrawnStar(waves=waves), 4)
    focus = (FocusFactor(model.kx, model.ky, OPTICS),)
    fits = model.fit(stars, focus, begun(stars, 0.35**2), seeing_sigma=1.0)
    off = fits.parameters[:, -1] - waves**2
    assert np.all(np.abs(off) < 4 * fits.errors[:, -1] + 0.01 * waves**2)
    assert np.sqrt(fits.parameters[:, -1]) == pytest.approx(waves, abs=0.03)
    # It fits within the noise.
    assert fits.chi2 / int(model.fitted.sum()) == pytest.approx(1.0, abs=0.2)


def test_a_star_out_of_focus_is_not_fitted_by_seeing_nor_the_other_way(model: StarModel) -> None:
    """Of stars as large as each other."""
    gains = []
    for spoiled in (DrawnStar(waves=0.6), DrawnStar(seeing_px=2.9)):
        stars = seen(spoiled, 6)
        focus = (FocusFactor(model.kx, model.ky, OPTICS),)
        by_focus = model.fit(stars, focus, begun(stars, 0.35**2), seeing_sigma=0.5)
        gains.append(model.fit(stars, (), begun(stars)).chi2 - by_focus.chi2)
    assert np.all(gains[0] > 50)
    assert np.all(gains[1] < -10)


@pytest.mark.parametrize("way", [(4.0, 0.0), (-2.0, 3.0), (1.5, 6.0)])
def test_length_and_direction_of_a_trail_are_found(model: StarModel, way) -> None:
    stars = seen(DrawnStar(trail_px=way), 4)
    # A quarter longer and 20 degrees off.
    turned = 1.25 * complex(*way) * np.exp(1j * np.radians(20))
    fits = model.fit(
        stars, (TrailFactor(model.kx, model.ky),), begun(stars, turned.real, turned.imag)
    )
    found = fits.parameters[:, 6:8]
    errors = np.hypot(*fits.errors[:, 6:8].T)
    assert np.all(np.hypot(*(found - way).T) < 4 * errors + 0.02)
    assert np.all(errors < 0.1)


def test_way_and_part_of_a_knock_are_found(model: StarModel) -> None:
    stars = seen(DrawnStar(knock=(4.0, -2.5, 0.3)), 4)
    knock = (KnockFactor(model.kx, model.ky),)
    fits = model.fit(stars, knock, begun(stars, 3.0, -3.0, 0.2))
    off = np.abs(fits.parameters[:, 6:] - (4.0, -2.5, 0.3))
    assert np.all(off < 4 * fits.errors[:, 6:] + (0.02, 0.02, 0.005))
    assert np.all(fits.errors[:, 8] < 0.01)


@pytest.mark.parametrize("part", [0.05, 0.2])
def test_halo_is_found(model: StarModel, part: float) -> None:
    stars = seen(DrawnStar(halo=(part, 7.0)), 4)
    fits = model.fit(stars, (), begun(stars))
    assert np.all(np.abs(fits.parameters[:, HALO] - part) < 4 * fits.errors[:, HALO] + 0.005)
    assert np.all(fits.errors[:, HALO] < 0.02)


def test_errors_cover_the_truth_as_often_as_they_should(model: StarModel) -> None:
    """68.3 % within one standard error, 95.4 % within two, of 480 values."""
    spoiled = DrawnStar(seeing_px=2.5, waves=0.4)
    stars = seen(spoiled, 80)
    focus = (FocusFactor(model.kx, model.ky, OPTICS),)
    fits = model.fit(stars, focus, begun(stars, 0.35**2))
    exact = model.fit(
        prepare(
            [spoiled.image()], [np.sqrt(SKY**2 + spoiled.image() / ELECTRONS)], np.full(1, 0.3)
        ),
        focus,
        begun(stars.select(np.arange(1)), 0.35**2),
    )
    truth = exact.parameters[0]
    assert truth[-1] == pytest.approx(0.4**2, rel=0.05)
    columns = [0, SHIFT_X, SHIFT_Y, SEEING, HALO, 6]
    pulls = np.abs((fits.parameters - truth) / fits.errors)[:, columns]
    assert np.mean(pulls < 1) == pytest.approx(0.683, abs=0.08)
    assert np.mean(pulls < 2) == pytest.approx(0.954, abs=0.03)


def test_light_level_and_place_are_no_matter(model: StarModel) -> None:
    """A star measured a tenth too bright, on a background too high, not quite in the middle."""
    plain = seen(DrawnStar(halo=(0.1, 7.0)), 1)
    row = np.roll(plain.image, 1, axis=2)
    moved = StarImages(
        image=1.1 * row + 1e-4,
        error=1.1 * np.roll(plain.error, 1, axis=2),
        halo_sigma=np.full(1, 0.3),
    )
    fit = model.fit(moved, (), begun(moved)).parameters[0]
    assert fit[0] == pytest.approx(1.1, abs=0.01)
    assert fit[1] == pytest.approx(1e-4, abs=3e-5)
    assert fit[SHIFT_X] == pytest.approx(1.0, abs=0.01)
    assert fit[SHIFT_Y] == pytest.approx(0.0, abs=0.01)
    assert fit[HALO] == pytest.approx(0.1, abs=0.02)


def test_pixels_of_which_nothing_is_known_have_no_weight(model: StarModel) -> None:
    stars = seen(DrawnStar(halo=(0.1, 7.0)), 1)
    image, error = stars.image.copy(), stars.error.copy()
    image[0, 4:7, 4:30] = 99.0
    error[0, 4:7, 4:30] = np.nan
    image[0, 20, 20], error[0, 25, 20] = np.nan, 0.0
    holed = prepare(image, error, stars.halo_sigma)
    fit = model.fit(holed, (), begun(holed))
    assert np.isfinite(fit.parameters).all()
    assert fit.parameters[0, HALO] == pytest.approx(0.1, abs=0.02)


def test_focus_is_held_above_its_lower_bound(model: StarModel) -> None:
    stars = seen(DrawnStar(waves=0.3), 2)
    focus = (FocusFactor(model.kx, model.ky, OPTICS),)
    least = np.array([0.0, 0.5**2])
    fits = model.fit(stars, focus, begun(stars, 0.6**2), least=least)
    assert fits.parameters[0, -1] == pytest.approx(0.3**2, abs=0.02)
    assert fits.parameters[1, -1] == 0.5**2
    assert fits.chi2[1] > fits.chi2[0]


def test_best_of_takes_the_least_chi2_frame_by_frame() -> None:
    fits = KernelFits(
        parameters=np.arange(12.0).reshape(6, 2),
        errors=np.arange(12.0, 24.0).reshape(6, 2),
        chi2=np.array([5.0, 1.0, 4.0, 2.0, math.inf, 0.5]),
    )
    best = fits.best_of(3)
    assert best.chi2.tolist() == [4.0, 0.5]
    assert best.parameters.tolist() == [[4.0, 5.0], [10.0, 11.0]]
    assert best.errors.tolist() == [[16.0, 17.0], [22.0, 23.0]]


def test_a_knock_is_found_from_the_better_of_two_starts(model: StarModel) -> None:
    stars = seen(DrawnStar(knock=(5.0, 2.0, 0.25)), 2)
    knock = (KnockFactor(model.kx, model.ky),)
    starts = [begun(stars, -4.0, 3.0, 0.3), begun(stars, 4.0, 3.0, 0.3)]
    alone = [model.fit(stars, knock, start) for start in starts]
    rows = np.tile(np.arange(2), 2)
    both = model.fit(stars.select(rows), knock, np.vstack(starts)).best_of(2)
    assert both.chi2 == pytest.approx(np.minimum(alone[0].chi2, alone[1].chi2))
    assert both.parameters[:, 6:8] == pytest.approx(np.tile([5.0, 2.0], (2, 1)), abs=0.05)
