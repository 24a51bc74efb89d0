"""A night judged while it grows: the rule, the reference, runs, changes of mind."""

from dataclasses import replace

import numpy as np
import pytest

from starwinnow.advice import Circumstances
from starwinnow.flags import FrameFlag
from starwinnow.growing_stack import GrowingStack
from starwinnow.keep_set import flip_gains
from starwinnow.live_night import LiveNight
from starwinnow.live_run import SETTLING_FRAMES, LiveRun
from starwinnow.live_session import FeedRule
from starwinnow.live_snapshot import STRIP_FRAMES, LiveFrame, LiveSnapshot
from starwinnow.night import Night
from starwinnow.settings import MEANS, Settings
from starwinnow.store import Unreadable

from .night_frames import made_frame, starless

HERE = Circumstances()


def night_of(*frames, settings: Settings | None = None) -> LiveNight:
    night = LiveNight("garden", settings or Settings())
    for frame in frames:
        night.add(frame)
    return night


def shown(night: LiveNight) -> LiveSnapshot:
    return night.snapshot(HERE)


def test_verdicts_are_provisional_until_the_reference_settles() -> None:
    night = LiveNight("garden", Settings())
    for number in range(SETTLING_FRAMES - 1):
        (new, *_) = night.add(made_frame(number))
        assert new.provisional
        assert shown(night).reference.frames_left == SETTLING_FRAMES - 1 - number
    given = night.add(made_frame(SETTLING_FRAMES - 1))
    assert [frame.provisional for frame in given] == [False] * SETTLING_FRAMES
    assert shown(night).reference.settled
    assert not any(frame.provisional for frame in shown(night).strip)


@pytest.mark.parametrize("mean", MEANS)
def test_the_settled_rule_is_that_of_the_keep_set(mean) -> None:
    """Each late frame is in exactly when adding it raises the S/N of the mean of those in."""
    rng = np.random.default_rng(5)
    night = night_of(settings=Settings(mean=mean))
    agreed = 0
    for number in range(40):
        light = 1.0 if number < 12 else float(rng.uniform(0.2, 1.0))
        noise = 10.0 if number < 12 else float(rng.uniform(8.0, 40.0))
        before = [f for f in shown(night).strip if f.kept]
        (new, *_) = night.add(made_frame(number, light=light, noise_adu=noise))
        if number < 12:
            continue
        run = night.runs[0]
        rows = [run.judged[f.file] for f in before] + [run.judged[new.file]]
        amplitudes, variances = [], []
        for judged in rows:
            scale = judged.score.transparency if mean == "scaled" else 1.0
            amplitudes.append([judged.score.transparency / scale / np.sqrt(judged.frame.nea_px)])
            variances.append((judged.frame.noise_adu / scale) ** 2)
        chosen = np.array([True] * len(before) + [False])
        gain = flip_gains(np.array(amplitudes), np.array(variances), chosen)[-1]
        if number + 1 not in {20, 40}:
            assert (gain > 0) == new.kept, number
            agreed += 1
    assert agreed == 26
    assert 0 < shown(night).counts.left_out < 30


def test_a_growing_stack_gives_back_what_is_taken_out() -> None:
    stack = GrowingStack()
    star = np.array([1.0 + 0j, 0.5])
    stack.add(star, 4.0)
    stack.add(2 * star, 9.0)
    before = stack.gain(star, 1.0)
    stack.add(star, 1.0)
    # S/N^2 of sums: (9 + 9/4) / 13 before, (16 + 4) / 14 after.
    assert before == pytest.approx(np.sqrt((16 + 4) / 14 / ((9 + 9 / 4) / 13)) - 1)
    stack.remove(star, 1.0)
    assert stack.gain(star, 1.0) == pytest.approx(before)
    assert stack.kept == 2


def test_a_bad_beginning_is_revised_openly() -> None:
    """Ten hazy frames settle the reference; a clear sky comes; at the review the haze goes."""
    frames = [made_frame(n, light=0.3, noise_adu=14) for n in range(SETTLING_FRAMES)]
    frames += [made_frame(SETTLING_FRAMES + n) for n in range(SETTLING_FRAMES)]
    night = LiveNight("garden", Settings())
    kept = {}
    for frame in frames:
        for told in night.add(frame):
            kept[told.file] = told.kept
    snapshot = shown(night)
    assert snapshot.reference.changes == 1
    assert snapshot.reference.file in {f.file_name for f in frames[SETTLING_FRAMES:]}
    changed = {revision.file for revision in snapshot.revisions}
    assert changed == {f.file_name for f in frames[:SETTLING_FRAMES]}
    assert not any(kept[name] for name in changed)
    batch = Night()
    for frame in frames:
        batch.add(frame)
    whole = {row.file: row for row in batch.snapshot(Settings()).rows}
    assert {name: whole[name].kept for name in kept} == kept
    last = snapshot.last
    assert last is not None
    assert last.worth_s == pytest.approx(whole[last.file].worth_s, rel=0.02)


def test_live_and_batch_agree_on_a_night_of_ups_and_downs() -> None:
    rng = np.random.default_rng(11)
    frames = [
        made_frame(
            n,
            light=float(np.exp(0.1 * rng.standard_normal()) * (0.35 if 25 <= n < 31 else 1)),
            fwhm_px=float(3 * np.exp(0.05 * rng.standard_normal())),
        )
        for n in range(70)
    ]
    night, batch = night_of(*frames), Night()
    for frame in frames:
        batch.add(frame)
    rows = batch.snapshot(Settings()).rows
    unlike = [r.file for r in rows if r.kept != night.standing(r.file).kept]
    marginal = [r.file for r in rows if r.verdict == "marginal"]
    assert len(unlike) <= 2 + len(marginal)
    counts = shown(night).counts
    assert counts.kept + counts.left_out == 70
    assert len(shown(night).strip) == STRIP_FRAMES


def test_an_earlier_state_of_a_file_leaves_no_trace() -> None:
    frames = [made_frame(n) for n in range(15)]
    night = night_of(*frames)
    night.add(made_frame(14, light=0.2, noise_adu=30))
    night.add(frames[14])
    plain = night_of(*frames)
    assert shown(night).counts == shown(plain).counts
    assert shown(night).worth.kept_s == pytest.approx(shown(plain).worth.kept_s)
    assert night.runs[0].stack.kept == plain.runs[0].stack.kept


def test_files_that_are_no_light_frames_are_set_aside() -> None:
    frames = [made_frame(n) for n in range(12)]
    night = night_of(*frames)
    dark = made_frame(20, image_type="dark")
    copy = replace(frames[3], file_name="copy of it.fits")
    told: list[LiveFrame] = [night.add(dark)[0], night.add(copy)[0]]
    told.append(night.add_unreadable(Unreadable(name="torn.fits", reason="truncated")))
    causes = [frame.causes[0] for frame in told]
    assert causes == ["not-light", "duplicate", "unreadable"]
    counts = shown(night).counts
    assert (counts.frames, counts.kept, counts.not_scored, counts.unreadable) == (15, 12, 2, 1)


def test_a_mask_left_on_is_named_needs_a_hand_and_can_be_held_back() -> None:
    night = night_of(*(made_frame(number) for number in range(SETTLING_FRAMES)))
    (masked, *_) = night.add(made_frame(20, flags=FrameFlag.MASK_ON))
    assert masked.causes == ("mask-on",)
    assert (masked.verdict, masked.kept) == ("leave-out", False)
    (advice,) = shown(night).advice
    assert (advice.code, advice.needs_hand) == ("mask-on", True)
    assert not FeedRule().passes(masked)
    assert not FeedRule(all_but=frozenset({"mask-on", "knocked"})).passes(masked)
    assert FeedRule(all_but=frozenset({"knocked"})).passes(masked)
    (bare, *_) = night.add(made_frame(21))
    assert FeedRule(all_but=frozenset({"mask-on", "knocked"})).passes(bare)
    assert shown(night).advice == ()


def test_a_mask_on_from_the_beginning_is_named_before_the_reference_settles() -> None:
    night = night_of(*(made_frame(number, flags=FrameFlag.MASK_ON) for number in range(3)))
    assert [advice.code for advice in shown(night).advice] == ["mask-on"]
    assert shown(night).counts.kept == 0


def test_another_target_becomes_a_run_and_a_stray_does_not() -> None:
    night = night_of(*(made_frame(n) for n in range(12)))
    (stray, *_) = night.add(made_frame(12, field=7))
    assert (stray.run, stray.verdict, stray.causes) == (1, "not-scored", ("other-field",))
    night.add(made_frame(13))
    assert len(night.runs) == 1
    for number in range(14, 17):
        given = night.add(made_frame(number, field=9))
    assert len(night.runs) == 2
    assert {frame.file for frame in given} == {f"frame_{n:03d}.fits" for n in range(14, 17)}
    assert all(frame.run == 2 and frame.verdict == "keep" for frame in given)
    assert shown(night).run == 2
    (back, *_) = night.add(made_frame(17))
    assert back.run == 1


def test_other_settings_are_another_run_at_once() -> None:
    night = night_of(*(made_frame(n) for n in range(12)))
    (new, *_) = night.add(made_frame(12, filter_name="R"))
    assert (new.run, new.provisional) == (2, True)


def test_a_cloudy_beginning_waits_and_does_not_fill_the_memory() -> None:
    night = night_of(*(starless(n) for n in range(60)))
    run = night.runs[0]
    assert not run.settled
    assert len(run._whole) <= 30
    for number in range(60, 60 + SETTLING_FRAMES):
        night.add(made_frame(number))
    assert shown(night).reference.settled
    assert shown(night).counts.kept == SETTLING_FRAMES


def test_what_is_remembered_of_a_settled_frame_is_small() -> None:
    night = night_of(*(made_frame(n) for n in range(30)))
    assert all(len(j.frame.stars) == 0 for j in night.runs[0].judged.values())
    assert all(j.frame.thumbnail.size == 0 for j in night.runs[0].judged.values())


def test_worth_so_far_says_how_deep_and_how_long() -> None:
    """Frames of 8 s each 10 s, all alike: n frames are 1.25 lg n magnitudes deeper."""
    snapshot = shown(night_of(*(made_frame(n) for n in range(40))))
    worth = snapshot.worth
    assert worth.collected_s == pytest.approx(320)
    assert worth.kept_s == pytest.approx(320, rel=0.01)
    assert worth.deeper_mag == pytest.approx(1.25 * np.log10(40), abs=0.01)
    assert worth.double_in_s == pytest.approx(398, rel=0.01)


def test_a_run_without_any_reference_relates_to_nothing() -> None:
    assert LiveRun(1, Settings()).relation(made_frame(1)) is None
