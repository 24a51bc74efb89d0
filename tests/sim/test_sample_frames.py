"""The frames kept with the project: what they hold, and that their script makes them again."""

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sep
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow_sim.scenario import sample_night, write_sample_night
from starwinnow_sim.true_figures import star_figures

FOLDER = Path(__file__).parents[2] / "sample_frames"
# From the scenario, for 16 frames: indices of frames with something amiss.
TROUBLED = {2, 5, 6, 7, 9, 11, 13, 14}


def kept_frames() -> list[Path]:
    return sorted(FOLDER.glob("demo-field_*.fits*"))


def read(path: Path) -> tuple[NDArray[np.uint16], Any]:
    pixels, header = fits.getdata(path, 1 if path.suffix == ".fz" else 0, header=True)
    return pixels, header


def test_there_are_enough_and_they_are_small() -> None:
    paths = kept_frames()
    assert len(paths) >= 12
    assert sum(path.stat().st_size for path in FOLDER.iterdir() if path.is_file()) < 5e6
    suffixes = ["".join(path.suffixes) for path in paths]
    assert suffixes.count(".fits.gz") == 2
    assert suffixes.count(".fits.fz") == 1


def test_the_script_makes_the_kept_frames_again(tmp_path: Path) -> None:
    script = FOLDER / "make_sample_frames.py"
    said = subprocess.run(
        [sys.executable, script, tmp_path], check=True, capture_output=True, text=True
    ).stdout
    made = sorted(tmp_path.iterdir())
    kept = kept_frames()
    assert said.startswith(f"{len(kept)} frames")
    assert [path.name for path in made] == [path.name for path in kept]
    for new, old in zip(made, kept, strict=True):
        new_pixels, new_header = read(new)
        old_pixels, old_header = read(old)
        np.testing.assert_array_equal(new_pixels, old_pixels, err_msg=old.name)
        assert new_header["DATE-OBS"] == old_header["DATE-OBS"]


def bright_objects(path: Path) -> tuple[int, float, float]:
    """Objects of S/N above 20, their median FWHM (px) and the background (ADU), by sep."""
    pixels = read(path)[0].astype(np.float32)
    background = sep.Background(pixels)
    clean = pixels - background
    found = sep.extract(clean, 3.0, err=background.globalrms, minarea=4)
    flux, flux_err, _ = sep.sum_circle(
        clean, found["x"], found["y"], 4.0, err=background.globalrms, gain=0.75
    )
    bright = (flux > 20 * flux_err) & (found["flag"] == 0) & (found["peak"] < 50_000)
    radius_px, _ = sep.flux_radius(
        clean, found["x"][bright], found["y"][bright], np.full(bright.sum(), 10.0), 0.5, subpix=5
    )
    return int(bright.sum()), float(2 * np.median(radius_px)), background.globalback


def test_good_frames_have_many_sharp_stars_and_troubled_ones_show_their_trouble() -> None:
    figures = [bright_objects(path) for path in kept_frames()]
    good = [figures[i] for i in range(len(figures)) if i not in TROUBLED]
    assert min(count for count, _, _ in good) >= 60
    widths_px = [width for _, width, _ in good]
    assert min(widths_px) > 2.3
    # Half-light diameters of Moffat stars are a quarter wider than their FWHM of 2.3 to 3 px.
    assert max(widths_px) < 3.7
    usual_count = np.median([count for count, _, _ in good])
    usual_width = np.median(widths_px)
    cloudy = [figures[i][0] for i in (5, 6, 7)]
    assert max(cloudy) < 0.75 * usual_count
    for widened in (2, 14):
        assert figures[widened][1] > 1.25 * usual_width
    # In the bumped frame every star is two, which are flagged as neighbours.
    assert figures[11][0] < 0.5 * usual_count
    assert figures[9][2] - 500 > 2.5 * (np.median([level for _, _, level in good]) - 500)


def test_ordinary_frames_are_of_the_size_promised() -> None:
    night = sample_night(np.random.default_rng(0), frames=16)
    widths_px = [
        star_figures(truth.star).fwhm_px for i, truth in enumerate(night) if i not in TROUBLED
    ]
    assert min(widths_px) > 2.2
    assert max(widths_px) < 3.0


def test_too_short_a_night_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="13 frames asked for, at least 14 are needed"):
        write_sample_night(tmp_path, frames=13)


@pytest.mark.parametrize("frames", [14, 24, 40])
def test_a_night_of_any_length_has_each_trouble_once(frames: int) -> None:
    night = sample_night(np.random.default_rng(1), frames=frames)
    assert len(night) == frames
    assert sum(truth.transparency < 0.75 for truth in night) == 3
    assert sum(truth.star.defocus_px > 0 for truth in night) == 2
    assert sum(bool(truth.star.bump_x_px) for truth in night) == 1
    assert sum(np.hypot(truth.star.trail_x_px, truth.star.trail_y_px) > 5 for truth in night) == 1
    assert sum(truth.background_e > 120 for truth in night) == 1
    troubled = [
        truth.transparency < 0.75
        or truth.star.defocus_px > 0
        or bool(truth.star.bump_x_px)
        or truth.star.trail_x_px > 2
        or truth.background_e > 120
        for truth in night
    ]
    assert sum(troubled) == 8
