"""Why light is lost, and brighter sky, told over runs of frames."""

import math

import numpy as np
import pytest

from .made_runs import Made, causes, codes, quiet, spoilt, told

HUMP = range(12, 32)


def hazy(row: int) -> float:
    """Light through haze that comes and goes slowly."""
    return math.exp(-0.3 * math.sin(math.pi * (row - 11) / 21) ** 2)


def dewed(made: list[Made], first: int, count: int) -> list[Made]:
    """A film that grows: part of what it takes comes back as halo, the rest is lost."""
    return spoilt(
        made,
        range(first, first + count),
        dew_part=lambda row: 0.015 * (row - first + 1),
        light=lambda row: 1 - 0.02 * (row - first + 1),
    )


def without(rows: range, count: int = 40) -> list[int]:
    return [row for row in range(count) if row not in rows]


def test_dew_is_slow_and_has_a_halo() -> None:
    diagnosis = told(dewed(quiet(40), 16, 18))
    assert codes(diagnosis, range(17, 34)) == ["dew"] * 17
    assert not any("dew" in found for found in causes(diagnosis)[:15] + causes(diagnosis)[34:])
    for row in range(20, 34):
        frame = diagnosis.frames[row]
        assert frame.causes[0].loss == pytest.approx(frame.loss, rel=0.15, abs=0.05)


def test_haze_is_slow_and_has_none() -> None:
    diagnosis = told(spoilt(quiet(40), HUMP, light=hazy))
    assert codes(diagnosis, range(15, 28)) == ["haze"] * 13
    for row in range(15, 28):
        # Light counts twice in worth.
        assert diagnosis.frames[row].causes[0].loss == pytest.approx(
            -2 * math.log(hazy(row)), abs=0.05
        )
    assert set(codes(diagnosis, without(HUMP))) <= {"", "soft-seeing"}


def test_a_halo_that_was_there_all_night_is_not_dew() -> None:
    """A little dust on the lens in every frame, and haze."""
    made = spoilt(spoilt(quiet(40), range(40), dew_part=0.08), HUMP, light=hazy)
    assert codes(told(made), range(15, 28)) == ["haze"] * 13


def test_light_that_jumps_is_a_cloud() -> None:
    left = [0.8, 0.5, 0.7, 0.4, 0.75, 0.6]
    diagnosis = told(spoilt(quiet(40), range(20, 26), light=lambda row: left[row - 20]))
    assert codes(diagnosis, range(20, 26)) == ["cloud"] * 6
    assert set(codes(diagnosis, without(range(20, 26)))) <= {"", "soft-seeing"}


def test_a_slope_across_the_frame_is_a_cloud() -> None:
    """As slow as the haze above; its edge lies across the field."""
    slope = spoilt(quiet(40), HUMP, light=hazy)
    slope = spoilt(slope, range(17, 27), slope=0.25)
    assert codes(told(slope), range(15, 28)) == ["cloud"] * 13


def test_a_few_frames_without_a_mark_may_be_either() -> None:
    made = spoilt(quiet(40), range(20, 22), light=lambda row: 0.97 - 0.005 * (row - 20))
    assert set(codes(told(made), range(20, 22))) <= {"cloud|haze", "cloud"}


@pytest.mark.parametrize("noise", [1.08, 1.3, 2.0])
def test_brighter_sky_leaves_the_light_as_it_was(noise: float) -> None:
    diagnosis = told(spoilt(quiet(40), range(20, 30), noise=noise))
    assert codes(diagnosis, range(20, 30)) == ["bright-sky"] * 10
    for row in range(20, 30):
        # Variance counts in worth.
        assert diagnosis.frames[row].causes[0].loss == pytest.approx(2 * math.log(noise), abs=0.04)
    assert set(codes(diagnosis, without(range(20, 30)))) <= {"", "soft-seeing"}


def test_less_noise_is_no_trouble() -> None:
    made = spoilt(quiet(40, seeing_scatter=0.005), range(20, 30), noise=0.8)
    assert not set.union(*causes(told(made)))


def test_more_light_is_no_trouble() -> None:
    made = spoilt(quiet(40, seeing_scatter=0.005), range(20, 30), light=1.15)
    assert not set.union(*causes(told(made)))


def test_a_cloud_that_is_lit_from_below_bears_its_noise_itself() -> None:
    left = [0.8, 0.5, 0.7, 0.4, 0.75, 0.6]
    made = spoilt(quiet(40), range(20, 26), light=lambda row: left[row - 20], noise=1.2)
    diagnosis = told(made)
    assert codes(diagnosis, range(20, 26)) == ["cloud"] * 6
    assert diagnosis.frames[21].causes[0].loss == pytest.approx(
        2 * math.log(2) + 2 * math.log(1.2), abs=0.08
    )


@pytest.mark.parametrize(
    ("pair", "changes"),
    [
        ("bright-sky+haze", {"noise": 1.3}),
        ("haze+out-of-focus", {"waves": 0.6}),
        ("haze+soft-seeing", {"wider": 1.3}),
        ("haze+trailed", {"trail_px": (4.0, 1.0)}),
    ],
)
def test_haze_and_something_else_at_once(pair: str, changes: dict[str, object]) -> None:
    made = spoilt(quiet(40), HUMP, light=hazy)
    made = spoilt(made, range(17, 26), **changes)
    diagnosis = told(made)
    assert codes(diagnosis, range(17, 26)) == [pair] * 9
    assert codes(diagnosis, [15, 16]) == ["haze"] * 2
    for row in range(17, 26):
        frame = diagnosis.frames[row]
        assert sum(one.loss for one in frame.causes) == pytest.approx(frame.loss, abs=0.15)


def test_dew_under_a_brighter_sky() -> None:
    made = spoilt(dewed(quiet(40), 12, 18), range(18, 30), noise=1.4)
    assert codes(told(made), range(18, 30)) == ["bright-sky+dew"] * 12


def test_a_knock_that_throws_light_out_of_the_star_is_no_cloud() -> None:
    """Of two images the farther one lies outside the measuring radius: its light is missed."""
    made = spoilt(quiet(40), [20], knock=(9.0, 4.0, 0.35))
    frame = told(made).frames[20]
    assert [one.code for one in frame.causes] == ["knocked"]
    assert frame.loss > 0.3
    assert np.isclose(frame.causes[0].loss, frame.loss, atol=0.25)
