"""A night grows in any order, splits into runs and gives every file a row."""

import itertools
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from starwinnow import measuring as measuring_module
from starwinnow.errors import UnreadableFrameError
from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.measuring import measure_files
from starwinnow.night import FrameRow, Night, NightSnapshot
from starwinnow.settings import Settings
from starwinnow.stars import Stars
from starwinnow.store import NightStore, Unreadable

NAN = float("nan")
START = datetime(2024, 3, 9, 21, 0, tzinfo=UTC)
SHAPE = (400, 600)


def made_stars(light: float, noise_adu: float, shift_px: float, field: int) -> Stars:
    """The same 60 stars of a field, dimmed and shifted."""
    rng = np.random.default_rng(field)
    x, y = rng.uniform(20, 560, 60), rng.uniform(20, 380, 60)
    flux = light * np.sort(rng.uniform(20_000, 90_000, 60))[::-1]
    error = np.full(60, 6.5 * noise_adu)
    position_error = 1.3 * error / flux
    flat = np.full(60, 1.0)
    return Stars(
        x_px=x + shift_px,
        y_px=y - shift_px,
        x_err_px=position_error,
        y_err_px=position_error,
        flux_adu=flux,
        flux_err_adu=error,
        peak_adu=flux / 10,
        fwhm_px=3 * flat,
        fwhm_err_px=0.1 * flat,
        hfr_px=1.7 * flat,
        hfr_err_px=0.1 * flat,
        axis_ratio=0.95 * flat,
        axis_ratio_err=0.05 * flat,
        trail_deg=0 * flat,
        flags=np.zeros(60, np.int32),
    )


def made_frame(
    number: int, *, light: float = 1.0, noise_adu: float = 10.0, field: int = 1, **card: object
) -> FrameMeasures:
    capture = Capture(
        start_utc=START + timedelta(seconds=10 * number),
        exposure_s=8.0,
        filter_name="L",
        image_type="light",
        binning_x=1,
        binning_y=1,
        scale_arcsec=1.6,
    )
    return FrameMeasures(
        file_name=f"frame-{number:02d}.fits",
        shape=SHAPE,
        capture=replace(capture, **card),
        background_adu=1000.0,
        background_err_adu=0.1,
        noise_adu=noise_adu,
        star_count=60,
        fwhm_px=3.0,
        fwhm_err_px=0.02,
        hfr_px=1.7,
        hfr_err_px=0.02,
        axis_ratio=0.95,
        axis_ratio_err=0.01,
        trail_deg=0.0,
        trail_err_deg=5.0,
        nea_px=30.0,
        nea_err_px=0.5,
        profile=StarProfile(fwhm_px=2.8, stretch1=0.05, stretch2=0.0, beta=3.5, radius_px=9.0),
        stars=made_stars(light, noise_adu, 0.7 * number, field),
        average_star=np.zeros((33, 33), np.float32),
        average_star_err=np.ones((33, 33), np.float32),
        thumbnail=np.zeros((53, 80), np.uint8),
        flags=FrameFlag(0),
    )


def without_stars(number: int) -> FrameMeasures:
    empty = np.empty((0, 0), np.float32)
    return replace(
        made_frame(number),
        star_count=0,
        fwhm_px=NAN,
        fwhm_err_px=NAN,
        hfr_px=NAN,
        hfr_err_px=NAN,
        axis_ratio=NAN,
        axis_ratio_err=NAN,
        trail_deg=NAN,
        trail_err_deg=NAN,
        nea_px=NAN,
        nea_err_px=NAN,
        profile=None,
        stars=Stars.empty(),
        average_star=empty,
        average_star_err=empty,
        flags=FrameFlag.NO_STARS,
    )


def snapshot_of(*frames: FrameMeasures, unreadable: tuple[str, ...] = ()) -> NightSnapshot:
    night = Night()
    for frame in frames:
        night.add(frame)
    for name in unreadable:
        night.add_unreadable(name, "it is torn")
    return night.snapshot(Settings())


def row_of(snapshot: NightSnapshot, name: str) -> FrameRow:
    (row,) = [row for row in snapshot.rows if row.file == name]
    return row


def mixed_frames() -> list[FrameMeasures]:
    lights = [1.0, 0.95, 0.4, 0.9, 1.0, 0.8]
    frames = [made_frame(i, light=light) for i, light in enumerate(lights)]
    frames += [made_frame(i, filter_name="Ha", light=0.9 + 0.01 * i) for i in (20, 21, 22)]
    frames.append(made_frame(30, image_type="dark"))
    frames.append(made_frame(6, field=2))
    frames.append(without_stars(7))
    return frames


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(12)), unreadable_first=st.booleans())
def test_the_result_does_not_depend_on_the_order_of_adding(order, unreadable_first) -> None:
    frames = mixed_frames()
    expected = snapshot_of(*frames, unreadable=("torn.fits",))
    night = Night()
    if unreadable_first:
        night.add_unreadable("torn.fits", "it is torn")
    for step, index in enumerate(order):
        night.add(frames[index])
        if step == 5:
            night.snapshot(Settings())
    if not unreadable_first:
        night.add_unreadable("torn.fits", "it is torn")
    # repr, because NaN does not equal itself.
    assert repr(night.snapshot(Settings())) == repr(expected)


def test_every_file_has_a_row_in_time_order_and_those_without_time_come_last() -> None:
    frames = [
        made_frame(3),
        made_frame(1),
        replace(made_frame(9, start_utc=None), file_name="b.fits"),
        replace(made_frame(0, date_only=True), file_name="a.fits"),
    ]
    snapshot = snapshot_of(*frames, unreadable=("c.fits",))
    assert [row.file for row in snapshot.rows] == [
        "frame-01.fits", "frame-03.fits", "a.fits", "b.fits", "c.fits",
    ]  # fmt: skip
    assert row_of(snapshot, "a.fits").start_utc is None
    assert "a date only, 2024-03-09" in row_of(snapshot, "a.fits").note


@pytest.mark.parametrize(
    "other",
    [
        {"filter_name": "Ha"},
        {"filter_name": None},
        {"exposure_s": 16.0},
        {"exposure_s": None},
        {"binning_x": 2, "binning_y": 2},
    ],
)
def test_runs_part_by_filter_exposure_and_binning(other) -> None:
    frames = [made_frame(i) for i in (5, 6, 7)] + [made_frame(i, **other) for i in (1, 2, 3)]
    snapshot = snapshot_of(*frames)
    assert [run.frames for run in snapshot.runs] == [3, 3]
    assert [row.run for row in snapshot.rows] == [1, 1, 1, 2, 2, 2]


def test_runs_part_by_image_size_but_not_by_rounding_of_the_exposure() -> None:
    frames = [
        made_frame(1),
        made_frame(2, exposure_s=8.0004),
        replace(made_frame(3), shape=(400, 601)),
    ]
    snapshot = snapshot_of(*frames)
    assert [row.run for row in snapshot.rows] == [1, 1, 2]
    assert snapshot.runs[0].collected_s == pytest.approx(16.0004)


@pytest.mark.parametrize("kind", ["dark", "flat", "bias"])
def test_frames_that_do_not_look_at_the_sky_are_named_and_not_scored(kind) -> None:
    snapshot = snapshot_of(made_frame(1), made_frame(2), made_frame(3, image_type=kind))
    row = row_of(snapshot, "frame-03.fits")
    assert (row.run, row.rank, row.verdict, row.causes) == (
        None,
        None,
        "not-scored",
        ("not-light",),
    )
    assert row.note == f"a {kind} frame: it does not look at the sky"
    assert snapshot.runs[0].frames == 2


def test_a_frame_without_image_type_counts_as_light() -> None:
    assert row_of(snapshot_of(made_frame(1, image_type=None)), "frame-01.fits").run == 1


def test_unreadable_files_have_a_row_with_the_reason() -> None:
    snapshot = snapshot_of(made_frame(1), unreadable=("torn.fits", "bad.fits"))
    row = row_of(snapshot, "torn.fits")
    assert (row.verdict, row.causes, row.note) == ("not-scored", ("unreadable",), "it is torn")
    assert [item.name for item in snapshot.unreadable] == ["bad.fits", "torn.fits"]


def test_rows_carry_what_was_measured_and_what_it_is_worth() -> None:
    """Transparency of frames made from the same stars is known; worth follows T^2/(s^2 NEA)."""
    frames = [made_frame(i) for i in range(5)]
    frames += [made_frame(5, light=0.5), made_frame(6, noise_adu=20.0)]
    snapshot = snapshot_of(*frames)
    (run,) = snapshot.runs
    assert run.reference is not None
    dim, noisy = row_of(snapshot, "frame-05.fits"), row_of(snapshot, "frame-06.fits")
    assert dim.transparency == pytest.approx(0.5 * run.reference.transparency, rel=0.01)
    assert dim.worth_s == pytest.approx(8.0 * 0.25, rel=0.05)
    assert noisy.worth_s == pytest.approx(8.0 * 0.25, rel=0.05)
    assert dim.dx_px - run.reference.dx_px == pytest.approx(
        0.7 * (5 - int(run.reference.file[6:8])), abs=0.1
    )
    assert dim.fwhm_arcsec == pytest.approx(4.8)
    assert [row.rank for row in snapshot.ranked(1)] == list(range(1, 8))
    worths = [row.worth_s for row in snapshot.ranked(1)]
    assert worths == sorted(worths, reverse=True)
    assert sum(run.verdicts.values()) == 7
    assert run.gain.all_worth_s == pytest.approx(sum(worths))
    assert {row.file for row in snapshot.kept()} == {row.file for row in snapshot.rows if row.kept}


def test_another_field_is_told_and_does_not_spoil_the_run() -> None:
    frames = [made_frame(i) for i in range(6)] + [made_frame(6, field=2)]
    snapshot = snapshot_of(*frames)
    stranger = row_of(snapshot, "frame-06.fits")
    assert stranger.causes == ("other-field",)
    assert stranger.rank is None
    assert np.isnan(stranger.dx_px)
    assert snapshot.runs[0].gain.scored == 6


def test_a_frame_without_stars_is_not_scored_and_says_why() -> None:
    snapshot = snapshot_of(*[made_frame(i) for i in range(5)], without_stars(5))
    row = row_of(snapshot, "frame-05.fits")
    assert (row.verdict, row.rank, row.stars) == ("not-scored", None, 0)
    assert row.note


def test_a_run_without_exposure_times_counts_reference_frames() -> None:
    snapshot = snapshot_of(*[made_frame(i, exposure_s=None) for i in range(4)])
    (run,) = snapshot.runs
    assert not run.worth_in_seconds
    assert np.isnan(run.collected_s)
    assert row_of(snapshot, "frame-00.fits").worth_s == pytest.approx(1.0, rel=0.05)


def test_adding_a_name_again_replaces_it() -> None:
    night = Night()
    for i in range(5):
        night.add(made_frame(i))
    night.snapshot(Settings())
    night.add(made_frame(2, light=0.5))
    night.add_unreadable("frame-03.fits", "it is torn now")
    changed = night.snapshot(Settings())
    expected = [made_frame(i, light=0.5 if i == 2 else 1.0) for i in (0, 1, 2, 4)]
    fresh = Night()
    for frame in expected:
        fresh.add(frame)
    fresh.add_unreadable("frame-03.fits", "it is torn now")
    assert repr(changed) == repr(fresh.snapshot(Settings()))


def test_an_empty_night_has_no_rows() -> None:
    assert snapshot_of() == NightSnapshot(settings=Settings(), rows=(), runs=(), unreadable=())


class Measuring:
    """Stands in for reading and measuring, and counts how often it was asked."""

    def __init__(self) -> None:
        self.names: list[str] = []

    def read(self, path: Path, **_: bool) -> Frame:
        if path.read_bytes() == b"torn":
            raise UnreadableFrameError(f"{path.name}: it is\n torn")
        return Frame(path=path, pixels=np.zeros((16, 16), np.uint16), capture=Capture())

    def measure(self, frame: Frame) -> FrameMeasures:
        self.names.append(frame.path.name)
        return replace(made_frame(1), file_name=frame.path.name)


@pytest.fixture
def measuring(monkeypatch) -> Measuring:
    stand_in = Measuring()
    monkeypatch.setattr(measuring_module, "read_frame", stand_in.read)
    monkeypatch.setattr(measuring_module, "measure", stand_in.measure)
    return stand_in


def test_unchanged_files_are_not_measured_again_and_changed_ones_are(tmp_path, measuring) -> None:
    paths = [tmp_path / f"{name}.fits" for name in "abc"]
    for path in paths:
        path.write_bytes(b"one")
    with NightStore(tmp_path / "night.sqlite") as store:
        first = list(measure_files(paths, store))
    assert measuring.names == ["a.fits", "b.fits", "c.fits"]
    paths[1].write_bytes(b"other")
    with NightStore(tmp_path / "night.sqlite") as store:
        second = list(measure_files(paths, store))
    assert measuring.names == ["a.fits", "b.fits", "c.fits", "b.fits"]
    for a, b in zip(first, second, strict=True):
        assert isinstance(a, FrameMeasures)
        assert isinstance(b, FrameMeasures)
        assert a.file_name == b.file_name


def test_work_done_before_a_stop_is_kept(tmp_path, measuring) -> None:
    paths = [tmp_path / f"{name}.fits" for name in "abcd"]
    for path in paths:
        path.write_bytes(b"one")
    with NightStore(tmp_path / "night.sqlite") as store:
        list(itertools.islice(measure_files(paths, store), 2))
    with NightStore(tmp_path / "night.sqlite") as store:
        list(measure_files(paths, store))
    assert measuring.names == ["a.fits", "b.fits", "c.fits", "d.fits"]


def test_files_that_cannot_be_read_are_results_with_a_one_line_reason(tmp_path, measuring) -> None:
    torn, gone = tmp_path / "torn.fits", tmp_path / "gone.fits"
    odd = tmp_path / "odd\nname.fits"
    torn.write_bytes(b"torn")
    odd.write_bytes(b"one")
    with NightStore(tmp_path / "night.sqlite") as store:
        results = list(measure_files([torn, gone, odd], store))
        torn.write_bytes(b"mended")
        (mended,) = measure_files([torn], store)
    assert results == [
        Unreadable(name="torn.fits", reason="it is torn"),
        Unreadable(name="gone.fits", reason="cannot be opened (No such file or directory)"),
        Unreadable(
            name="odd\\nname.fits",
            reason="its name holds characters that are no text; rename the file",
        ),
    ]
    assert isinstance(mended, FrameMeasures)
