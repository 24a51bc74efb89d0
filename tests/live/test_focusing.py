"""Focusing: better, worse, past the best, and how far."""

import io
import math

import numpy as np
import pytest

from starwinnow.focusing import FocusFollower, FocusPoint, FocusView, focuser_travel_um
from starwinnow.rig import Rig
from starwinnow_cli.focusing_screen import focusing_lines, focusing_news
from starwinnow_cli.screen import Emphasis, display_width


def follow(sizes: list[float], *, known: bool = True) -> FocusView:
    follower = FocusFollower()
    f_ratio, pixel_um = (6.0, 3.76) if known else (None, None)
    for number, size in enumerate(sizes):
        point = FocusPoint(
            file=f"f{number}.fits", value_px=size, err_px=0.03, f_ratio=f_ratio, pixel_um=pixel_um
        )
        view = follower.add(point)
    return view


def test_passing_the_best_is_said_with_frames_and_turns() -> None:
    """1.8 to 2.34 px are 1.495 px of blur: 95 um at f/6 and 3.76 um, 1/6 of a turn of 570 um."""
    view = follow([3.2, 2.5, 1.8, 2.1, 2.34])
    assert view.passed
    assert (view.frames_since_best, view.best.value_px) == (2, 1.8)
    words = focusing_news(view, Rig(um_per_turn=570.0))
    assert words.endswith("You passed the best 2 frames ago, by about 1/6 turn: turn back.")
    assert "95 um of focuser travel" in focusing_news(view, Rig())
    assert focusing_news(follow([3.2, 2.5, 1.8, 2.1, 2.34], known=False), Rig()).endswith(
        "You passed the best 2 frames ago: turn back."
    )


@pytest.mark.parametrize(
    ("sizes", "words"),
    [
        ([2.5], "Turn a little, and wait"),
        ([3.2, 2.5], "The best so far: go on."),
        ([1.8, 2.4], "It gets worse: turn back."),
        ([3.0, 1.8, 1.83], "As good as the best, within the error."),
    ],
)
def test_other_words(sizes: list[float], words: str) -> None:
    view = follow(sizes)
    assert words in focusing_news(view, Rig())
    assert not view.passed


def test_air_alone_is_seldom_called_passed() -> None:
    """Steady focus under 3 % of air for 12 frames: 'passed' in less than one look in fifty."""
    rng = np.random.default_rng(4)
    passed = looks = 0
    for _ in range(100):
        follower = FocusFollower()
        for number in range(12):
            size = 2.0 * (1 + 0.03 * rng.standard_normal())
            point = FocusPoint(file=f"{number}", value_px=size, err_px=0.01)
            passed += follower.add(point).passed
            looks += 1
    assert passed / looks < 0.02


def test_blur_of_a_disc_is_that_of_its_half_light_radius() -> None:
    """A disc of diameter d/N holds half of its light in d / (2 sqrt 2 N): here by counting."""
    rng = np.random.default_rng(5)
    travel_um, f_ratio, pixel_um = 300.0, 6.0, 3.76
    radius_px = travel_um / f_ratio / pixel_um / 2
    r = radius_px * np.sqrt(rng.uniform(0, 1, 200_000))
    hfr_px = float(np.median(r))
    assert focuser_travel_um(hfr_px, 0.0, f_ratio=f_ratio, pixel_um=pixel_um) == pytest.approx(
        travel_um, rel=0.01
    )


def test_a_mask_put_on_begins_anew() -> None:
    follower = FocusFollower()
    follower.add(FocusPoint(file="a", value_px=1.8, err_px=0.03))
    view = follower.add(FocusPoint(file="b", value_px=5.0, err_px=0.1, kind="offset"))
    assert view.best.file == "b"
    assert math.isnan(view.travel_um)
    assert "offset" in focusing_lines(view, Emphasis(io.StringIO()), Rig())[2]


def test_the_screen_is_calm_and_fits() -> None:
    view = follow([3.2, 2.8, 2.4, 2.1, 1.9, 1.8, 1.85, 2.0, 2.34, 2.5, 2.8, 3.1, 3.4])
    lines = focusing_lines(view, Emphasis(io.StringIO()), Rig(um_per_turn=570.0))
    assert len(lines) <= 24
    assert max(map(display_width, lines)) <= 80
    assert lines[5].startswith("+---")
    assert ">" in lines[5]
