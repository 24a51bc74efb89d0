"""From stars drawn by prysm to um and the way to turn: nothing of ours drew them."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from starwinnow.focus_mask import read_mask
from starwinnow.focus_mask.direction import Move
from starwinnow.focus_mask.frame_focus import MaskedFrame, answer_frames, learn_from_move
from starwinnow.frame import Capture, Frame
from starwinnow.rig import Rig

from .prysm_star import Telescope, star_image

CARDS = Capture(
    start_utc=datetime(2024, 3, 9, 21, tzinfo=UTC),
    focal_length_mm=480.0,
    aperture_mm=80.0,
    pixel_um=3.76,
)
BAND_UM = np.linspace(0.42, 0.68, 9)


def masked_frame(scope: Telescope, seed: int) -> MaskedFrame:
    light = 1e6 * star_image(scope, BAND_UM, half_px=72, seeing_px=1.6) + 80.0
    pixels = np.random.default_rng(seed).poisson(np.pad(light, 20, constant_values=80.0))
    frame = Frame(path=Path("prysm.fits"), pixels=pixels.astype(np.float32), capture=CARDS)
    return MaskedFrame(path=frame.path, capture=CARDS, reading=read_mask(frame))


@pytest.mark.parametrize(
    ("lean", "obstruction", "centre_deg"), [(1, 0.0, 20.0), (-1, 0.0, 250.0), (1, 0.35, 140.0)]
)
def test_distance_verdict_and_way_of_a_focusing_run(lean, obstruction, centre_deg) -> None:
    """Distances within 5 %, right verdicts, and the way to turn after a move of 140 um out."""
    scope = Telescope(lean=lean, obstruction=obstruction, centre_deg=centre_deg)
    foci_um = (-190.0, -50.0, 0.0, 90.0)
    frames = [
        masked_frame(replace(scope, defocus_um=focus_um), seed)
        for seed, focus_um in enumerate(foci_um)
    ]
    rig = Rig(obstruction=obstruction, chevron="+" if lean > 0 else "-")
    move = Move(way="out", amount=140.0, unit="um")
    rig = replace(rig, learnt=learn_from_move(frames[:2], move, rig, mark_up=False))
    results = answer_frames(frames, rig, mark_up=False)
    for result, focus_um in zip(results, foci_um, strict=True):
        assert abs(result.answer.defocus_um) == pytest.approx(abs(focus_um), rel=0.05, abs=2.0)
    assert [result.answer.verdict for result in results[::2]] == ["out-of-focus", "in-focus"]
    assert results[3].answer.verdict == "out-of-focus"
    ways = [None if result.turn is None else result.turn.way for result in results]
    assert ways[0] == "out"
    assert ways[2:] == [None, "in"]
    blind = answer_frames(frames, Rig(obstruction=obstruction), mark_up=False)
    assert all(result.answer.chevron in {None, rig.chevron} for result in blind)
