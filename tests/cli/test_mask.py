"""`starwinnow mask` as its user meets it, on rendered frames."""

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from jsonschema import Draft202012Validator
from PIL import Image

from starwinnow import focus_mask
from starwinnow.focus_mask import MaskReading, read_mask
from starwinnow.rig_file import read_rig
from starwinnow_cli.main import main
from starwinnow_sim.camera import Camera
from starwinnow_sim.mask_frames import coloured_stars, render_diffracted
from starwinnow_sim.mask_optics import Light
from starwinnow_sim.mask_pupil import Aperture, FocusMask

ROOT = Path(__file__).parents[2]
KEYS = [
    "file", "mask_found", "offset_px", "offset_err_px", "defocus_um", "defocus_err_um",
    "tolerance_px", "tolerance_um", "direction", "verdict", "reason", "stars",
]  # fmt: skip
STAR_KEYS = ["x_px", "y_px", "offset_px", "offset_err_px", "spike_deg"]
EVENING = datetime(2024, 3, 9, 21, 0, tzinfo=UTC)
OPTICS = {"FOCALLEN": 480.0, "APTDIA": 80.0, "XPIXSZ": 3.76}
RIG = """\
# one knob, no motor
[focuser]
um_per_turn = 600.0   # measured with a ruler
in_turn = "clockwise"
[mask]
chevron = "+"
mark = "beside the finder"
"""


def write_frame(path: Path, pixels, minutes: float = 0.0, cards=OPTICS) -> Path:
    start = (EVENING + timedelta(minutes=minutes)).isoformat()[:19]
    header = fits.Header({"DATE-OBS": start, "EXPTIME": 2.0} | cards)
    fits.PrimaryHDU(pixels, header=header).writeto(path)
    return path


def masked_pixels(defocus_um: float, centre_deg: float = 37.0, seed: int = 1):
    mask = FocusMask(centre_deg=centre_deg)
    camera = Camera(shape=(200, 240))
    light = Light(defocus_um=defocus_um, colours=6)
    images = coloured_stars(Aperture(mask=mask), light, camera, half_px=72)
    star = np.array([[121.3, 98.6, 1e6]])
    return render_diffracted(images, star, 100.0, camera, np.random.default_rng(seed))


@pytest.fixture(scope="module")
def night(tmp_path_factory) -> Path:
    """Frames of a mask at several foci; positive is outside focus."""
    folder = tmp_path_factory.mktemp("night")
    for minutes, (name, defocus_um) in enumerate(
        (("a_far", 150.0), ("b_near", 50.0), ("c_right", 0.0), ("d_past", -100.0))
    ):
        write_frame(folder / f"{name}.fits", masked_pixels(defocus_um), minutes)
    write_frame(folder / "half_turn.fits", masked_pixels(150.0, 217.0), 5)
    write_frame(folder / "other_angle.fits", masked_pixels(150.0, 70.0), 6)
    bare = write_frame(folder / "bare.fits", masked_pixels(150.0), 7, cards={})
    (folder / "torn.fits").write_bytes(bare.read_bytes()[:20_000])
    dark = np.random.default_rng(2).normal(500, 8, (200, 240)).astype(np.uint16)
    write_frame(folder / "dark.fits", dark, 8)
    return folder


@pytest.fixture(scope="module")
def readings() -> dict[Path, MaskReading]:
    return {}


@pytest.fixture(autouse=True)
def _read_once(readings, monkeypatch) -> None:
    """Read each file's spikes once in this module: its tests are about what follows."""

    def recalled(frame):
        if frame.path not in readings:
            readings[frame.path] = read_mask(frame)
        return readings[frame.path]

    monkeypatch.setattr(focus_mask, "read_mask", recalled)


@pytest.fixture(autouse=True)
def _garden(tmp_path, monkeypatch) -> None:
    """An empty folder to work in, no rig file at home, a small terminal in Greenwich."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    monkeypatch.setenv("COLUMNS", "80")


@pytest.fixture
def rig(tmp_path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


def answers(capsys, *words: object) -> list[dict]:
    assert main(["mask", *map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_json_holds_one_object_a_frame_in_the_order_given(night, rig, capsys) -> None:
    content = answers(capsys, night / "c_right.fits", night / "a_far.fits", night / "dark.fits")
    assert [list(item) for item in content] == [KEYS] * 3
    schema = json.loads((ROOT / "docs" / "mask-schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(content)
    assert [item["file"] for item in content] == ["c_right.fits", "a_far.fits", "dark.fits"]
    right, far, dark = content
    assert right["verdict"] == "in-focus"
    assert right["tolerance_um"] == pytest.approx(39.6)
    assert right["tolerance_px"] == pytest.approx(0.88, abs=0.01)
    assert right["direction"] is None
    assert far["verdict"] == "out-of-focus"
    assert abs(far["defocus_um"]) == pytest.approx(150.0, rel=0.05)
    assert far["defocus_err_um"] > 0
    assert far["direction"] is None
    assert far["reason"] == "One frame cannot tell in from out."
    assert [list(star) for star in far["stars"]] == [STAR_KEYS]
    turns = sorted((angle - 37.0 + 90) % 180 - 90 for angle in far["stars"][0]["spike_deg"])
    assert turns == pytest.approx([-20, 0, 20], abs=1.0)
    assert dark["verdict"] == "no-mask"
    assert dark["mask_found"] is False
    assert dark["stars"] == []
    assert [dark[key] for key in KEYS[2:9]] == [None] * 7


def test_a_move_teaches_the_direction_and_later_frames_use_it(night, rig, capsys) -> None:
    """From 150 um outside focus 100 um in, to 50 um: another 50 um in is 1/12 turn."""
    words = [str(night / "a_far.fits"), str(night / "b_near.fits"), "--moved", "in:1/6turn"]
    assert main(["mask", *words]) == 0
    shown = capsys.readouterr()
    assert shown.out.startswith("Turn in about 1/12 turn (clockwise).\n")
    assert "just learnt" in shown.out
    assert "Kept in" in shown.err
    assert rig.read_text().startswith(RIG)
    learnt = read_rig(rig).learnt
    assert learnt is not None
    assert abs(learnt.px_per_unit) == pytest.approx(600 / 45.0, rel=0.06)
    assert learnt.spike_deg == pytest.approx(37.0, abs=0.5)
    past, turned = answers(capsys, night / "d_past.fits", night / "other_angle.fits")
    assert past["direction"] == "out"
    assert "right only if neither mask nor camera has been taken off" in past["reason"]
    assert turned["direction"] is None
    assert "not used: the centre spike points to 70 deg, 37 deg" in turned["reason"]
    # The mask half a turn round: the same focus, the opposite answer, hence the condition.
    far, half = answers(capsys, night / "a_far.fits", night / "half_turn.fits")
    assert (far["direction"], half["direction"]) == ("in", "out")
    assert "right only if" in half["reason"]


def test_the_mark_makes_a_direction_hold_on_other_nights(night, rig, tmp_path, capsys) -> None:
    words = [str(night / "a_far.fits"), str(night / "b_near.fits")]
    assert main(["mask", *words, "--moved", "in:100um", "--mark-up"]) == 0
    later = write_frame(tmp_path / "later.fits", masked_pixels(150.0), 60 * 24 * 30)
    capsys.readouterr()
    (item,) = answers(capsys, later)
    assert item["direction"] is None
    assert "not used: it is from 2024-03-09" in item["reason"]
    (item,) = answers(capsys, later, "--mark-up")
    assert item["direction"] == "in"
    assert "beside the finder" in item["reason"]


def test_a_direction_learnt_without_a_rig_file_makes_one(night, tmp_path, capsys) -> None:
    words = [str(night / "a_far.fits"), str(night / "b_near.fits"), "--moved", "in:100um"]
    assert main(["mask", *words]) == 0
    learnt = read_rig(tmp_path / "home" / ".config" / "starwinnow" / "rig.toml").learnt
    assert learnt is not None
    assert learnt.chevron == "+"


def test_a_run_is_told_in_time_order_with_the_next_step_first(night, rig, capsys) -> None:
    names = ("d_past", "a_far", "c_right", "b_near")
    assert main(["mask", *(str(night / f"{name}.fits") for name in names)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Turn back: the last move led away from focus."
    rows = [line.split()[0] for line in lines if ".fits  " in line]
    assert rows == ["a_far.fits", "b_near.fits", "c_right.fits", "d_past.fits"]
    assert any(line.startswith("Focus was passed between") for line in lines)
    assert max(map(len, lines)) <= 80


def test_without_optics_figures_are_in_pixels_only(night, capsys) -> None:
    assert main(["mask", str(night / "bare.fits")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("State focal length, aperture and pixel size in a rig file (--rig).\n")
    assert "Cannot tell: bare.fits" in out
    assert "px off the crossing" in out
    assert " um" not in out
    (item,) = answers(capsys, night / "bare.fits")
    assert item["verdict"] == "cannot-tell"
    assert item["mask_found"] is True
    assert abs(item["offset_px"]) == pytest.approx(150 / 45.0, rel=0.05)
    assert item["defocus_um"] is None
    assert item["tolerance_px"] is None


def test_a_rig_file_fills_what_the_header_lacks(night, rig, capsys) -> None:
    rig.write_text(
        RIG + "[telescope]\nfocal_length_mm = 480\naperture_mm = 80\n[camera]\npixel_um = 3.76\n"
    )
    (item,) = answers(capsys, night / "bare.fits")
    assert abs(item["defocus_um"]) == pytest.approx(150.0, rel=0.05)


def test_files_that_cannot_be_read_are_named_and_the_others_answered(night, rig, capsys) -> None:
    words = [str(night / "torn.fits"), str(night / "absent.fits"), str(night / "c_right.fits")]
    assert main(["mask", *words, "--json"]) == 1
    shown = capsys.readouterr()
    content = json.loads(shown.out)
    assert [item["verdict"] for item in content] == ["unreadable", "unreadable", "in-focus"]
    assert content[0]["mask_found"] is None
    assert all(len(item["reason"]) > 10 for item in content[:2])
    assert "Not read: torn.fits: " in shown.err
    assert main(["mask", *words]) == 1
    assert capsys.readouterr().out.startswith("Leave the focuser as it is")
    assert main(["mask", words[0]]) == 1
    assert "Not read: torn.fits" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["a.fits", "--moved", "up:3"], "such as in:0.25turn"),
        (["a.fits", "--moved", "in:3miles"], "turn, um or steps"),
        (["a.fits", "--moved", "in:0um"], "more than nothing"),
        (["a.fits", "--theme", "green"], "invalid choice"),
        ([], "FRAME"),
    ],
)
def test_wrong_use_ends_with_two(words, text, capsys) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["mask", *words])
    assert stop.value.code == 2
    assert text in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize(
    ("words", "text"),
    [
        (["c_right.fits", "--moved", "in:100um"], "given 1 frames, expected two"),
        (["b_near.fits", "a_far.fits", "--moved", "out:100um"], "was taken before"),
        (["a_far.fits", "half_turn.fits", "--moved", "in:9um", "--mark-up"], "mark belongs"),
        (["c_right.fits", "--rig", "absent.toml"], "absent.toml: there is no such file"),
        (["c_right.fits", "--picture", "absent/p.png"], "picture cannot be written"),
    ],
)
def test_what_cannot_be_done_is_a_clear_error(night, words, text, capsys) -> None:
    given = [str(night / word) if word.endswith(".fits") else word for word in words]
    assert main(["mask", *given]) == 2
    shown = capsys.readouterr()
    assert shown.err.splitlines()[-1].startswith("starwinnow: ")
    assert text in shown.err
    assert not Path("rig.toml").exists()


def test_help_carries_the_caution_about_the_sun(capsys) -> None:
    with pytest.raises(SystemExit):
        main(["mask", "--help"])
    text = " ".join(capsys.readouterr().out.split())
    assert "never point a telescope without a proper solar filter at or near the Sun" in text
    assert "follow the rules of the filter's maker" in text


@pytest.mark.parametrize("theme", ["day", "red"])
def test_pictures_by_day_and_dim_red(night, rig, theme, capsys) -> None:
    frames = [str(night / f"{name}.fits") for name in ("a_far", "b_near")]
    assert main(["mask", *frames, "--picture", "focus.png", "--theme", theme]) == 0
    with Image.open("focus.png") as picture:
        shades = np.asarray(picture.convert("RGB")).astype(int)
    if theme == "red":
        assert shades[..., 1:].max() == 0
        assert shades.mean() < 20
    else:
        assert shades.mean() > 150
        # Over the star nothing is drawn: it is grey throughout.
        star = shades[200:610, 40:450]
        assert np.ptp(star, axis=2).max() == 0
        assert star.max() > 250


@pytest.mark.parametrize("name", ["dark", "torn", "bare"])
def test_a_picture_without_a_mask_or_without_optics(night, name, capsys) -> None:
    main(["mask", str(night / f"{name}.fits"), "--picture", "focus.png"])
    with Image.open("focus.png") as picture:
        assert picture.width == 1200


def test_offsets_of_opposite_sides_of_focus_have_opposite_signs(night, rig, capsys) -> None:
    far, near, past = answers(
        capsys, *(night / f"{name}.fits" for name in ("a_far", "b_near", "d_past"))
    )
    signs = [math.copysign(1, item["offset_px"]) for item in (far, near, past)]
    assert signs[0] == signs[1] == -signs[2]
