"""The progress bar: on a terminal one line that goes away, elsewhere nothing."""

import io

import pytest

from starwinnow_cli import progress
from starwinnow_cli.progress import ProgressBar


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch) -> Clock:
    stand_in = Clock()
    monkeypatch.setattr(progress.time, "monotonic", stand_in.monotonic)
    return stand_in


def test_silent_in_a_pipe() -> None:
    stream = io.StringIO()
    with ProgressBar(3, stream) as bar:
        bar.update(1)
        bar.update(3)
    assert stream.getvalue() == ""


def test_one_line_that_is_taken_away_at_the_end(terminal) -> None:
    with ProgressBar(2, terminal) as bar:
        bar.update(1)
        bar.update(2)
    text = terminal.getvalue()
    assert "\n" not in text
    assert "2/2 frames" in text
    assert text.endswith("\r\x1b[K")


def test_speed_and_time_left(terminal, clock) -> None:
    bar = ProgressBar(400, terminal)
    for done in range(1, 101):
        clock.now += 0.5
        bar.update(done)
    assert bar.line() == "[######..................] 100/400 frames  2 a second  2:30 left"


def test_recalled_frames_do_not_promise_a_speed_that_ends(terminal, clock) -> None:
    """A thousand frames at once from the store, then one a second: a second each is left."""
    bar = ProgressBar(1100, terminal)
    for done in range(1, 1001):
        bar.update(done)
    for done in range(1001, 1011):
        clock.now += 1.0
        bar.update(done)
    assert bar.line().endswith("  1 a second  1:30 left")


def test_the_line_fits_a_small_terminal(terminal, clock) -> None:
    bar = ProgressBar(100_000, terminal)
    clock.now += 0.001
    bar.update(99_999)
    assert len(bar.line()) < 80


def test_it_is_not_drawn_more_often_than_eyes_can_follow(terminal, clock) -> None:
    bar = ProgressBar(1000, terminal)
    for done in range(1, 1000):
        clock.now += 0.001
        bar.update(done)
    assert terminal.getvalue().count("\r") <= 11
