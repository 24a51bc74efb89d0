"""Frames that say nothing about the focus: a clear reason, and no number."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow.focus_mask import read_mask
from starwinnow.focus_mask.focus_answer import focus_answer
from starwinnow.focus_mask.optics import optics_of
from starwinnow.frame import Capture, Frame
from starwinnow.rig import Rig
from starwinnow_cli.main import main
from starwinnow_sim import Camera
from starwinnow_sim.camera import expose

from .prysm_star import Telescope, ray_offset_px, star_image
from .trials import draw_unmasked

CAPTURE = Capture(pixel_um=3.76, focal_length_mm=480.0, aperture_mm=80.0)
SCOPE = Telescope(centre_deg=37.0, defocus_um=60.0)
BAND_UM = np.linspace(0.42, 0.68, 13)[1::2]
SHAPE = (240, 400)
HALF_PX = 75


@pytest.fixture(scope="module")
def masked() -> NDArray[np.float64]:
    return star_image(SCOPE, BAND_UM, half_px=HALF_PX, seeing_px=1.5)


def framed(light_e: NDArray[np.float64], seed: int = 1) -> Frame:
    pixels = expose(light_e.astype(np.float32), Camera(shape=SHAPE), np.random.default_rng(seed))
    return Frame(path=Path("made-up"), pixels=pixels, capture=CAPTURE)


def sky_with(*stars: tuple[int, int, NDArray[np.float64]]) -> NDArray[np.float64]:
    """Sky of 60 e with images put at columns and rows, cut by the frame's edge."""
    padded = np.full((SHAPE[0] + 2 * HALF_PX, SHAPE[1] + 2 * HALF_PX), 60.0)
    for x, y, image in stars:
        padded[y : y + len(image), x : x + len(image)] += image
    return padded[HALF_PX:-HALF_PX, HALF_PX:-HALF_PX]


def round_star(flux_e: float) -> NDArray[np.float64]:
    y, x = np.indices((2 * HALF_PX + 1, 2 * HALF_PX + 1)) - HALF_PX
    return flux_e * np.exp(-(x**2 + y**2) / 4) / (4 * np.pi)


def refused(frame: Frame) -> str:
    """Reason, once nothing else is said."""
    reading = read_mask(frame)
    assert reading.stars == ()
    assert math.isnan(reading.offset_px)
    assert math.isnan(reading.offset_err_px)
    answer = focus_answer(reading, optics_of(CAPTURE, Rig()), "+")
    assert answer.verdict in {"no-mask", "cannot-tell"}
    assert math.isnan(answer.defocus_um)
    return answer.reason


def test_a_dark_has_no_star() -> None:
    assert "no star stands out of the noise: expose longer" in refused(framed(sky_with()))


def test_a_star_without_a_mask() -> None:
    frame = framed(sky_with((200, 120, round_star(1e6))))
    assert "no bright star shows the three crossing spikes" in refused(frame)


def test_a_masked_star_too_faint_for_its_spikes(masked) -> None:
    reading = read_mask(framed(sky_with((200, 120, 1.5e3 * masked))))
    assert reading.stars == ()
    assert reading.reason


def test_a_faint_masked_star_far_out_of_focus_is_not_to_be_exposed_longer() -> None:
    far = replace(SCOPE, outer_deg=16.0, defocus_um=400.0)
    image = star_image(far, BAND_UM, half_px=HALF_PX, seeing_px=1.5)
    reasons = [
        read_mask(framed(sky_with((200, 120, flux_e * image)))).reason
        for flux_e in (3e4, 5e4, 7e4, 1e5)
    ]
    assert any("focus roughly on the stars first" in reason for reason in reasons)
    assert not any("expose longer" in reason for reason in reasons)


@pytest.mark.parametrize("outer_deg", [12.0, 30.0])
def test_the_flattest_and_the_steepest_mask_are_read(outer_deg) -> None:
    scope = replace(SCOPE, outer_deg=outer_deg)
    image = star_image(scope, BAND_UM, half_px=HALF_PX, seeing_px=1.5)
    for seed in range(4):
        reading = read_mask(framed(sky_with((200, 120, 2e5 * image)), seed))
        assert reading.offset_px == pytest.approx(ray_offset_px(scope), abs=0.12)


def test_a_disc_out_of_focus_is_no_mask() -> None:
    # Lines through this one's rim lay 10.9 degrees apart, at the very edge of what is looked for.
    rng = np.random.default_rng([81_004, 7, 4064])
    assert read_mask(draw_unmasked(rng, "disc")).stars == ()


def test_every_pixel_at_the_upper_limit() -> None:
    frame = Frame(path=Path("x"), pixels=np.full(SHAPE, 65535, np.uint16), capture=CAPTURE)
    assert "every pixel has the same value" in refused(frame)


def test_spikes_cut_by_the_frame_s_edge(masked) -> None:
    reason = refused(framed(sky_with((4, 120, 3e5 * masked))))
    assert "from the frame's edge, which cuts its spikes: move the star" in reason


def test_two_masked_stars_agree_and_are_both_told(masked) -> None:
    frame = framed(sky_with((120, 120, 1e6 * masked), (280, 120, 6e5 * masked)))
    reading = read_mask(frame)
    assert [round(star.x_px) for star in reading.stars] == pytest.approx([120, 280], abs=2)
    for star in reading.stars:
        assert star.triples[0].offset_px == pytest.approx(ray_offset_px(SCOPE), rel=0.05)
    assert reading.offset_px == pytest.approx(ray_offset_px(SCOPE), rel=0.05)


@pytest.mark.parametrize("torn", [False, True])
def test_files_without_one_whole_image(torn: bool, tmp_path, capsys) -> None:
    path = tmp_path / "odd.fits"
    fits.PrimaryHDU(np.zeros((5, 60, 80), np.uint16)).writeto(path)
    if torn:
        fits.PrimaryHDU(np.zeros((300, 400), np.uint16)).writeto(path, overwrite=True)
        path.write_bytes(path.read_bytes()[:100_000])
    assert main(["mask", str(path), "--json"]) == 1
    (item,) = json.loads(capsys.readouterr().out)
    assert item["verdict"] == "unreadable"
    assert ("cube" in item["reason"]) is not torn
    numbers = [value for key, value in item.items() if key.endswith(("_px", "_um"))]
    assert numbers == [None] * 6
