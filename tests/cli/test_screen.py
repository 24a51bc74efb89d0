"""Emphasis, widths, shortened names, lengths of time."""

import io
import os
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from starwinnow_cli.screen import (
    Emphasis,
    display_width,
    duration,
    local_time,
    pad,
    shorten,
    show,
    width,
)


def test_emphasis_is_bold_and_dim_and_never_a_hue(terminal) -> None:
    emphasis = Emphasis(terminal)
    assert emphasis.bold("a") + emphasis.dim("b") == "\x1b[1ma\x1b[22m\x1b[2mb\x1b[22m"


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_plain_text_where_emphasis_is_not_wanted(terminal, monkeypatch, name, value) -> None:
    monkeypatch.setenv(name, value)
    assert Emphasis(terminal).bold("a") == "a"


def test_plain_text_in_a_pipe() -> None:
    assert Emphasis(io.StringIO()).dim("a") == "a"


@given(st.text(), st.integers(6, 40))
def test_shortened_text_fits_and_keeps_both_ends(text, cells) -> None:
    short = shorten(text, cells)
    assert display_width(short) <= cells
    if display_width(text) <= cells:
        assert short == text
    else:
        cut = range(len(short) - 1)
        assert any(
            short[i : i + 2] == ".."
            and text.startswith(short[:i])
            and text.endswith(short[i + 2 :])
            for i in cut
        )
    assert display_width(pad(text, cells)) == cells


def test_wide_signs_take_two_cells() -> None:
    """Widths from Unicode's East Asian Width property."""
    assert display_width("a") == 1
    assert display_width("星") == 2
    assert display_width("e\u0301") == 1
    assert shorten("very_long_name_0001.fits", 14) == "ver..0001.fits"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.5, "0.5 s"),
        (7.25, "7.25 s"),
        (151.2, "151 s"),
        (299.6, "300 s"),
        (300, "5 min"),
        (7140, "119 min"),
        (7200, "2 h 00 min"),
        (12_345, "3 h 26 min"),
    ],
)
def test_lengths_of_time_as_people_say_them(seconds, text) -> None:
    assert duration(seconds) == text


def test_times_are_those_of_the_machines_clock(monkeypatch) -> None:
    monkeypatch.setenv("TZ", "XYZ-05:30")
    time.tzset()
    try:
        assert local_time(datetime(2024, 3, 9, 21, 4, 31, tzinfo=UTC)) == "02:34:31"
    finally:
        monkeypatch.undo()
        time.tzset()
    assert local_time(None) == "--:--:--"


@pytest.mark.parametrize(("columns", "cells"), [("40", 80), ("100", 100), ("300", 120)])
def test_width_follows_the_terminal_within_limits(monkeypatch, columns, cells) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert width() == cells


def test_signs_the_terminal_cannot_write_are_replaced(monkeypatch) -> None:
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", stream)
    show("3.12 ±0.04 ö\n")
    stream.seek(0)
    assert stream.read() == "3.12 +-0.04 ?\n"


def test_a_reader_that_has_gone_is_no_error() -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    code = "from starwinnow_cli.screen import show; show('x' * 100_000)"
    done = subprocess.run(
        [sys.executable, "-c", code], stdout=write_end, stderr=subprocess.PIPE, check=False
    )
    os.close(write_end)
    assert (done.returncode, done.stderr) == (0, b"")
