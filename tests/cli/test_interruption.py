"""Ctrl-C waits for the frame in hand, and is known again whatever compiled code made of it."""

import signal

import pytest

from starwinnow_cli import main as main_module
from starwinnow_cli.interruption import StopBetweenFrames, StopWatching, by_hand


def test_ctrl_c_is_held_back_until_the_check() -> None:
    former = signal.getsignal(signal.SIGINT)
    with StopBetweenFrames() as stop:
        stop.check("after 2 of 9")
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt, match="after 3 of 9"):
            stop.check("after 3 of 9")
    assert signal.getsignal(signal.SIGINT) is former


def test_a_second_ctrl_c_ends_the_process_at_once() -> None:
    with StopBetweenFrames():
        signal.raise_signal(signal.SIGINT)
        assert signal.getsignal(signal.SIGINT) is signal.SIG_DFL


def wrapped_interrupt() -> SystemError:
    error = SystemError("returned a result with an exception set")
    error.__cause__ = KeyboardInterrupt()
    return error


def test_ctrl_c_is_known_under_another_error() -> None:
    assert by_hand(KeyboardInterrupt())
    assert by_hand(wrapped_interrupt())
    assert not by_hand(SystemError("something else"))


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (KeyboardInterrupt("after 3 of 9 frames"), "Stopped after 3 of 9 frames. What was"),
        (KeyboardInterrupt(), "Stopped. What was measured is kept"),
        (wrapped_interrupt(), "Stopped. What was measured is kept"),
    ],
)
def test_the_command_says_that_work_is_kept(monkeypatch, capsys, error, words) -> None:
    def stopped(*arguments: object, **options: object) -> None:
        raise error

    monkeypatch.setattr("starwinnow_cli.score.score_folder", stopped)
    assert main_module.main(["score", "garden"]) == 130
    assert capsys.readouterr().err.startswith(words)


def test_other_system_errors_are_not_hidden(monkeypatch) -> None:
    def broken(*arguments: object, **options: object) -> None:
        raise SystemError("something else")

    monkeypatch.setattr("starwinnow_cli.score.score_folder", broken)
    with pytest.raises(SystemError, match="something else"):
        main_module.main(["score", "garden"])


def test_the_terminal_is_given_back_at_the_first_ctrl_c() -> None:
    """A second one ends the process at once: too late to show the cursor again."""
    given_back = []
    with StopWatching() as stop:
        stop.give_back = lambda: given_back.append("terminal")
        signal.raise_signal(signal.SIGINT)
        assert given_back == ["terminal"]
        assert stop.event.is_set()
        assert signal.getsignal(signal.SIGINT) is signal.SIG_DFL
