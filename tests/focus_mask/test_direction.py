"""Which way to turn: learnt from a move, and used only while it is sure to hold."""

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from starwinnow.errors import MoveError
from starwinnow.focus_mask.direction import Move
from starwinnow.focus_mask.frame_focus import MaskedFrame, answer_frames, learn_from_move
from starwinnow.focus_mask.spike_angles import same_side, turned_by
from starwinnow.focus_mask.wording import (
    amount_words,
    direction_words,
    figures,
    learning_command,
    next_step,
)
from starwinnow.rig import LearntDirection, Rig

from .made_up import EVENING, made_capture, made_frame, made_reading, made_triple, nothing_seen

QUARTER_IN = Move(way="in", amount=0.25, unit="turn")
RIG = Rig(mark="beside the finder", chevron="+", in_turn="clockwise")
LEARNT = LearntDirection(
    px_per_unit=-12.0,
    px_per_unit_err=0.3,
    unit="turn",
    spike_deg=37.0,
    binning=1,
    mark_up=False,
    when_utc=EVENING,
)


def learnt_from(first, second, move=QUARTER_IN, rig=RIG, mark_up=False) -> LearntDirection:
    return learn_from_move([first, second], move, rig, mark_up=mark_up)


def test_sign_and_scale_are_learnt_from_a_known_move() -> None:
    """A quarter turn in took +1 px to +4 px: a turn out takes -12 px."""
    learnt = learnt_from(made_frame(1.0), made_frame(4.0, 0.2, minutes=1))
    assert learnt.px_per_unit == pytest.approx(-12.0)
    assert learnt.px_per_unit_err == pytest.approx(0.809, abs=1e-3)
    assert (learnt.unit, learnt.spike_deg, learnt.mark_up) == ("turn", 37.0, False)
    assert learnt.when_utc == EVENING + timedelta(minutes=1)
    outward = learnt_from(
        made_frame(1.0), made_frame(4.0), move=Move(way="out", amount=150.0, unit="um")
    )
    assert outward.px_per_unit == pytest.approx(0.02)


@pytest.mark.parametrize("spike_deg", [37.0, 0.5, 179.6, 90.0])
@pytest.mark.parametrize("outward_px", [-12.0, 12.0])
@pytest.mark.parametrize("start", [-4.0, 0.4, 5.0])
def test_the_advice_leads_to_focus(spike_deg: float, outward_px: float, start: float) -> None:
    """Frames of a true rig, also where the spike's angle wraps from 180 to 0 between frames."""
    wrapped = (spike_deg + 0.8) % 180
    sign = 1 if wrapped > spike_deg else -1
    before = made_frame(start, spike_deg=spike_deg)
    after = made_frame(sign * (start - 0.25 * outward_px), spike_deg=wrapped)
    learnt = learnt_from(before, after)
    rig = replace(RIG, learnt=learnt)
    turn = answer_frames([after], rig, mark_up=False, just_learnt=True)[0].turn
    assert turn is not None
    travel = turn.amount if turn.way == "out" else -turn.amount
    assert start - 0.25 * outward_px + travel * outward_px == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("first", "second", "text"),
    [
        (made_frame(1.0), made_frame(1.1), r"differ by \+0.10 ± 0.04 px: too little"),
        (made_frame(1.0, 0.5), made_frame(2.9, 0.5), "too little to learn"),
        (made_frame(1.0), made_frame(4.0, spike_deg=60.0), "turned from 37 to 60 deg"),
        (made_frame(1.0, minutes=2), made_frame(4.0), "was taken before"),
        (MaskedFrame(path=Path("a.fits"), unreadable="empty"), made_frame(4.0), "a.fits could"),
        (
            MaskedFrame(
                path=Path("a.fits"), capture=made_capture(), reading=nothing_seen("no star")
            ),
            made_frame(4.0),
            "No spike offset in the first frame: no star",
        ),
    ],
)
def test_nothing_is_learnt_from_frames_that_do_not_show_the_move(first, second, text) -> None:
    with pytest.raises(MoveError, match=text):
        learnt_from(first, second)


@pytest.mark.parametrize("count", [1, 3])
def test_a_move_needs_two_frames(count: int) -> None:
    with pytest.raises(MoveError, match=f"given {count} frames, expected two"):
        learn_from_move([made_frame()] * count, QUARTER_IN, RIG, mark_up=False)


@pytest.mark.parametrize(
    ("learnt_marked", "spike_deg", "hours", "marked", "hold"),
    [
        (False, 37.0, 1, False, "if-untouched"),
        (False, 39.0, 1, False, "if-untouched"),
        (False, 37.0, 1, True, "unmarked"),
        (False, 45.0, 1, False, "turned"),
        (False, 37.0, 30, False, "too-old"),
        (False, 37.0, 30, True, "too-old"),
        (True, 37.0, 1, False, "if-untouched"),
        (True, 37.0, 30, False, "too-old"),
        (True, 37.0, 30, True, "mark-up"),
        (True, 44.0, 30, True, "mark-up"),
        (True, 60.0, 30, True, "turned"),
    ],
)
def test_what_a_learnt_direction_rests_on(learnt_marked, spike_deg, hours, marked, hold) -> None:
    learnt = replace(LEARNT, mark_up=learnt_marked)
    frame = replace(made_frame(2.0, spike_deg=spike_deg), capture=made_capture(60.0 * hours))
    result = answer_frames([frame], replace(RIG, learnt=learnt), mark_up=marked)[0]
    assert result.hold == hold
    assert (result.turn is None) is (hold in {"turned", "too-old"})


def test_a_half_turn_of_the_mask_looks_the_same_so_the_answer_is_conditional() -> None:
    """Frames of the mask as learnt and turned by 180 deg, by focus the same: both conditional."""
    rig = replace(RIG, learnt=LEARNT)
    for offset, way in ((2.0, "out"), (-2.0, "in")):
        result = answer_frames([made_frame(offset)], rig, mark_up=False)[0]
        assert result.turn is not None
        assert result.turn.way == way
        words = direction_words(result, rig, str)
        assert "right only if neither mask nor camera has been taken off or turned" in words


def test_words_of_every_case() -> None:
    rig = replace(RIG, learnt=LEARNT)
    frame = made_frame(2.0)
    (result,) = answer_frames([frame], rig, mark_up=False)
    assert next_step(result, rig) == "Turn out about 1/6 turn (counterclockwise)."
    (result,) = answer_frames([made_frame(2.0, spike_deg=60.0)], rig, mark_up=False)
    assert "points to 60 deg, 37 deg when it was learnt" in direction_words(result, rig, str)
    assert "Move the focuser in by 1/4 turn" in next_step(result, rig)
    marked = replace(rig, learnt=replace(LEARNT, mark_up=True))
    (result,) = answer_frames([frame], marked, mark_up=True)
    assert "by the mask's mark (beside the finder)" in direction_words(result, marked, str)
    (result,) = answer_frames([frame], RIG, mark_up=False)
    assert direction_words(result, RIG, str) == "One frame cannot tell in from out."
    assert learning_command(result, RIG) == "starwinnow mask star.fits NEW --moved in:0.25turn"
    (result,) = answer_frames([made_frame(0.0)], rig, mark_up=False)
    assert result.turn is None
    assert "take the mask off" in next_step(result, rig)
    assert direction_words(result, rig, str) == ""


def test_an_offset_whose_sign_is_not_sure_gives_no_way_to_turn() -> None:
    rig = replace(RIG, learnt=LEARNT)
    (result,) = answer_frames([made_frame(0.5, 0.4)], rig, mark_up=False)
    assert result.answer.verdict == "cannot-tell"
    assert result.turn is None


def test_a_learnt_scale_follows_the_binning() -> None:
    rig = replace(RIG, learnt=LEARNT)
    binned = replace(made_frame(2.0), capture=made_capture(binning_x=2, pixel_um=7.52))
    (result,) = answer_frames([binned], rig, mark_up=False)
    assert result.turn is not None
    assert result.turn.amount == pytest.approx(2.0 / 6.0)


def test_travel_is_told_in_what_can_be_turned() -> None:
    learnt = replace(LEARNT, unit="um", px_per_unit=-0.02, px_per_unit_err=0.001)
    for more, unit, amount in (
        ({"um_per_turn": 600.0}, "turn", 1 / 6),
        ({"um_per_step": 2.0}, "step", 50.0),
        ({}, "um", 100.0),
    ):
        rig = replace(RIG, learnt=learnt, **more)
        (result,) = answer_frames([made_frame(2.0)], rig, mark_up=False)
        assert result.turn is not None
        assert (result.turn.unit, result.turn.amount) == (unit, pytest.approx(amount))


def test_a_known_travel_tells_the_chevron() -> None:
    """65 um a pixel is '-' on this rig, 45 um is '+'."""
    rig = replace(RIG, chevron=None)
    move = Move(way="out", amount=195.0, unit="um")
    assert learnt_from(made_frame(0.0), made_frame(3.0), move, rig).chevron == "-"
    move = Move(way="out", amount=135.0, unit="um")
    learnt = learnt_from(made_frame(0.0), made_frame(3.0), move, rig)
    assert learnt.chevron == "+"
    rig = replace(rig, learnt=learnt)
    assert answer_frames([made_frame(3.0)], rig, mark_up=False)[0].answer.chevron == "+"
    by_turns = replace(rig, um_per_turn=540.0, learnt=None)
    assert learnt_from(made_frame(0.0), made_frame(-3.0), rig=by_turns).chevron == "+"


@pytest.mark.parametrize(
    ("amount", "unit", "words"),
    [
        (0.17, "turn", "about 1/6 turn"),
        (0.02, "turn", "less than 1/20 turn"),
        (0.97, "turn", "about 1 turn"),
        (1.3, "turn", "about 1 1/4 turns"),
        (7.2, "turn", "about 7 turns"),
        (123.4, "step", "about 120 steps"),
        (0.3, "step", "about 1 step"),
        (87.0, "um", "about 87 um"),
    ],
)
def test_travel_in_words(amount: float, unit, words: str) -> None:
    assert amount_words(amount, unit) == words


def test_the_spikes_far_out_tell_the_chevron_of_all_frames() -> None:
    far = replace(made_frame(8.0, 0.4), reading=made_reading(8.0, 0.4, lean=(1.57, 0.1)))
    rig = Rig()
    near, _ = answer_frames([made_frame(1.0), far], rig, mark_up=False)
    assert near.answer.chevron == "-"
    assert near.note == ""
    (stated,) = answer_frames([far], Rig(chevron="+"), mark_up=False)
    assert stated.answer.chevron == "+"
    assert "states chevron +, and far out of focus the spikes show -" in stated.note
    assert answer_frames([made_frame(1.0)], rig, mark_up=False)[0].answer.chevron is None


def test_any_triple_of_a_three_fold_mask_tells_the_same_direction() -> None:
    """Seen by spikes at 37, 157 (a third of a turn on) or 97 degrees (and a half turn more)."""
    for spike_deg, same in ((37.0, True), (157.0, True), (97.0, False)):
        assert same_side(spike_deg, 37.0, "three-fold") is same
        assert turned_by(spike_deg, 37.0, "three-fold") == pytest.approx(0)
    assert turned_by(47.0, 157.0, "three-fold") == pytest.approx(10)
    assert turned_by(179.0, 1.0, "single") == pytest.approx(2)
    assert not same_side(179.0, 1.0, "single")


@pytest.mark.parametrize(
    ("offsets", "words"),
    [((1.0, 1.1, 0.95), "alike within their errors"), ((1.0, 1.6, 0.4), "collimation")],
)
def test_three_parts_are_compared(offsets: tuple[float, ...], words: str) -> None:
    triples = tuple(
        made_triple(sign * offset, 0.1, spike_deg)
        for offset, spike_deg, sign in zip(offsets, (37.0, 97.0, 157.0), (1, -1, 1), strict=True)
    )
    star = replace(made_reading().stars[0], triples=triples)
    reading = replace(made_reading(1.0, 0.06), kind="three-fold", stars=(star,))
    frame = replace(made_frame(), reading=reading)
    (result,) = answer_frames([frame], RIG, mark_up=False)
    assert [offset for offset, _ in result.answer.parts_px] == list(offsets)
    assert words in " ".join(figures(result.answer))
