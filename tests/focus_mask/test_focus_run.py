"""A focusing run: where focus lies, where the run turns back, what that loses."""

import math

import numpy as np
import pytest

from starwinnow.focus_mask.focus_run import focus_run
from starwinnow.focus_mask.frame_focus import answer_frames
from starwinnow.focus_mask.run_wording import run_step, run_words
from starwinnow.rig import Rig

from .made_up import made_frame

RIG = Rig(chevron="+")


def run_of(offsets, positions=None, *, errors=0.04, spikes=37.0):
    errors = np.broadcast_to(errors, len(offsets))
    spikes = np.broadcast_to(spikes, len(offsets))
    frames = [made_frame(*values) for values in zip(offsets, errors, spikes, strict=True)]
    answers = [result.answer for result in answer_frames(frames, RIG, mark_up=False)]
    return focus_run(answers, positions or [None] * len(offsets))


def names(count: int) -> list[str]:
    return [f"f{number}" for number in range(1, count + 1)]


def test_focus_lies_where_the_offset_passes_zero() -> None:
    run = run_of([4.0, 2.0, -1.0, -3.0])
    assert run.crossing == pytest.approx(2 + 2 / 3)
    assert run.crossing_frames == (2, 3)
    assert run.crossing_err == pytest.approx(math.hypot(0.04 / 3, 0.08 / 3) / 3, rel=1e-6)
    assert run.turns == ()
    assert math.isnan(run.backlash)
    assert run_words(run, names(4)) == [
        "Focus was passed between f2 and f3, at 0.67 ± 0.01 of the way."
    ]


def test_the_crossing_s_error_is_that_of_chance() -> None:
    """Scatter of 400 noisy runs against the quoted error."""
    rng = np.random.default_rng(3)
    true = np.array([4.0, 1.5, -1.0, -3.0])
    runs = [run_of(list(true + rng.normal(0, 0.1, 4)), errors=0.1) for _ in range(400)]
    places = np.array([run.crossing for run in runs])
    quoted = np.mean([run.crossing_err for run in runs])
    assert places.mean() == pytest.approx(2.6, abs=0.01)
    assert quoted == pytest.approx(places.std(), rel=0.15)


@pytest.mark.parametrize("lag", [0.0, 25.0, 80.0])
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("slope", [0.02, -0.02])
def test_backlash_by_focuser_positions(lag: float, way: int, slope: float) -> None:
    """A focuser that stays `lag` steps behind after turning back; focus at 1000 on the way out."""
    forth = 1000 + way * np.arange(-250.0, 251.0, 100.0)
    back = forth[-1] - way * np.arange(50.0, 451.0, 100.0)
    camera = np.concatenate(
        [forth, np.minimum(forth[-1], back + lag) if way > 0 else np.maximum(forth[-1], back - lag)]
    )
    run = run_of(list(slope * (camera - 1000)), list(np.concatenate([forth, back])))
    assert run.by_position
    assert run.turns == (6,)
    assert run.backlash == pytest.approx(lag, abs=0.01)
    assert 0 < run.backlash_err < 4
    assert run.crossing == pytest.approx(1000 - way * lag, abs=0.01)
    assert f"backlash {lag:.0f} ±" in run_words(run, names(11))[1]


def test_backlash_without_positions_is_told_in_moves() -> None:
    """Moves of 1.5 px; the first 0.8 of a move back is lost."""
    run = run_of([4.0, 2.5, 1.0, -0.5, -2.0, -1.7, -0.2, 1.3])
    assert run.turns == (5,)
    assert run.backlash == pytest.approx(0.8, abs=1e-6)
    assert run.crossing_frames == (7, 8)
    assert "0.80 ± " in run_words(run, names(8))[1]
    assert "if all moves were equal" in run_words(run, names(8))[1]


def test_frames_that_stand_still_after_the_turn_are_lost_motion() -> None:
    run = run_of([4.0, 2.5, 1.0, -0.5, -0.52, -0.48, 0.7, 2.2])
    assert run.turns == (4,)
    assert run.backlash == pytest.approx(2.2, abs=0.03)


def test_noise_alone_is_no_turn() -> None:
    rng = np.random.default_rng(5)
    turned = 0
    for _ in range(200):
        offsets = np.linspace(4, -4, 9) + rng.normal(0, 0.2, 9)
        turned += bool(run_of(list(offsets), errors=0.2).turns)
        still = run_of(list(rng.normal(0, 0.1, 9)), errors=0.1)
        turned += bool(still.turns)
    assert turned <= 4


def test_a_run_across_the_wrap_of_the_spike_s_angle() -> None:
    """Near 0 and 180 degrees the same side counts with opposite signs."""
    run = run_of([3.0, -1.5, -0.5, 2.0], spikes=[0.4, 179.7, 0.2, 179.9])
    assert [point.offset_px for point in run.points] == [3.0, 1.5, -0.5, -2.0]
    assert run.crossing_frames == (2, 3)


def test_frames_without_an_offset_are_passed_over() -> None:
    run = run_of([2.0, math.nan, -2.0])
    assert run.crossing_frames == (1, 3)
    assert run.crossing == pytest.approx(2.0)


def test_what_is_no_run_says_so() -> None:
    assert run_words(run_of([2.0, math.nan]), names(2)) == [
        "No run: fewer than two frames have an offset."
    ]
    assert "mask or camera was moved" in run_of([2.0, 1.0], spikes=[37.0, 60.0]).reason


@pytest.mark.parametrize(
    ("offsets", "positions", "step"),
    [
        ([4.0, 2.0], None, "Go on the same way, about 1.0 of the last move."),
        ([2.0, 4.0], None, "Turn back: the last move led away from focus."),
        ([4.0, 1.0, -2.0], None, "Turn back by about 0.7 of the last move, and what backlash"),
        ([2.0, 2.01], None, ""),
        ([4.0, 1.0, -2.0], [100.0, 200.0, 300.0], "Go to focuser position 233, coming from lower"),
        ([4.0, 1.0, -2.0], [300.0, 200.0, 100.0], "Go to focuser position 167, coming from higher"),
        ([4.0], None, ""),
    ],
)
def test_the_run_itself_tells_what_to_do(offsets, positions, step: str) -> None:
    assert run_step(run_of(offsets, positions)).startswith(step)
    assert bool(run_step(run_of(offsets, positions))) is bool(step)
