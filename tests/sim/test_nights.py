"""Made-up nights: their variation, their events, and the files they are written to."""

from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starwinnow_sim import events
from starwinnow_sim.camera import Camera
from starwinnow_sim.field import draw_star_field
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.nights import CALM, autocorrelated, make_night, ordinary_night
from starwinnow_sim.star_shape import StarShape
from starwinnow_sim.true_figures import true_figures
from starwinnow_sim.write import frame_header, write_night

CAMERA = Camera(shape=(48, 64), filter_name="L")
START = datetime(2031, 1, 1, 20, 30, 5, 250_000, tzinfo=UTC)


def plain_night(frames: int) -> list[FrameTruth]:
    return [
        FrameTruth(
            start_utc=START + timedelta(seconds=10 * i),
            exposure_s=8.0,
            star=StarShape(fwhm_px=2.5),
            background_e=50.0,
        )
        for i in range(frames)
    ]


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_series_has_unit_variance_and_the_memory_asked_for(memory: float) -> None:
    series = autocorrelated(20_000, memory, np.random.default_rng(1))
    # The number of independent values is n (1 - rho) / (1 + rho).
    independent = 20_000 * (1 - memory) / (1 + memory)
    assert series.mean() == pytest.approx(0, abs=4 / np.sqrt(independent))
    assert series.var() == pytest.approx(1, abs=6 / np.sqrt(independent))
    neighbours = np.corrcoef(series[1:], series[:-1])[0, 1]
    assert neighbours == pytest.approx(memory, abs=0.03)


def test_ordinary_night_varies_as_its_weather_says() -> None:
    night = ordinary_night(CALM, frames=2000, rng=np.random.default_rng(2))
    seeing = np.log([truth.star.fwhm_px for truth in night])
    transparency = np.log([truth.transparency for truth in night])
    assert seeing.std() == pytest.approx(CALM.seeing_scatter, rel=0.15)
    assert np.exp(seeing.mean()) == pytest.approx(CALM.seeing_px, rel=0.01)
    assert transparency.std() == pytest.approx(CALM.transparency_scatter, rel=0.15)
    assert (night[0].shift_x_px, night[0].shift_y_px, night[0].rotation_deg) == (0, 0, 0)
    assert night[-1].shift_x_px == pytest.approx(1999 * CALM.drift_x_px, abs=2)
    assert night[1].start_utc - night[0].start_utc == timedelta(seconds=9.5)


def test_calm_and_rough_nights_differ_in_what_frames_are_worth() -> None:
    spread = {}
    for kind in ("calm", "rough"):
        night = make_night(CAMERA, kind=kind, frames=40, rng=np.random.default_rng(3))
        worth = np.array([true_figures(truth, CAMERA).information for truth in night])
        spread[kind] = (worth.max() - worth.min()) / np.median(worth)
    assert 0.1 < spread["calm"] < 0.3
    assert spread["rough"] > 1


def test_rough_night_holds_every_kind_of_trouble() -> None:
    night = make_night(CAMERA, kind="rough", frames=40, rng=np.random.default_rng(4))
    assert len(night) == 40
    assert min(truth.transparency for truth in night) < 0.45
    assert max(truth.star.defocus_px for truth in night) == pytest.approx(7)
    assert sum(bool(truth.star.bump_x_px) for truth in night) == 2
    trails = [np.hypot(truth.star.trail_x_px, truth.star.trail_y_px) for truth in night]
    assert sum(trail > 2 for trail in trails) == 2
    assert night[-1].background_e > 2.5 * np.median([truth.background_e for truth in night])
    with pytest.raises(ValueError, match="15 frames asked for, at least 16 are needed"):
        make_night(CAMERA, kind="rough", frames=15, rng=np.random.default_rng(4))


def test_the_same_seed_gives_the_same_night() -> None:
    nights = [
        make_night(CAMERA, kind="rough", frames=20, rng=np.random.default_rng(seed))
        for seed in (5, 5, 6)
    ]
    assert nights[0] == nights[1]
    assert nights[0] != nights[2]


def test_cloud_dims_its_frames_only() -> None:
    night = events.passing_cloud(
        plain_night(9), first=3, frames=3, light_kept=0.4, background_factor=1.5
    )
    transparency = [truth.transparency for truth in night]
    assert transparency[:3] + transparency[6:] == [1] * 6
    assert transparency[4] == pytest.approx(0.4)
    assert 0.4 < transparency[3] == pytest.approx(transparency[5])
    assert night[4].background_e == pytest.approx(75)


def test_focus_slips_and_is_put_right() -> None:
    night = events.slipping_focus(plain_night(6), first=2, last=4, defocus_px=6.0)
    assert [truth.star.defocus_px for truth in night] == pytest.approx([0, 0, 2, 4, 6, 0])


def test_gust_trails_one_frame() -> None:
    night = events.gust(plain_night(3), index=1, trail_px=5.0, angle_deg=90.0)
    assert night[1].star.trail_x_px == pytest.approx(0, abs=1e-9)
    assert night[1].star.trail_y_px == pytest.approx(5)
    assert night[0] == plain_night(3)[0]


def test_bump_displaces_what_follows() -> None:
    night = events.bump(plain_night(4), index=1, distance_px=5.0, angle_deg=0.0, before=0.6)
    assert night[1].star.bump_x_px == pytest.approx(5)
    assert [truth.shift_x_px for truth in night] == pytest.approx([0, 2, 5, 5])
    assert night[2].star == plain_night(4)[2].star


def test_lamp_and_dawn_raise_the_background() -> None:
    lit = events.passing_light(plain_night(3), index=1, background_factor=3.0, gradient_x=0.4)
    assert [truth.background_e for truth in lit] == pytest.approx([50, 150, 50])
    assert lit[1].gradient_x == pytest.approx(0.4)
    dawn = events.brightening_sky(plain_night(5), first=2, factor_at_end=4.0)
    assert [truth.background_e for truth in dawn] == pytest.approx([50, 50, 50, 100, 200])


def test_cards_say_what_is_known_and_nothing_else() -> None:
    truth = plain_night(1)[0]
    header = frame_header(truth, CAMERA, object_name="test field", more={"SITELAT": 45.0})
    assert header["DATE-OBS"] == "2031-01-01T20:30:05.250"
    assert header["EXPTIME"] == 8.0
    assert header["EGAIN"] == 0.75
    assert header["OBJECT"] == "test field"
    assert header["SITELAT"] == 45.0
    for absent in ("CCD-TEMP", "FOCPOS", "BAYERPAT"):
        assert absent not in header
    mosaic = Camera(shape=(4, 4), bayer_pattern="GBRG")
    assert frame_header(truth, mosaic, object_name="x")["BAYERPAT"] == "GBRG"


def test_start_is_written_in_utc() -> None:
    east = timezone(timedelta(hours=2))
    truth = FrameTruth(
        start_utc=datetime(2031, 1, 1, 1, 30, tzinfo=east),
        exposure_s=8.0,
        star=StarShape(fwhm_px=2.5),
    )
    header = frame_header(truth, CAMERA, object_name="x")
    assert header["DATE-OBS"] == "2030-12-31T23:30:00.000"


def write(folder: Path, suffixes: dict[int, str] | None = None, frames: int = 3) -> list[Path]:
    rng = np.random.default_rng(8)
    field = draw_star_field(CAMERA.shape, count=10, rng=rng)
    return write_night(
        folder,
        field=field,
        night=plain_night(frames),
        camera=CAMERA,
        rng=rng,
        object_name="Test field A",
        suffixes=suffixes,
    )


def test_encodings_hold_the_same_pixels(tmp_path: Path) -> None:
    plain = write(tmp_path / "plain")
    mixed = write(tmp_path / "mixed", {2: ".fits.gz", 3: ".fits.fz"})
    assert [path.name for path in mixed] == [
        "test-field-a_0001.fits",
        "test-field-a_0002.fits.gz",
        "test-field-a_0003.fits.fz",
    ]
    for one, other, extension in zip(plain, mixed, (0, 0, 1), strict=True):
        np.testing.assert_array_equal(fits.getdata(one), fits.getdata(other, extension))
        assert fits.getval(other, "DATE-OBS", extension) == fits.getval(one, "DATE-OBS")
    assert fits.getdata(plain[0]).dtype == np.uint16
    assert mixed[1].read_bytes()[:2] == b"\x1f\x8b"


def test_files_are_the_same_to_the_byte_and_do_not_depend_on_later_frames(
    tmp_path: Path,
) -> None:
    suffixes = {1: ".fits.gz", 2: ".fits.fz"}
    once, again = write(tmp_path / "a", suffixes), write(tmp_path / "b", suffixes)
    longer = write(tmp_path / "c", suffixes, frames=5)
    for first, second, third in zip(once, again, longer[:3], strict=True):
        assert first.read_bytes() == second.read_bytes() == third.read_bytes()
