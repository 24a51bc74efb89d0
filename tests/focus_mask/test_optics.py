"""Offset to defocus, and the tolerance, against values worked out elsewhere."""

import math
from dataclasses import replace

import numpy as np
import pytest

from starwinnow.focus_mask.optics import Optics, lean_of, optics_of, um_per_px
from starwinnow.frame import Capture
from starwinnow.rig import Rig

SMALL_REFRACTOR = Optics(focal_length_mm=480.0, aperture_mm=80.0, pixel_um=3.76)


def test_scale_of_a_small_refractor() -> None:
    """3.76 um * 6 * (3 pi / 2) / (2 +- tan 20 deg), worked by hand."""
    assert um_per_px(SMALL_REFRACTOR, "single", 20, "+") == pytest.approx(45.0, abs=0.05)
    assert um_per_px(SMALL_REFRACTOR, "single", 20, "-") == pytest.approx(65.0, abs=0.05)


def test_tolerance_of_a_small_refractor() -> None:
    """Quarter wave: 2 * 0.55 um * 6^2 = 39.6 um; 0.88 px or 0.61 px."""
    assert SMALL_REFRACTOR.tolerance_um == pytest.approx(39.6, abs=1e-9)
    for chevron, limit_px in (("+", 0.88), ("-", 0.61)):
        scale = um_per_px(SMALL_REFRACTOR, "single", 20, chevron)
        assert SMALL_REFRACTOR.tolerance_um / scale == pytest.approx(limit_px, abs=0.005)


@pytest.mark.parametrize(("obstruction", "kappa"), [(0.3, 1.069), (0.4, 1.114), (0.5, 1.167)])
def test_an_obstruction_moves_the_light_outward(obstruction: float, kappa: float) -> None:
    """(1 - eps^3) / (1 - eps^2), worked by hand."""
    reflector = replace(SMALL_REFRACTOR, obstruction=obstruction)
    ratio = um_per_px(SMALL_REFRACTOR, "single", 20, "+") / um_per_px(reflector, "single", 20, "+")
    assert ratio == pytest.approx(kappa, abs=5e-4)


def _arms_by_counting(kind: str, phi_deg: float, lean: int, eps: float) -> tuple[float, float]:
    """Where the spikes of a unit aperture run, from the mean place of each part's points.

    The star's light from a part lies around minus that part's centroid; its spike runs through
    there, across its slits. The outer spikes are crossed with each other, and both distances are
    taken along the centre spike's normal, here -y.
    """
    x, y = np.meshgrid(np.linspace(-0.5, 0.5, 1401), np.linspace(-0.5, 0.5, 1401))
    radius, azimuth = np.hypot(x, y), np.degrees(np.arctan2(y, x))
    used = (radius <= 0.5) & (radius >= 0.5 * eps)
    if kind == "single":
        straight, right, left = y > 0, (y < 0) & (x > 0), (y < 0) & (x < 0)
    else:
        straight = np.abs(azimuth - 90) < 30
        right, left = (azimuth > -90) & (azimuth < -60), (azimuth > -120) & (azimuth < -90)

    def centroid(part):
        return -np.array([x[used & part].mean(), y[used & part].mean()])

    # Slits run outward from the dividing line; `lean` 1 turns them away from each other.
    turn = math.radians(phi_deg) * lean
    normals = np.array([[math.sin(turn), -math.cos(turn)], [-math.sin(turn), -math.cos(turn)]])
    places = [normal @ centroid(part) for normal, part in zip(normals, (right, left), strict=True)]
    crossing = np.linalg.solve(normals, places)
    assert crossing[0] == pytest.approx(0, abs=1e-3)
    return abs(centroid(straight)[1]), abs(crossing[1])


@pytest.mark.parametrize("kind", ["single", "three-fold"])
@pytest.mark.parametrize("chevron", ["+", "-"])
@pytest.mark.parametrize("eps", [0.0, 0.35])
def test_scale_and_lean_follow_from_the_centroids_of_the_mask(kind, chevron, eps) -> None:
    """'+': the outer slits run apart, seen from the straight ones outwards."""
    to_spike, to_crossing = _arms_by_counting(kind, 18.0, 1 if chevron == "+" else -1, eps)
    optics = replace(SMALL_REFRACTOR, obstruction=eps)
    expected = 3.76 * 6 / (to_spike + to_crossing)
    assert um_per_px(optics, kind, 18.0, chevron) == pytest.approx(expected, rel=3e-3)
    assert lean_of(kind, 18.0, chevron) == pytest.approx(to_spike / to_crossing, rel=3e-3)


def test_lean_of_the_usual_mask() -> None:
    """1 / (1 +- tan 20 deg), worked by hand."""
    assert lean_of("single", 20, "+") == pytest.approx(0.733, abs=1e-3)
    assert lean_of("single", 20, "-") == pytest.approx(1.572, abs=1e-3)


def test_the_header_comes_before_the_rig_file() -> None:
    rig = Rig(focal_length_mm=500.0, aperture_mm=100.0, pixel_um=2.4, obstruction=0.2)
    capture = Capture(focal_length_mm=480.0, binning_x=2)
    optics = optics_of(capture, rig)
    assert optics == Optics(focal_length_mm=480.0, aperture_mm=100.0, pixel_um=4.8, obstruction=0.2)
    assert optics_of(Capture(pixel_um=3.76, binning_x=2), rig).pixel_um == 3.76


def test_what_is_missing_is_named_and_makes_no_numbers() -> None:
    optics = optics_of(Capture(focal_length_mm=480.0), Rig())
    assert optics.missing == ("aperture", "pixel size")
    assert math.isnan(optics.tolerance_um)
    assert math.isnan(um_per_px(optics, "single", 20, "+"))
    no_pixel = replace(SMALL_REFRACTOR, pixel_um=None)
    assert no_pixel.tolerance_um == pytest.approx(39.6)
    assert math.isnan(um_per_px(no_pixel, "single", 20, "+"))
