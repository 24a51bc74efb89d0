"""The simulator's mask images against prysm's, and prysm's against the formula."""

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow_sim.mask_optics import Light, diffracted_star
from starwinnow_sim.mask_pupil import Aperture, FocusMask

from .prysm_star import Telescope, ray_offset_px, star_image

HALF_PX = 40
# Twelve wavelengths that stand for the simulator's usual band.
BAND_UM = np.linspace(0.42, 0.68, 25)[1::2]


def spike_centroids(
    image: NDArray[np.float64], scope: Telescope, offset_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean distance from the star's centre of each spike's light, by the light's moments.

    Measured in boxes about the first diffraction order, on both sides, centre spike first. The
    boxes are placed by `offset_px`, which only has to be right to a pixel.
    """
    lean = scope.lean * np.tan(np.radians(scope.outer_deg))
    y, x = np.indices(image.shape) - HALF_PX
    order_px = 0.55 * scope.focal_length_mm / scope.period_mm / scope.pixel_um
    angles = np.radians(scope.centre_deg + np.array([0, scope.outer_deg, -scope.outer_deg]))
    arm = offset_px / (2 + lean)
    places = np.array([arm, -arm * (1 + lean), -arm * (1 + lean)])
    places[1:] *= np.cos(np.radians(scope.outer_deg))
    for _ in range(3):
        for i, angle in enumerate(angles):
            along = x * np.cos(angle) + y * np.sin(angle)
            across = y * np.cos(angle) - x * np.sin(angle)
            box = (np.abs(np.abs(along) / order_px - 1) < 0.3) & (np.abs(across - places[i]) < 3)
            places[i] = np.sum(image * box * across) / np.sum(image * box)
    return places, angles


def crossing_offset(places: NDArray[np.float64], angles: NDArray[np.float64]) -> float:
    """Distance of the centre line from the crossing of the outer lines."""
    normals = np.stack([-np.sin(angles), np.cos(angles)], axis=1)
    crossing = np.linalg.solve(normals[1:], places[1:])
    return float(places[0] - normals[0] @ crossing)


@pytest.mark.parametrize(("lean", "defocus_um"), [(1, 0.0), (1, 60.0), (-1, -60.0)])
def test_simulator_draws_what_prysm_draws(lean: int, defocus_um: float) -> None:
    """Correlation above .999 without seeing, .995 on the root, where the faint light counts."""
    scope = Telescope(centre_deg=35.0, lean=lean, defocus_um=defocus_um, obstruction=0.3)
    theirs = star_image(scope, BAND_UM, half_px=HALF_PX)
    mask = FocusMask(centre_deg=35.0, chevron=lean, slit_period_mm=3.0)
    light = Light(colours=12, defocus_um=defocus_um, seeing_px=0.0)
    star = diffracted_star(Aperture(obstruction=0.3, mask=mask), light, HALF_PX + 4)
    ours = star.stamp(0, 0, HALF_PX)
    assert np.corrcoef(theirs.ravel(), ours.ravel())[0, 1] > 0.999
    roots = np.sqrt(theirs).ravel(), np.sqrt(ours).ravel()
    assert np.corrcoef(*roots)[0, 1] > 0.995
    rough_px = ray_offset_px(scope)
    places = [spike_centroids(image, scope, rough_px)[0] for image in (theirs, ours)]
    np.testing.assert_allclose(places[0], places[1], atol=0.02)


@pytest.mark.parametrize("lean", [1, -1])
@pytest.mark.parametrize("defocus_um", [20.0, 45.0])
def test_prysm_moves_the_spike_as_the_formula_says(lean: int, defocus_um: float) -> None:
    """Within .02 px near focus (seeing 1.5 px, so that the boxes hold the light)."""
    scope = Telescope(centre_deg=70.0, outer_deg=24.0, lean=lean, defocus_um=defocus_um)
    image = star_image(scope, BAND_UM, half_px=HALF_PX, seeing_px=1.5)
    wanted_px = ray_offset_px(scope)
    places, angles = spike_centroids(image, scope, wanted_px)
    assert crossing_offset(places, angles) == pytest.approx(wanted_px, abs=0.02)


def test_worked_values() -> None:
    """f/6, 3.76 um, 20 degrees: 45.0 um a pixel; 39.6 um are .88 or .61 px (worked by hand)."""
    assert 100.0 / ray_offset_px(Telescope(defocus_um=100.0)) == pytest.approx(45.0, abs=0.05)
    assert ray_offset_px(Telescope(defocus_um=39.6)) == pytest.approx(0.88, abs=0.005)
    assert ray_offset_px(Telescope(defocus_um=39.6, lean=-1)) == pytest.approx(0.61, abs=0.005)
    for eps, kappa in ((0.3, 1.069), (0.4, 1.114), (0.5, 1.167)):
        widened = Telescope(defocus_um=39.6, obstruction=eps)
        ratio = ray_offset_px(widened) / ray_offset_px(Telescope(defocus_um=39.6))
        assert ratio == pytest.approx(kappa, abs=5e-4)
        aperture = Aperture(obstruction=eps, mask=FocusMask())
        assert aperture.offset_um(39.6) / 3.76 == pytest.approx(ray_offset_px(widened))


def test_three_fold_mask_looks_the_same_turned_by_a_third() -> None:
    """Its pattern of light is that of each third, also out of focus."""
    images = []
    for turn_deg in (10.0, 130.0):
        mask = FocusMask(kind="three-fold", centre_deg=turn_deg, outer_deg=15.0)
        light = Light(colours=6, defocus_um=150.0)
        images.append(diffracted_star(Aperture(mask=mask), light, HALF_PX).stamp(0, 0, 30))
    np.testing.assert_allclose(images[0], images[1], atol=2e-4 * images[0].max())
