"""Which frames of a folder belong together, and which are set aside."""

from dataclasses import replace

import numpy as np
import pytest

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.night import Night, NightSnapshot
from starwinnow.runs import split_night
from starwinnow.settings import Settings
from starwinnow.stars import Stars

from .made_up import SHAPE, Sight, Sky, draw_sky, measures, see


def sky_of(seed: int) -> Sky:
    return draw_sky(np.random.default_rng(seed), 1200)


def frame(
    number: int, sky: Sky, *, sight: Sight | None = None, name: str = "", **card: object
) -> FrameMeasures:
    """A frame that starts 10 s times its number into the night."""
    stars = see(sky, sight or Sight(), np.random.default_rng(800_000 + number))
    made = measures(number, stars)
    file_name = name or made.file_name
    return replace(made, file_name=file_name, capture=replace(made.capture, **card))


def starless(number: int, **card: object) -> FrameMeasures:
    # a level of its own, as noise gives every exposure
    made = replace(frame(number, sky_of(1), **card), background_adu=500 + 1e-3 * number)
    return replace(
        made,
        stars=Stars.empty(),
        star_count=0,
        profile=None,
        fwhm_px=np.nan,
        nea_px=np.nan,
        flags=FrameFlag.NO_STARS | FrameFlag.FEW_STARS,
    )


def runs_of(*frames: FrameMeasures) -> list[set[int]]:
    runs, _ = split_night(frames, {})
    return [{int(one.file_name[6:9]) for one in run.frames} for run in runs]


def snapshot_of(*frames: FrameMeasures) -> NightSnapshot:
    night = Night()
    for one in frames:
        night.add(one)
    return night.snapshot(Settings())


A, B = sky_of(810_001), sky_of(810_002)


def test_two_fields_of_the_same_settings_are_two_runs_each_with_its_reference() -> None:
    frames = [frame(n, A) for n in range(5)] + [frame(n, B) for n in range(5, 12)]
    assert runs_of(*frames) == [set(range(5)), set(range(5, 12))]
    assert runs_of(*reversed(frames)) == [set(range(5)), set(range(5, 12))]
    snapshot = snapshot_of(*frames)
    references = [run.reference.file for run in snapshot.runs if run.reference is not None]
    assert [int(name[6:9]) >= 5 for name in references] == [False, True]
    assert all(row.rank is not None for row in snapshot.rows)


def test_a_field_looked_at_twice_is_one_run() -> None:
    frames = [frame(n, A) for n in (0, 1, 2)] + [frame(n, B) for n in (3, 4, 5)]
    frames += [frame(n, A, sight=Sight(shift=(300.0, 0.0), turn_deg=180.0)) for n in (6, 7, 8)]
    assert runs_of(*frames) == [{0, 1, 2, 6, 7, 8}, {3, 4, 5}]


def test_strays_stay_with_the_run_that_is_nearest_in_time() -> None:
    c = sky_of(810_003)
    frames = [frame(n, A) for n in range(4)] + [frame(n, B) for n in range(10, 14)]
    strays = [frame(5, c), frame(9, c), starless(12 + 4), starless(4)]
    assert runs_of(*frames, *strays) == [{0, 1, 2, 3, 4, 5}, {9, 10, 11, 12, 13, 16}]
    rows = {row.file: row for row in snapshot_of(*frames, *strays).rows}
    assert rows["frame_009.fits"].causes == ("other-field",)
    assert rows["frame_016.fits"].causes == ("few-stars",)
    assert rows["frame_016.fits"].note == (
        "no usable star: no star figures; the file does not say whether it is a light frame, a"
        " dark, flat or bias"
    )


def test_strays_without_a_time_go_to_the_largest_run() -> None:
    frames = [frame(n, A) for n in range(3)] + [frame(n, B) for n in range(10, 14)]
    assert runs_of(*frames, starless(20, start_utc=None)) == [{0, 1, 2}, {10, 11, 12, 13, 20}]


def test_three_frames_of_another_field_are_a_run_and_two_are_not() -> None:
    frames = [frame(n, A) for n in range(6)]
    assert runs_of(*frames, *(frame(n, B) for n in (7, 8))) == [{0, 1, 2, 3, 4, 5, 7, 8}]
    assert runs_of(*frames, *(frame(n, B) for n in (7, 8, 9))) == [set(range(6)), {7, 8, 9}]


def test_frames_too_poor_to_be_placed_do_not_part_a_field() -> None:
    dim = [frame(n, A, sight=Sight(transparency=0.01, noise_adu=30.0)) for n in range(4)]
    clear = [frame(n, A) for n in range(4, 9)]
    assert runs_of(*dim, *clear) == [set(range(9))]


def test_a_pointing_off_the_field_does_not_take_the_next_frames_with_it() -> None:
    """The first frame shares stars with the next three only, these with all others."""
    off = frame(0, A, sight=Sight(shift=(2300.0, 0.0), transparency=0.7))
    near = [frame(n, A, sight=Sight(shift=(1300.0 - 50 * n, 0.0))) for n in (1, 2, 3)]
    frames = [off, *near, *(frame(n, A) for n in range(4, 12))]
    assert runs_of(*frames) == [set(range(12))]
    rows = snapshot_of(*frames).rows
    assert [row.file for row in rows if row.rank is None] == ["frame_000.fits"]


def test_frames_without_times_are_parted_by_their_fields_all_the_same() -> None:
    frames = [frame(n, A if n % 2 else B, start_utc=None) for n in range(10)]
    assert runs_of(*frames) == [{0, 2, 4, 6, 8}, {1, 3, 5, 7, 9}]


def test_drift_that_leaves_the_reference_stays_one_run() -> None:
    frames = [frame(n, A, sight=Sight(shift=(100.0 * n, 40.0 * n))) for n in range(12)]
    assert runs_of(*frames) == [set(range(12))]


def test_a_mosaic_and_a_grey_image_are_two_runs() -> None:
    frames = [frame(n, A, bayer_pattern="RGGB" if n > 2 else None) for n in range(6)]
    assert runs_of(*frames) == [{0, 1, 2}, {3, 4, 5}]


def test_a_mirrored_field_is_a_run_that_says_so() -> None:
    def mirrored(one: FrameMeasures) -> FrameMeasures:
        return replace(one, stars=replace(one.stars, x_px=SHAPE[1] - 1 - one.stars.x_px))

    frames = [frame(n, A) for n in range(4)] + [mirrored(frame(n, A)) for n in range(4, 7)]
    first, second = snapshot_of(*frames).runs
    assert first.note == ""
    assert second.note.startswith("a mirror image of frame_00")
    assert "flip the frames of one of the two runs" in second.note


def test_the_same_pixels_count_once_whatever_name_and_header_say() -> None:
    frames = [frame(n, A) for n in range(4)]
    copy = replace(frames[1], file_name="frame_101.fits")
    later = replace(frames[2], file_name="frame_102.fits", capture=frames[3].capture)
    snapshot = snapshot_of(*frames, copy, later)
    assert snapshot.runs[0].frames == 4
    assert snapshot.runs[0].collected_s == 32.0
    rows = {row.file: row for row in snapshot.rows}
    for name, first in (("frame_101.fits", "frame_001"), ("frame_102.fits", "frame_002")):
        assert rows[name].causes == ("duplicate",)
        assert rows[name].verdict == "not-scored"
        assert rows[name].note == f"the same pixels as {first}.fits, which counts"
    assert not {row.file for row in snapshot.kept()} & {"frame_101.fits", "frame_102.fits"}


def test_when_the_first_of_two_copies_is_gone_the_other_counts() -> None:
    one = frame(1, A)
    night = Night()
    night.add(one)
    night.add(replace(one, file_name="copy.fits"))
    night.add_unreadable(one.file_name, "it is torn")
    assert [row.file for row in night.snapshot(Settings()).kept()] == ["copy.fits"]


@pytest.mark.parametrize(
    ("name", "aside"),
    [
        ("dark_003.fits", True),
        ("2031-10-14_Flats-L_01.fit", True),
        ("my bias.fits", True),
        ("frame_003.fits", False),
        ("flatiron_003.fits", False),
        ("darkwater.fits", False),
    ],
)
def test_a_silent_header_and_no_star_are_no_dark_unless_the_name_says_so(
    name: str, aside: bool
) -> None:
    odd = replace(starless(3), file_name=name)
    snapshot = snapshot_of(*(frame(n, A) for n in range(3)), odd)
    (row,) = [row for row in snapshot.rows if row.file == name]
    assert (row.causes == ("not-light",)) == aside
    assert (row.run is None) == aside


def test_a_name_counts_for_nothing_where_there_are_stars_or_the_header_says_light() -> None:
    named = frame(3, A, name="dark nebula.fits")
    cloudy = replace(starless(4, image_type="light"), file_name="dark nebula 2.fits")
    snapshot = snapshot_of(*(frame(n, A) for n in range(3)), named, cloudy)
    assert all(row.run == 1 for row in snapshot.rows)


def test_a_run_is_named_by_what_most_headers_call_the_target() -> None:
    frames = [frame(n, A, object_name="Reeds" if n else "focus") for n in range(4)]
    assert [run.target for run in snapshot_of(*frames).runs] == ["Reeds"]
    assert [run.target for run in snapshot_of(frame(0, A)).runs] == [None]


def test_nothing_usable() -> None:
    assert split_night([], {}) == ([], [])
    (run,) = snapshot_of(*(starless(n) for n in range(3))).runs
    assert run.gain.scored == 0
    assert run.reference is None


def test_worth_counts_the_area_shared_with_the_reference_and_weight_does_not() -> None:
    """A frame as good as the others that has drifted by half a frame."""
    frames = [frame(n, A) for n in range(6)]
    frames.append(frame(6, A, sight=Sight(shift=(SHAPE[1] / 2, 0.0))))
    snapshot = snapshot_of(*frames)
    row = next(row for row in snapshot.rows if row.file == "frame_006.fits")
    assert row.overlap == pytest.approx(0.5, abs=0.001)
    assert row.worth_s == pytest.approx(4.0, rel=0.05)
    assert row.weight == pytest.approx(1.0, rel=0.05)
    assert (row.rank, row.kept) == (7, True)
    assert "sees 50 % of the reference's area" in row.note
