"""Masks with three triples: recognised, each triple measured, focus and collimation told."""

from pathlib import Path

import numpy as np
import pytest

from starwinnow.focus_mask import read_mask
from starwinnow.focus_mask.focus_answer import focus_answer
from starwinnow.focus_mask.frame_focus import FrameFocus, MaskedFrame
from starwinnow.focus_mask.line_layout import SINGLE, THREE_FOLD
from starwinnow.focus_mask.optics import optics_of
from starwinnow.focus_mask.wording import figures
from starwinnow.frame import Capture, Frame
from starwinnow.report.mask_json import mask_json
from starwinnow.rig import Rig
from starwinnow_sim import Camera
from starwinnow_sim.mask_frames import coloured_stars, render_diffracted
from starwinnow_sim.mask_optics import Light
from starwinnow_sim.mask_pupil import Aperture, FocusMask

from .trials import draw_unmasked

CAPTURE = Capture(pixel_um=3.76, focal_length_mm=480.0, aperture_mm=80.0)


def drawn(mask: FocusMask, defocus_um: float, flux_e: float = 1e6) -> Frame:
    camera = Camera(shape=(200, 240))
    light = Light(defocus_um=defocus_um, colours=6, seeing_px=1.5)
    images = coloured_stars(Aperture(mask=mask), light, camera, half_px=72)
    star = np.array([[121.3, 98.6, flux_e]])
    pixels = render_diffracted(images, star, 100.0, camera, np.random.default_rng(4))
    return Frame(path=Path("made-up"), pixels=pixels, capture=CAPTURE)


# 20 degrees spread all nine lines evenly: only their light tells which are centre spikes.
@pytest.mark.parametrize(
    ("outer_deg", "chevron", "defocus_um"),
    [(15.0, 1, 0.0), (20.0, -1, 40.0), (20.0, 1, -160.0), (25.0, -1, 100.0)],
)
def test_each_triple_tells_the_same_focus(outer_deg: float, chevron: int, defocus_um: float):
    mask = FocusMask(kind="three-fold", centre_deg=22.0, outer_deg=outer_deg, chevron=chevron)
    reading = read_mask(drawn(mask, defocus_um))
    assert reading.kind == "three-fold"
    (star,) = reading.stars
    assert sorted(t.centre_deg for t in star.triples) == pytest.approx([22, 82, 142], abs=0.5)
    true_px = Aperture(mask=mask).offset_um(defocus_um) / 3.76
    for triple in star.triples:
        # The middle triple's direction is the opposite one, and so is its sign.
        sign = -1 if abs(triple.centre_deg - 82) < 5 else 1
        assert sign * triple.offset_px == pytest.approx(true_px, rel=0.08, abs=0.06)
        assert triple.offset_err_px < 0.06 + 0.05 * abs(true_px)
    assert abs(reading.offset_px) == pytest.approx(abs(true_px), rel=0.07, abs=0.04)


def test_focus_and_collimation_are_told() -> None:
    mask = FocusMask(kind="three-fold", centre_deg=22.0)
    frame = drawn(mask, 120.0)
    reading = read_mask(frame)
    answer = focus_answer(reading, optics_of(CAPTURE, Rig()), "+")
    assert answer.verdict == "out-of-focus"
    assert abs(answer.defocus_um) == pytest.approx(120.0, rel=0.07)
    text = " ".join(figures(answer))
    assert "three parts say" in text
    assert "alike within their errors" in text
    whole = MaskedFrame(path=frame.path, capture=CAPTURE, reading=reading)
    (item,) = mask_json([FrameFocus(frame=whole, answer=answer)], Rig())
    assert item["mask_found"] is True
    assert len(item["stars"]) == 3


def test_a_single_mask_is_not_taken_for_a_three_fold_one() -> None:
    assert read_mask(drawn(FocusMask(centre_deg=22.0), 60.0)).kind == "single"


# The halo of each was once taken for nine faint spikes.
@pytest.mark.parametrize(("key", "kind"), [(2004, "3 vanes"), (4020, "disc"), (76, "refractor")])
def test_a_halo_is_not_nine_evenly_spread_spikes(key: int, kind: str) -> None:
    assert read_mask(draw_unmasked(np.random.default_rng([77_001, 3, key]), kind)).stars == ()


@pytest.mark.parametrize("layout", [SINGLE, THREE_FOLD])
def test_changes_of_lines_and_offsets_are_their_derivatives(layout) -> None:
    """Against differences over small steps."""
    rng = np.random.default_rng(8)
    params = rng.uniform(0.2, 1.5, len(layout.low))
    params[layout.outer] = 0.35
    change = layout.lines(params)[2]
    slopes = layout.offsets(params)[1]
    for k in range(len(params)):
        step = np.zeros(len(params))
        step[k] = 1e-6
        up, down = (layout.lines(params + sign * step) for sign in (1, -1))
        lines = len(up[0])
        assert (up[1] - down[1]) / 2e-6 == pytest.approx(change[:lines, k], abs=1e-6)
        assert (up[0] - down[0]) / 2e-6 == pytest.approx(change[lines : 2 * lines, k], abs=1e-6)
        offsets = [layout.offsets(params + sign * step)[0] for sign in (1, -1)]
        assert (offsets[0] - offsets[1]) / 2e-6 == pytest.approx(slopes[:, k], abs=1e-6)


def test_the_crossings_of_lines_through_a_point_are_that_point() -> None:
    x, y = 3.0, -2.0
    for layout in (SINGLE, THREE_FOLD):
        params = np.zeros(len(layout.low))
        params[layout.turn], params[layout.outer] = 0.4, 0.3
        if layout is SINGLE:
            params[:2] = x, y
        directions, distances, _ = layout.lines(params)
        through = y * np.cos(directions) - x * np.sin(directions)
        if layout is THREE_FOLD:
            params[layout.places] = distances = through
        assert distances == pytest.approx(through)
        assert layout.crossing(params) == pytest.approx((x, y))
        assert layout.offsets(params)[0] == pytest.approx(0.0)
