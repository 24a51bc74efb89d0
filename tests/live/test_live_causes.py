"""Causes named while the night runs: from the frames so far, at a bounded cost."""

import pytest

from starwinnow.flags import FrameFlag
from starwinnow.live_causes import RECENT_FRAMES
from starwinnow.live_night import LiveNight
from starwinnow.live_session import FeedRule
from starwinnow.night import Night
from starwinnow.settings import Settings

from .night_frames import made_frame

QUIET = 25


@pytest.fixture(scope="module")
def quiet_night() -> LiveNight:
    night = LiveNight("garden", Settings())
    for number in range(QUIET):
        night.add(made_frame(number))
    return night


@pytest.mark.parametrize(
    ("figures", "cause"),
    [
        ({"fwhm_px": 4.0, "flags": FrameFlag.DOUBLED}, "knocked"),
        ({"noise_adu": 15.0}, "bright-sky"),
        ({"light": 0.6}, "cloud"),
        ({}, None),
    ],
)
def test_a_trouble_is_named_at_once_and_as_score_names_it(quiet_night, figures, cause) -> None:
    frame = made_frame(QUIET, **figures)
    (live, *_) = quiet_night.add(frame)
    batch = Night()
    for number in range(QUIET):
        batch.add(made_frame(number))
    batch.add(frame)
    row = next(r for r in batch.snapshot(Settings()).rows if r.file == frame.file_name)
    assert live.causes == row.causes
    codes = {code for one in live.causes for code in one.split("|")}
    assert (cause in codes) if cause else not codes
    if cause:
        assert cause in live.note
        assert not FeedRule(all_but=frozenset({"mask-on", cause})).passes(live)
    quiet_night.forget(frame.file_name)


def test_a_review_of_the_run_keeps_the_causes() -> None:
    night = LiveNight("garden", Settings())
    for number in range(QUIET):
        night.add(made_frame(number))
    knocked = made_frame(QUIET, fwhm_px=4.0, flags=FrameFlag.DOUBLED)
    night.add(knocked)
    night.runs[0].review()
    assert "knocked" in night.runs[0].judged[knocked.file_name].causes


def test_only_the_latest_frames_are_remembered_with_their_stars() -> None:
    night = LiveNight("garden", Settings())
    for number in range(RECENT_FRAMES + 20):
        night.add(made_frame(number))
    assert len(night.runs[0]._causes._recent) == RECENT_FRAMES
