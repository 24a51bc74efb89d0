"""Profiles of spikes for the eye, on drawn spikes of known place."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from starwinnow.focus_mask.profile_view import spike_profiles, surroundings
from starwinnow.frame import Capture, Frame

from .made_up import made_reading


def drawn_spikes(offset_px: float, centre_deg: float, shape=(300, 400)) -> Frame:
    """Three dashed lines 1.2 px wide crossing at (200, 150), the first moved aside."""
    y, x = np.indices(shape, dtype=float)
    x, y = x - 200.0, y - 150.0
    light = np.full(shape, 100.0)
    for turn, aside in ((0, offset_px), (20, 0.0), (-20, 0.0)):
        angle = np.radians(centre_deg + turn)
        across = y * np.cos(angle) - x * np.sin(angle) - aside
        along = np.hypot(x, y)
        light += 500 * np.exp(-(across**2) / (2 * 1.2**2)) * (1 + np.cos(along / 4)) / (1 + along)
    return Frame(path=Path("drawn.fits"), pixels=light.astype(np.float32), capture=Capture())


def highest(across_px, shape) -> float:
    return float(across_px[np.nanargmax(shape)])


@pytest.mark.parametrize("centre_deg", [0.0, 37.0, 90.0, 170.0])
@pytest.mark.parametrize("offset_px", [0.0, 2.0, -3.0])
def test_profiles_peak_where_the_spikes_lie(offset_px: float, centre_deg: float) -> None:
    reading = made_reading(offset_px, spike_deg=centre_deg)
    star = reading.stars[0]
    around = surroundings(drawn_spikes(offset_px, centre_deg), star, 75)
    shown = spike_profiles(around, star, star.triples[0], 6.0)
    assert highest(shown.across_px, shown.centre) == pytest.approx(offset_px, abs=0.3)
    for outer in (shown.outer_first, shown.outer_second):
        assert highest(shown.across_px, outer) == pytest.approx(0, abs=0.3)
        assert np.nanmax(outer) == 1


def test_a_star_at_the_edge_of_the_frame_is_shown_as_far_as_it_goes() -> None:
    frame = drawn_spikes(1.0, 37.0)
    star = replace(made_reading(1.0).stars[0], x_px=3.0, y_px=298.0)
    around = surroundings(frame, star, 75)
    assert around.light.shape == (151, 151)
    assert np.isnan(around.light[-1, 0])
    assert np.isfinite(around.light[75, 75])
    assert len(spike_profiles(around, star, star.triples[0], 6.0).centre) == 49


def test_a_mosaic_is_shown_without_its_pattern() -> None:
    """2x2 means of a mosaic under even light are even."""
    pixels = np.tile(np.array([[100, 200], [200, 50]], np.uint16), (150, 200))
    frame = Frame(path=Path("m.fits"), pixels=pixels, capture=Capture(bayer_pattern="RGGB"))
    around = surroundings(frame, made_reading().stars[0], 20)
    assert np.ptp(around.light) == 0
    assert (around.x_px, around.y_px) == (19.5, 19.5)
