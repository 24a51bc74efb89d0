"""Which pixels of a frame are green, stated or shown by the sky."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.frame import Capture, Frame
from starwinnow.mosaic import green_only

_SHAPE = (200, 240)
_SEEDS = 40


def _frame(added: NDArray[np.float64], seed: int = 1, pattern: str | None = None) -> Frame:
    """Sky of 500 ADU with noise of 12 and what is added, as stored by a camera."""
    rng = np.random.default_rng([44_001, seed])
    pixels = np.rint(rng.normal(500.0, 12.0, _SHAPE) + added).astype(np.uint16)
    return Frame(path=Path("made-up.fits"), pixels=pixels, capture=Capture(bayer_pattern=pattern))


def _mosaic(pattern: str, levels: dict[str, float]) -> NDArray[np.float64]:
    added = np.zeros(_SHAPE)
    for place, colour in enumerate(pattern):
        added[place // 2 :: 2, place % 2 :: 2] = levels[colour]
    return added


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize(
    "levels",
    [
        {"R": -150.0, "G": 0.0, "B": -100.0},
        # A sky lit by lamps is brightest in red.
        {"R": 100.0, "G": 0.0, "B": -200.0},
        {"R": -100.0, "G": 0.0, "B": -100.0},
    ],
    ids=["green sky", "red sky", "red as blue"],
)
def test_green_pixels_are_found_stated_or_not(pattern: str, levels: dict[str, float]) -> None:
    added = _mosaic(pattern, levels)
    green = _mosaic(pattern, {"R": 0.0, "G": 1.0, "B": 0.0}) > 0
    for stated in (pattern, None):
        frame = _frame(added, pattern=stated)
        left = green_only(frame).pixels
        np.testing.assert_array_equal(np.isfinite(left), green)
        np.testing.assert_array_equal(left[green], frame.pixels[green])


@pytest.mark.parametrize("band", ["rows", "columns", "both", "none", "one row in four", "noise"])
def test_bands_are_no_mosaic(band: str) -> None:
    """Levels by row or by column, whatever their size: the frame comes back as it was."""
    for seed in range(_SEEDS):
        rng = np.random.default_rng([44_101, seed])
        added = np.zeros(_SHAPE)
        if band in {"rows", "both"}:
            added[::2] += rng.uniform(2.0, 200.0)
        if band in {"columns", "both"}:
            added[:, ::2] += rng.uniform(2.0, 200.0)
        if band == "one row in four":
            added[::4] += rng.uniform(2.0, 200.0)
        if band == "noise":
            added += rng.normal(0.0, 8.0, (_SHAPE[0], 1)) + rng.normal(0.0, 8.0, (1, _SHAPE[1]))
        frame = _frame(added, seed)
        assert green_only(frame) is frame, f"seed {seed}"


def test_a_gradient_is_no_mosaic() -> None:
    y, x = np.indices(_SHAPE)
    frame = _frame(0.5 * x + 1.5 * y)
    assert green_only(frame) is frame


def test_a_small_or_empty_frame_is_no_mosaic() -> None:
    pixels = np.full((18, 18), np.nan, np.float32)
    frame = Frame(path=Path("made-up.fits"), pixels=pixels, capture=Capture())
    assert green_only(frame) is frame


def test_a_dark_sky_in_whole_numbers_is_no_mosaic() -> None:
    """Noise of one ADU: medians of whole numbers jump by a whole ADU on a hair's difference."""
    for seed in range(_SEEDS):
        rng = np.random.default_rng([44_201, seed])
        level = 353.4 + 0.005 * seed + 0.05 * (np.indices(_SHAPE).sum(axis=0) % 2)
        pixels = np.rint(rng.normal(level, 1.1)).astype(np.uint16)
        frame = Frame(path=Path("made-up.fits"), pixels=pixels, capture=Capture())
        assert green_only(frame) is frame, f"seed {seed}"
