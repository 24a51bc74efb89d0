"""An episode is told in one sentence: when, what, how much, what it cost, what to do."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from starwinnow.diagnosis import Episode
from starwinnow_cli.happenings import episode_text

START = datetime(2026, 3, 14, 21, 46, 10, tzinfo=UTC)
CREPT = Episode(
    cause="out-of-focus",
    first_file="light_0041.fits",
    last_file="light_0102.fits",
    start_utc=START,
    end_utc=START + timedelta(minutes=17),
    frames=62,
    size="HFR 2.1 to 2.8 px while it cooled 2.4 C",
    cost_s=366.0,
    exposed_s=540.0,
    advice="Refocus after each 1.5 C.",
)


@pytest.fixture(autouse=True)
def at_greenwich(monkeypatch) -> None:
    monkeypatch.setattr("starwinnow_cli.happenings.local_time", lambda utc: f"{utc:%H:%M:%S}")


def told(**changes: object) -> str:
    return " ".join(episode_text(replace(CREPT, **changes), in_seconds=True).split())


def test_when_what_how_much_what_it_cost_and_what_to_do() -> None:
    assert told() == (
        "21:46-22:03 out of focus: HFR 2.1 to 2.8 px while it cooled 2.4 C; "
        "cost 6.1 of 9.0 min. Refocus after each 1.5 C."
    )


def test_what_took_less_than_a_minute_has_one_time() -> None:
    assert told(end_utc=START + timedelta(seconds=20)).startswith("21:46 out of focus: ")


def test_without_times_the_first_frame_is_named() -> None:
    text = told(start_utc=None, end_utc=None)
    assert text.startswith("62 frames from light_0041.fits, out of focus: ")


def test_what_nobody_can_help_has_no_advice() -> None:
    assert told(advice="").endswith("; cost 6.1 of 9.0 min.")
