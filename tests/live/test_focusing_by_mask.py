"""Focusing with the mask on: rendered frames, the best passed, and turned back to."""

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starwinnow.focus_points import FocusPoints
from starwinnow.focusing import FocusFollower, FocusPoint, FocusView
from starwinnow.readers import read_frame
from starwinnow.rig import Rig
from starwinnow_cli import focusing_screen
from starwinnow_cli.focusing_screen import focusing_lines, focusing_news
from starwinnow_cli.main import main
from starwinnow_cli.screen import Emphasis, display_width
from starwinnow_sim.camera import Camera
from starwinnow_sim.mask_frames import coloured_stars, render_diffracted
from starwinnow_sim.mask_optics import Light
from starwinnow_sim.mask_pupil import Aperture, FocusMask

RIG_TEXT = """\
[telescope]
focal_length_mm = 480
aperture_mm = 80
[camera]
pixel_um = 3.76
[focuser]
um_per_turn = 600.0
in_turn = "clockwise"
[mask]
chevron = "+"
"""
RIG = Rig(
    focal_length_mm=480.0, aperture_mm=80.0, pixel_um=3.76, um_per_turn=600.0, chevron="+",
    in_turn="clockwise",
)  # fmt: skip
CAMERA = Camera(shape=(200, 240))
# Focuser places of the evening, um; positive is outside focus.
PLACES_UM = {"a": 300.0, "b": 150.0, "c": 50.0, "d": -100.0, "e": -200.0, "f": 0.0}


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """Frames of one star through the mask while the focuser goes through focus and back."""
    path = tmp_path_factory.mktemp("focusing")
    rng = np.random.default_rng(7)
    for name, defocus_um in PLACES_UM.items():
        _write(path / f"{name}.fits", defocus_um, FocusMask(centre_deg=37.0), rng)
    (path / "rig.toml").write_text(RIG_TEXT)
    return path


@pytest.fixture(scope="module")
def views(folder) -> dict[str, FocusView]:
    points, follower = FocusPoints(RIG), FocusFollower()
    given = {}
    for name in PLACES_UM:
        point = points.of(read_frame(folder / f"{name}.fits"))
        assert isinstance(point, FocusPoint), point
        given[name] = follower.add(point)
    return given


def _write(path: Path, defocus_um: float, mask: FocusMask | None, rng) -> None:
    images = coloured_stars(
        Aperture(mask=mask), Light(defocus_um=defocus_um, colours=6), CAMERA, half_px=72
    )
    pixels = render_diffracted(images, np.array([[121.3, 98.6, 1e6]]), 100.0, CAMERA, rng)
    fits.PrimaryHDU(pixels, header=fits.Header({"EXPTIME": 2.0})).writeto(path)


def test_distance_is_what_the_focuser_was_moved_by(views) -> None:
    for name, place_um in PLACES_UM.items():
        answer = views[name].now.focus.answer
        # Fitted spikes read up to 6 % low far out of focus.
        margin_um = 3 * answer.defocus_err_um + 0.06 * abs(place_um) + 2
        assert abs(answer.defocus_um) == pytest.approx(abs(place_um), abs=margin_um), name
        assert views[name].now.kind == "offset"


def test_going_through_focus_is_said_with_the_part_of_a_turn(views) -> None:
    """100 um on the other side are 1/6 of a turn of 600 um."""
    assert focusing_news(views["c"], RIG).endswith("The best so far: go on.")
    assert not views["c"].passed
    assert focusing_news(views["d"], RIG).endswith(
        "You passed the best one frame ago, by about 1/6 turn: turn back."
    )
    assert focusing_news(views["e"], RIG).endswith(
        "You passed the best 2 frames ago, by about 1/3 turn: turn back."
    )
    assert focusing_news(views["f"], RIG).endswith(
        "In focus, within the tolerance: leave it, and take the mask off."
    )


def test_a_smaller_offset_on_the_other_side_is_no_reason_to_go_on(views) -> None:
    follower = FocusFollower()
    follower.add(views["b"].now)
    view = follower.add(views["d"].now)
    assert view.frames_since_best == 0
    assert focusing_news(view, RIG).endswith(
        "You passed focus with this turn, by about 1/6 turn: turn back."
    )


def test_the_scale_is_that_of_tolerances(views) -> None:
    """A quarter wave at f/6 is 39.6 um: 100 um are 2.5 of them, ten signs from the left end."""
    lines = focusing_lines(views["d"], Emphasis(io.StringIO()), RIG)
    assert lines[5].index("O") == pytest.approx(4 * 100 / 39.6, abs=1)
    assert "tolerances from it" in lines[6]
    assert max(map(display_width, lines)) <= 80


def test_without_optics_the_scale_is_its_own_error(folder) -> None:
    points, follower = FocusPoints(Rig()), FocusFollower()
    for name in "cd":
        view = follower.add(points.of(read_frame(folder / f"{name}.fits")))
    assert "standard errors from it" in focusing_lines(view, Emphasis(io.StringIO()), Rig())[6]
    assert focusing_news(view, Rig()).endswith("You passed the best one frame ago: turn back.")


def test_taking_the_mask_off_begins_anew_with_the_stars(folder, tmp_path) -> None:
    bare = tmp_path / "bare.fits"
    _write(bare, 150.0, None, np.random.default_rng(8))
    points = FocusPoints(RIG)
    kinds = [points.of(read_frame(path)).kind for path in (folder / "b.fits", bare)]
    assert kinds == ["offset", "hfr"]


def test_the_command_follows_the_mask(folder, monkeypatch, capsys) -> None:
    def arrived(_watch: object) -> Iterator[object]:
        yield from (read_frame(folder / f"{name}.fits") for name in "bcd")

    monkeypatch.setattr(focusing_screen, "_new_frames", arrived)
    rig = ["--rig", str(folder / "rig.toml")]
    assert main(["watch", str(folder), "--focusing", *rig]) == 0
    captured = capsys.readouterr()
    last = captured.out.splitlines()[-1]
    assert last.startswith("d.fits: offset 2.")
    assert last.endswith("You passed the best one frame ago, by about 1/6 turn: turn back.")
    assert "Best: offset" in captured.err
    assert main(["watch", str(folder), *rig]) == 2
    assert "--rig goes with --focusing" in capsys.readouterr().err


def test_a_frame_that_is_not_used_leaves_the_focus_in_sight(folder, monkeypatch) -> None:
    """No message but through the screen: text beside it would shift what is drawn."""

    def arrived(_watch: object) -> Iterator[object]:
        yield read_frame(folder / "b.fits")
        yield "torn.fits: it ends early; copy it again"

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr("sys.stdout", terminal)
    monkeypatch.setattr(focusing_screen, "_new_frames", arrived)
    assert main(["watch", str(folder), "--focusing", "--rig", str(folder / "rig.toml")]) == 0
    drawn = terminal.getvalue().split("\x1b[H")[-1]
    assert "b.fits" in drawn
    assert "Turn a little" in drawn
    assert "Not used: torn.fits: it ends early; copy it again" in drawn
