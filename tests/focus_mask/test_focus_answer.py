"""Verdicts: only where two standard errors either way agree, and with a reason where not."""

import math
from dataclasses import replace
from pathlib import Path

import pytest

from starwinnow.focus_mask.chevron import (
    chevron_from_lean,
    chevron_from_scale,
    outer_angle_deg,
)
from starwinnow.focus_mask.focus_answer import focus_answer
from starwinnow.focus_mask.frame_focus import FrameFocus, MaskedFrame
from starwinnow.focus_mask.optics import Optics, optics_of
from starwinnow.focus_mask.wording import next_step
from starwinnow.report.mask_json import mask_json
from starwinnow.rig import Rig

from .made_up import made_capture, made_reading, made_triple, nothing_seen

OPTICS = optics_of(made_capture(), Rig())
NO_OPTICS = Optics(focal_length_mm=None, aperture_mm=None, pixel_um=None)


@pytest.mark.parametrize(
    ("offset", "error", "verdict"),
    [
        (0.0, 0.03, "in-focus"),
        (-0.70, 0.08, "in-focus"),
        (0.70, 0.10, "cannot-tell"),
        (0.88, 0.03, "cannot-tell"),
        (-1.00, 0.05, "out-of-focus"),
        (4.44, 0.22, "out-of-focus"),
        (0.0, 0.50, "cannot-tell"),
        (2.0, 1.2, "cannot-tell"),
    ],
)
def test_verdict_with_a_known_chevron(offset: float, error: float, verdict: str) -> None:
    """The tolerance is 0.88 px."""
    answer = focus_answer(made_reading(offset, error), OPTICS, "+")
    assert answer.verdict == verdict
    assert bool(answer.reason) is (verdict == "cannot-tell")


def test_figures_of_a_defocused_frame() -> None:
    """200 um at f/6 with 3.76 um pixels is 4.45 px: 5.05 tolerances of 39.6 um."""
    answer = focus_answer(made_reading(-4.446, 0.22), OPTICS, "+")
    assert answer.defocus_um == pytest.approx(-200, abs=0.3)
    assert answer.defocus_err_um == pytest.approx(9.9, abs=0.05)
    assert answer.tolerance_px == pytest.approx(0.880, abs=1e-3)
    assert answer.tolerances_out == (pytest.approx(5.05, abs=0.01),)


@pytest.mark.parametrize(
    ("offset", "verdict"),
    [(0.3, "in-focus"), (0.75, "cannot-tell"), (1.2, "out-of-focus")],
)
def test_an_unknown_chevron_widens_what_cannot_be_told(offset: float, verdict: str) -> None:
    answer = focus_answer(made_reading(offset, 0.02), OPTICS, None)
    assert answer.verdict == verdict
    assert answer.um_per_px == (pytest.approx(45.0, abs=0.05), pytest.approx(65.0, abs=0.05))
    assert answer.tolerances_px == (pytest.approx(0.61, abs=0.01), pytest.approx(0.88, abs=0.01))
    assert answer.defocus_um == pytest.approx(55.0 * offset, rel=2e-3)
    assert answer.defocus_err_um > 10.0 * offset * 0.99
    if verdict == "cannot-tell":
        assert "chevron" in answer.reason


def test_without_optics_there_are_pixels_only_and_it_says_so() -> None:
    answer = focus_answer(made_reading(1.2, 0.05), NO_OPTICS, "+")
    assert (answer.offset_px, answer.offset_err_px) == (1.2, 0.05)
    assert answer.verdict == "cannot-tell"
    assert "state focal length, aperture and pixel size in a rig file" in answer.reason
    assert "pixels only" in answer.reason
    for figure in (answer.defocus_um, answer.defocus_err_um, answer.tolerance_px):
        assert math.isnan(figure)


@pytest.mark.parametrize(
    ("reading", "help_"),
    [
        (made_reading(0.1, 0.6, snr=20.0), "expose longer or take a brighter star"),
        (made_reading(0.1, 0.6, saturated_px=90), "expose shorter or take a fainter one"),
        (made_reading(0.1, 0.6), "another frame"),
        (made_reading(math.nan, math.nan), "cannot be measured"),
        (made_reading(0.86, 0.03), "edge of the tolerance"),
    ],
)
def test_what_cannot_be_told_comes_with_help(reading, help_: str) -> None:
    answer = focus_answer(reading, OPTICS, "+")
    assert answer.verdict == "cannot-tell"
    assert help_ in answer.reason


def test_no_mask_has_no_figures() -> None:
    answer = focus_answer(nothing_seen("no star is bright enough"), OPTICS, "+")
    assert answer.verdict == "no-mask"
    assert answer.reason == "no star is bright enough"
    assert answer.um_per_px == ()
    assert math.isnan(answer.offset_px)


def test_a_mask_that_may_be_there_cannot_be_told() -> None:
    reason = "the star's saturated core hides its surroundings to 30 px: expose shorter"
    reading = replace(nothing_seen(reason), kind="single")
    answer = focus_answer(reading, OPTICS, "+")
    assert (answer.verdict, answer.kind, answer.reason) == ("cannot-tell", None, reason)
    result = FrameFocus(frame=MaskedFrame(path=Path("a.fits"), reading=reading), answer=answer)
    assert next_step(result, Rig()) == "Expose shorter."
    assert mask_json([result], Rig())[0]["mask_found"] is None


def test_angle_of_the_outer_spikes_across_the_wrap() -> None:
    for spike_deg in (0.0, 10.0, 90.0, 175.0):
        assert outer_angle_deg(made_triple(spike_deg=spike_deg)) == pytest.approx(20)


@pytest.mark.parametrize(
    ("leans", "chevron"),
    [
        ([(0.75, 0.1)], "+"),
        ([(1.50, 0.2)], "-"),
        ([(1.10, 0.3)], None),
        ([(0.9, 0.25), (0.8, 0.25), (0.6, 0.25)], "+"),
        ([(3.0, 0.1)], None),
        ([(math.nan, math.nan)], None),
        ([], None),
    ],
)
def test_chevron_is_read_only_where_the_spikes_are_clear(leans, chevron) -> None:
    assert chevron_from_lean([made_reading(6.0, 0.3, lean=lean) for lean in leans]) == chevron


@pytest.mark.parametrize(
    ("measured", "error", "chevron"),
    [(45.0, 0.5, "+"), (65.0, 0.5, "-"), (54.0, 0.5, None), (45.0, 15.0, None)],
)
def test_chevron_from_a_measured_scale(measured: float, error: float, chevron) -> None:
    assert chevron_from_scale(measured, error, {"+": 45.0, "-": 65.0}) == chevron
