"""The rig file: read with clear errors, found where it should be, learnt without loss."""

import os
import tomllib
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from starwinnow.errors import RigError
from starwinnow.rig import LearntDirection, Rig, rig_from_tables
from starwinnow.rig_file import find_rig, home_rig, keep_learnt, read_rig

ROOT = Path(__file__).parents[1]
LEARNT = LearntDirection(
    px_per_unit=-12.25,
    px_per_unit_err=0.31,
    unit="turn",
    spike_deg=37.5,
    binning=1,
    mark_up=True,
    when_utc=datetime(2024, 3, 9, 21, 4, 5, tzinfo=UTC),
    chevron="-",
)
FULL = """\
# My travel rig.
[telescope]
focal_length_mm = 480      # as measured, not as sold
aperture_mm = 80.0

[camera]
pixel_um = 3.76

[mask]
mark = 'beside the finder' # white dot
chevron = "+"

# Where I mostly am
[site]
time_zone = "Atlantic/Azores"
"""


@pytest.fixture
def rig_file(tmp_path) -> Path:
    return tmp_path / "rig.toml"


def test_example_of_the_documents_holds_every_key() -> None:
    page = (ROOT / "docs" / "rig.md").read_text(encoding="utf-8")
    example = page.split("```toml\n")[1].split("```")[0]
    rig = rig_from_tables(tomllib.loads(example))
    left = [field.name for field in fields(rig) if getattr(rig, field.name) is None]
    assert left == ["learnt"]


def test_values_arrive(rig_file: Path) -> None:
    rig_file.write_text(FULL, encoding="utf-8")
    assert read_rig(rig_file) == Rig(
        focal_length_mm=480.0,
        aperture_mm=80.0,
        pixel_um=3.76,
        mark="beside the finder",
        chevron="+",
        time_zone="Atlantic/Azores",
    )


def test_an_empty_file_says_nothing(rig_file: Path) -> None:
    rig_file.write_text("")
    assert read_rig(rig_file) == Rig()


@pytest.mark.parametrize(
    ("text", "found", "allowed"),
    [
        ("[telescope]\naperture = 80", "'aperture' is no known key in [telescope]", "aperture_mm"),
        ("[scope]\na = 1", "'scope' is no known section", "telescope, camera, focuser"),
        ("telescope = 3", "telescope = 3", "a section, [telescope]"),
        ("[telescope]\naperture_mm = -80", "aperture_mm = -80", "a number above 0 (mm)"),
        ('[telescope]\naperture_mm = "80"', 'aperture_mm = "80"', "a number above 0 (mm)"),
        ("[telescope]\naperture_mm = true", "aperture_mm = true", "a number above 0"),
        ("[telescope]\naperture_mm = nan", "aperture_mm = nan", "a number above 0"),
        ("[telescope]\nobstruction = 35", "obstruction = 35", "from 0 (none) to 0.8"),
        ('[mask]\nchevron = "up"', 'chevron = "up"', '"+" or "-"'),
        ('[focuser]\nin_turn = "left"', 'in_turn = "left"', '"clockwise" or "counterclockwise"'),
        ('[site]\ntime_zone = "Mars/Base"', 'time_zone = "Mars/Base"', "time zone database"),
        ("[site]\nlatitude_deg = 91", "latitude_deg = 91", "from -90 to 90"),
        ('[mask]\nmark = " "', 'mark = " "', "where the mark belongs"),
        ("[learnt]\nunit = 'turn'", "lacks px_per_unit", "Learn it again"),
        ("[learnt]\nbinning = 0", "binning = 0", "a whole number"),
        ("[learnt]\nwhen_utc = 2024-03-09T21:00:00", "when_utc", "with its offset"),
        ("[learnt]\npx_per_unit = 0", "px_per_unit = 0", "other than 0"),
        ("[telescope\n", "not valid TOML", "line 1"),
    ],
)
def test_errors_name_file_key_value_and_what_is_allowed(rig_file, text, found, allowed) -> None:
    rig_file.write_text(text)
    with pytest.raises(RigError) as error:
        read_rig(rig_file)
    assert str(error.value).startswith(f"{rig_file}: ")
    assert found in str(error.value)
    assert allowed in str(error.value)


def test_files_that_cannot_be_read_are_clear_errors(tmp_path: Path) -> None:
    with pytest.raises(RigError, match=r"absent\.toml: there is no such file"):
        read_rig(tmp_path / "absent.toml")
    with pytest.raises(RigError, match="cannot be read"):
        read_rig(tmp_path)
    (tmp_path / "latin.toml").write_bytes("# Gr\xf6\xdfe".encode("latin-1"))
    with pytest.raises(RigError, match="not text in UTF-8"):
        read_rig(tmp_path / "latin.toml")


def test_the_stated_file_comes_first_then_the_folder_s_then_the_observer_s(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(Path, "home", lambda: tmp_path / "home")
    (tmp_path / "night").mkdir()
    monkeypatch.chdir(tmp_path / "night")
    assert find_rig() is None
    home_rig().parent.mkdir(parents=True)
    home_rig().write_text("")
    assert find_rig() == tmp_path / "home" / ".config" / "starwinnow" / "rig.toml"
    Path("rig.toml").write_text("")
    assert find_rig() == Path("rig.toml")
    assert find_rig(Path("other.toml")) == Path("other.toml")


@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
def test_what_is_learnt_is_added_and_all_else_stays(rig_file: Path, line_end: str) -> None:
    before = FULL.replace("\n", line_end).encode()
    rig_file.write_bytes(before)
    keep_learnt(rig_file, LEARNT)
    after = rig_file.read_bytes()
    assert after.startswith(before)
    assert after.count(b"\n") == after.count(line_end.encode())
    assert read_rig(rig_file).learnt == LEARNT
    assert replace(read_rig(rig_file), learnt=None).time_zone == "Atlantic/Azores"
    newer = replace(LEARNT, px_per_unit=3.5, mark_up=False, chevron=None)
    keep_learnt(rig_file, newer)
    assert rig_file.read_bytes().startswith(before)
    assert rig_file.read_bytes().count(b"[learnt]") == 1
    assert read_rig(rig_file).learnt == newer


def test_a_learnt_section_in_the_middle_is_replaced_there(rig_file: Path) -> None:
    keep_learnt(rig_file, LEARNT)
    rig_file.write_text(rig_file.read_text() + "\n# last words\n[camera]\npixel_um = 2.4\n")
    newer = replace(LEARNT, unit="step")
    keep_learnt(rig_file, newer)
    assert "# last words\n[camera]\npixel_um = 2.4\n" in rig_file.read_text()
    assert read_rig(rig_file) == Rig(pixel_um=2.4, learnt=newer)


def test_a_missing_file_is_made_with_its_folder(tmp_path: Path) -> None:
    path = tmp_path / "new" / "rig.toml"
    keep_learnt(path, LEARNT)
    assert read_rig(path) == Rig(learnt=LEARNT)
    assert [item.name for item in path.parent.iterdir()] == ["rig.toml"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "true.toml").write_text(FULL, encoding="utf-8")
    (tmp_path / "rig.toml").symlink_to(tmp_path / "true.toml")
    keep_learnt(tmp_path / "rig.toml", LEARNT)
    assert (tmp_path / "rig.toml").is_symlink()
    assert read_rig(tmp_path / "true.toml").learnt == LEARNT


def test_a_place_that_cannot_be_written_is_a_clear_error(tmp_path: Path) -> None:
    (tmp_path / "wall").write_text("in the way")
    with pytest.raises(RigError, match="cannot be written"):
        keep_learnt(tmp_path / "wall" / "rig.toml", LEARNT)
