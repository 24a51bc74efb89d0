"""What the page says of the field and of the focuser."""

import math
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from starwinnow.across_field import Change, FieldShape, MapCell
from starwinnow.report.field_words import field_words, log_words

from .made_nights import made_night

WHEN = datetime(2031, 10, 14, 20, 0, tzinfo=UTC)
NONE = Change(amount=0.0, error=0.01, state="not-seen")
UNKNOWN = Change(amount=math.nan, error=math.nan)
CELL = MapCell(x_px=0, y_px=0, fwhm_px=3.0, fwhm_err_px=0.1, stars=9, axis_ratio=1.0, trail_deg=0.0)
PLAIN = FieldShape(
    frames=9, stars=90, tilt=NONE, curvature=NONE, stretch=NONE,
    coma=Change(amount=0.0, error=0.0004, state="not-seen"), saddle=NONE, cells=(CELL,),
)  # fmt: skip


def stretched(amount: float, coma: Change) -> str:
    stretch = Change(amount=amount, error=0.003, state="seen")
    return " ".join(field_words(replace(PLAIN, stretch=stretch, coma=coma)))


def test_nothing_seen_claims_nothing() -> None:
    told = field_words(PLAIN)
    assert sum("none seen" in line for line in told) == 4
    assert not any("astigmatism" in line or "tails" in line for line in told)


def test_tails_along_the_line_to_the_middle_are_coma() -> None:
    told = stretched(0.1, Change(amount=-0.025, error=0.0004, state="seen"))
    assert "along the line to the middle; coma does this" in told
    assert "tails towards the middle, lopsided by 2.5 ± 0.0 %" in told


def test_no_tails_or_stars_across_are_astigmatism() -> None:
    assert "astigmatism does this" in stretched(0.1, PLAIN.coma)
    seen = Change(amount=0.02, error=0.0004, state="seen")
    assert "across the line to the middle; astigmatism does this" in stretched(-0.1, seen)


@pytest.mark.parametrize(
    ("amount", "coma"),
    [
        (0.1, UNKNOWN),
        (0.1, Change(amount=0.003, error=0.006)),
        # So weak coma would make tails that could hide here.
        (0.02, Change(amount=0.001, error=0.0015, state="not-seen")),
    ],
)
def test_what_cannot_be_told_apart_is_said_to_be_so(amount: float, coma: Change) -> None:
    assert "cannot tell whether coma or astigmatism" in stretched(amount, coma)


def test_too_few_stars_or_none() -> None:
    assert "too few stars" in " ".join(field_words(replace(PLAIN, cells=())))
    assert field_words(None) == ["No star whose size could be compared."]


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ([7.0, 7.0, None], "Focuser: at 7 steps, not moved."),
        ([7.0, 9.0, 9.0], "Focuser: 7 to 9 steps, moved once."),
        ([7.0, None, 9.0, 8.0], "Focuser: 7 to 8 steps, moved 2 times."),
    ],
)
def test_what_the_focuser_did(steps: list[float | None], told: str) -> None:
    run = made_night(4)[0].runs[0]
    rates = dict.fromkeys(("dx_px_h", "dy_px_h", "rotation_deg_h"))
    assert told in log_words(run, rates, [(WHEN, step) for step in steps])
