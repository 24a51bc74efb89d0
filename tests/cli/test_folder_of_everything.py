"""A folder as it comes home: two targets, filters, calibration, copies, odd and broken files."""

import gzip
import json
import shutil
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from jsonschema import Draft202012Validator
from numpy.typing import NDArray

from starwinnow_cli.main import main
from starwinnow_sim import (
    Camera,
    FrameTruth,
    StarField,
    StarShape,
    draw_hot_pixels,
    draw_star_field,
    render_frame,
    write_frame,
)
from starwinnow_sim.write import frame_header

ROOT = Path(__file__).parents[2]
SHAPE = (300, 400)
REEDS, LANTERN = "Reed Warbler Group", "Lantern Cluster"


@dataclass(frozen=True)
class Observatory:
    """Renders files into a folder."""

    folder: Path
    camera: Camera
    rng: np.random.Generator

    def sky(self) -> StarField:
        return draw_star_field(SHAPE, count=130, rng=self.rng, margin_px=150.0)

    def expose(
        self,
        name: str,
        sky: StarField,
        second: int,
        *,
        camera: Camera | None = None,
        mirrored: bool = False,
        card: dict[str, str | None] | None = None,
        **conditions: float,
    ) -> NDArray[np.uint16]:
        camera = camera or self.camera
        truth = FrameTruth(
            start_utc=datetime(2031, 10, 14, 20, tzinfo=UTC) + timedelta(seconds=second),
            exposure_s=8.0,
            star=StarShape(fwhm_px=2.6, beta=3.0),
            **conditions,
        )
        header = frame_header(truth, camera, object_name="")
        for key, value in (card or {}).items():
            header[key] = value
            if value is None:
                del header[key]
        pixels = render_frame(sky, truth, camera, self.rng)
        if mirrored:
            pixels = np.ascontiguousarray(pixels[:, ::-1])
        write_frame(self.folder / name, pixels, header)
        return pixels


def write_lights(home: Observatory) -> StarField:
    """Two targets, one of them through two filters and after a flip; a glance elsewhere."""
    reeds, lantern = home.sky(), home.sky()
    for k in range(6):
        home.expose(
            f"reeds_{k}.fits",
            reeds,
            10 * k,
            card={"OBJECT": REEDS},
            shift_x_px=6.0 * k,
            rotation_deg=180.0 if k > 3 else 0.0,
            transparency=1 - 0.05 * k,
        )
    home.expose("focusing.fits", home.sky(), 190, card={"OBJECT": "star"})
    for k in range(5):
        name = f"lantern_{4 - k}.fits"
        home.expose(name, lantern, 200 + 10 * k, card={"OBJECT": LANTERN}, rotation_deg=7.5 * k)
    home.expose("clouded.fits", lantern, 250, card={"OBJECT": LANTERN}, transparency=0.001)
    for k in range(3):
        card = {"OBJECT": LANTERN}
        home.expose(f"flipped_{k}.fits", lantern, 300 + k, card=card, mirrored=True)
    red = replace(home.camera, filter_name="Ha")
    for k in range(3):
        home.expose(f"red_{k}.fits", reeds, 400 + 10 * k, camera=red, card={"OBJECT": REEDS})
    for k in range(2):
        home.expose(f"timeless_{k}.fits", reeds, 0, card={"OBJECT": REEDS, "DATE-OBS": None})
    colour = replace(home.camera, bayer_pattern="RGGB", filter_name=None, hot_pixels=None)
    home.expose("colour.fits", reeds, 500, camera=colour, card={"OBJECT": REEDS})
    return reeds


def write_calibration(home: Observatory) -> None:
    none = np.empty(0)
    nothing = StarField(x_px=none, y_px=none, flux_e=none, colour_mag=none)
    for k in range(3):
        home.expose(f"D{k}.fits", nothing, 600 + k, card={"IMAGETYP": "Dark"}, background_e=0.0)
    for k in range(2):
        home.expose(f"F{k}.fits", nothing, 610 + k, card={"IMAGETYP": "FLAT"}, background_e=2e4)
    home.expose("B0.fits", nothing, 620, card={"IMAGETYP": "Bias Frame"}, background_e=0.0)
    home.expose("dark_1.fits", nothing, 621, card={"IMAGETYP": None}, background_e=0.0)
    home.expose("cap_on.fits", nothing, 255, card={"IMAGETYP": None}, background_e=0.0)


def write_odd_files(home: Observatory, reeds: StarField) -> None:
    folder = home.folder
    shutil.copy(folder / "reeds_2.fits", folder / "copy of reeds_2.fits")
    with fits.open(folder / "reeds_3.fits") as file:
        file[0].header["DATE-OBS"] = "2031-10-14T23:00:00"
        file.writeto(folder / "again.fits")
    packed = gzip.compress((folder / "again.fits").read_bytes())
    (folder / "again.fits").unlink()
    (folder / "again.fits.gz").write_bytes(packed)
    pixels = home.expose("spare.fits", reeds, 700)
    (folder / "spare.fits").unlink()
    for name, image in {
        "planes.fits": np.stack([pixels] * 3),
        "cube.fits": np.stack([pixels] * 2),
        "strip.fits": pixels[:17, :290],
        "tiny.fits": pixels[:8, :8],
    }.items():
        fits.PrimaryHDU(image).writeto(folder / name)
    (folder / "cut.fits").write_bytes((folder / "reeds_1.fits").read_bytes()[:9000])
    (folder / "notes.fits").write_text("focused at 23 h\n")
    (folder / "empty.fits").write_bytes(b"")


@pytest.fixture(scope="module")
def scored(tmp_path_factory) -> tuple[Path, dict, str]:
    """Folder, night.json and what the terminal showed."""
    rng = np.random.default_rng(660_001)
    hot = draw_hot_pixels(SHAPE, part=3e-4, rng=rng)
    folder = tmp_path_factory.mktemp("home")
    home = Observatory(folder, Camera(shape=SHAPE, filter_name="L", hot_pixels=hot), rng)
    reeds = write_lights(home)
    write_calibration(home)
    write_odd_files(home, reeds)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("COLUMNS", "80")
        shown: list[str] = []
        patch.setattr("starwinnow_cli.score.show", shown.append)
        assert main(["score", str(folder)]) == 1
    return folder, json.loads((folder / "starwinnow/night.json").read_text()), "".join(shown)


def frames_of(content: dict) -> dict[str, dict]:
    return {row["file"]: row for row in content["frames"]}


def test_every_file_is_in_the_right_run_with_the_right_verdict(scored) -> None:
    folder, content, _ = scored
    Draft202012Validator(json.loads((ROOT / "docs/night-schema.json").read_text())).validate(
        content
    )
    rows = frames_of(content)
    assert set(rows) == {path.name for path in folder.iterdir() if path.is_file()}
    runs: dict[int, set[str]] = {}
    for name, row in rows.items():
        if row["verdict"] in {"keep", "marginal", "leave-out"}:
            runs.setdefault(row["run"], set()).add(name)
    assert [runs[number] for number in sorted(runs)] == [
        {*(f"reeds_{k}.fits" for k in range(6)), "timeless_0.fits", "timeless_1.fits"},
        {f"lantern_{k}.fits" for k in range(5)},
        {f"flipped_{k}.fits" for k in range(3)},
        {f"red_{k}.fits" for k in range(3)},
        {"colour.fits"},
        {"planes.fits"},
        {"strip.fits"},
    ]
    assert [run["target"] for run in content["runs"][:5]] == [
        REEDS, LANTERN, LANTERN, REEDS, REEDS
    ]  # fmt: skip
    assert [run["filter"] for run in content["runs"][:5]] == ["L", "L", "L", "Ha", None]
    assert content["runs"][2]["note"].startswith("a mirror image of lantern_")


def test_every_other_file_says_what_it_is(scored) -> None:
    _, content, _ = scored
    rows = frames_of(content)
    told = {
        name: (row["causes"], row["note"])
        for name, row in rows.items()
        if row["verdict"] == "not-scored"
    }
    for name in ("D0.fits", "D1.fits", "D2.fits"):
        assert told.pop(name) == (["not-light"], "a dark frame: it does not look at the sky")
    for name in ("F0.fits", "F1.fits"):
        assert told.pop(name) == (["not-light"], "a flat frame: it does not look at the sky")
    assert told.pop("B0.fits") == (["not-light"], "a bias frame: it does not look at the sky")
    assert told.pop("dark_1.fits") == (
        ["not-light"], "called a dark by its name, and no star in it",
    )  # fmt: skip
    same = "the same pixels as reeds_{}.fits, which counts"
    assert told.pop("copy of reeds_2.fits") == (["duplicate"], same.format(2))
    assert told.pop("again.fits.gz") == (["duplicate"], same.format(3))
    causes, note = told.pop("focusing.fits")
    assert causes == ["other-field"]
    assert note.startswith("no field in common with lantern_")
    assert told.pop("clouded.fits") == (["few-stars"], "no usable star: no star figures")
    causes, note = told.pop("cap_on.fits")
    assert causes == ["few-stars"]
    assert note.endswith("the file does not say whether it is a light frame, a dark, flat or bias")
    for name, reason in {
        "cube.fits": "a cube of 400 x 300 x 2 px",
        "tiny.fits": "an image of 8 x 8 px",
        "cut.fits": "truncated: ",
        "notes.fits": "no FITS file",
        "empty.fits": "empty",
    }.items():
        causes, note = told.pop(name)
        assert causes == ["unreadable"]
        assert note.startswith(reason)
    assert not told


def test_shift_turn_and_light_of_the_flipped_frames_are_followed(scored) -> None:
    _, content, _ = scored
    rows = frames_of(content)
    flip = rows["reeds_5.fits"]["rotation_deg"] - rows["reeds_1.fits"]["rotation_deg"]
    assert abs(flip) == pytest.approx(180, abs=0.02)
    turn = rows["lantern_0.fits"]["rotation_deg"] - rows["lantern_4.fits"]["rotation_deg"]
    assert turn == pytest.approx(30, abs=0.02)
    light = rows["reeds_5.fits"]["transparency"] / rows["reeds_0.fits"]["transparency"]
    assert light == pytest.approx(0.75, rel=0.02)


def test_each_run_has_its_keep_list(scored) -> None:
    folder, content, _ = scored
    results = folder / "starwinnow"
    everything = (results / "keep.txt").read_text().splitlines()
    parts = [
        (results / f"keep-run{run['run']}.txt").read_text().splitlines() for run in content["runs"]
    ]
    assert [name for part in parts for name in part] == everything
    assert [len(part) for part in parts] == [run["kept"] for run in content["runs"]]


def test_the_screen_shows_the_largest_runs_and_what_to_stack(scored) -> None:
    _, _, shown = scored
    lines = shown.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    assert any(line.endswith("  Reed Warbler Group, 8 s") for line in lines)
    assert any(line.endswith("Lantern Cluster, 8 s") for line in lines)
    assert "... and 4 smaller runs, in night.json" in shown
    assert "in keep-run1.txt; each other run by itself" in shown
    assert "7 x not a light frame, 2 x a second copy" in shown


def test_odd_files_of_other_projects_all_get_a_row(shared_frames, tmp_path, monkeypatch) -> None:
    """astropy, astrogo/fitsio, nom-tam-fits, IRAF, ccdproc: sources in README there.

    The M13 image comes in four encodings without loss: one counts, three are its copies.
    """
    for path in (shared_frames / "odd_files").rglob("*"):
        if path.is_file():
            (tmp_path / path.name).write_bytes(path.read_bytes())
    monkeypatch.setattr("starwinnow_cli.score.show", lambda text: None)
    assert main(["score", str(tmp_path)]) == 1
    rows = frames_of(json.loads((tmp_path / "starwinnow/night.json").read_text()))
    assert len(rows) > 40
    for row in rows.values():
        assert row["verdict"] != "not-scored" or row["note"], row["file"]
        assert row["note"].isprintable()
    m13 = {rows[f"m13{kind}.fits"]["verdict"] for kind in ("", "_gzip", "_hcomp", "_rice")}
    assert m13 == {"keep", "not-scored"}
    for kind in ("_gzip", "_hcomp", "_rice"):
        assert rows[f"m13{kind}.fits"]["note"] == "the same pixels as m13.fits, which counts"
