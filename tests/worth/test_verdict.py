"""Verdicts, weights and what a keep set gains."""

import math
from dataclasses import replace

import numpy as np
import pytest

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.scoring import score_run
from starwinnow.settings import Mean, Settings
from starwinnow.stars import Stars
from starwinnow.verdict import FrameVerdict, RunVerdicts, judge_run

from .made_up import measures
from .test_score_values import gaussian_frame, night


def judged(frames: list[FrameMeasures], settings: Settings) -> RunVerdicts:
    return judge_run(frames, score_run(frames, settings), settings)


def verdict_of(run: RunVerdicts, frame: FrameMeasures) -> FrameVerdict:
    return next(verdict for verdict in run.verdicts if verdict.file_name == frame.file_name)


def sixty_and_forty() -> list[FrameMeasures]:
    return [
        gaussian_frame(
            number,
            transparency=1.0 if number < 60 else 0.5,
            noise_adu=10.0 if number < 60 else 14.0,
            fwhm_px=3.0,
        )
        for number in range(100)
    ]


@pytest.mark.parametrize(("mean", "everything"), [("unscaled", 0.6800), ("scaled", 0.5174)])
def test_sixty_good_and_forty_poor_frames(mean: Mean, everything: float) -> None:
    """S/N good only .7746, optimal weights .8069, all .6800 or scaled first .5174 (derived)."""
    frames = sixty_and_forty()
    run = judged(frames, Settings(aim="glow", mean=mean))
    assert [verdict.kept for verdict in run.verdicts] == [True] * 60 + [False] * 40
    assert run.gain.kept == 60
    assert run.gain.keep_snr == pytest.approx(0.7746 / everything, rel=2e-4)
    assert run.gain.weighted_snr == pytest.approx(0.8069 / everything, rel=2e-4)
    assert run.gain.kept_worth_s == pytest.approx(60 * 8)
    assert run.gain.all_worth_s == pytest.approx(60 * 8 + 40 * 8 * (0.5 * 10 / 14) ** 2)
    # T / s^2, 1 for the reference (CCD stacks: Zackay & Ofek 2017, ApJ 836, 188)
    assert verdict_of(run, frames[80]).weight == pytest.approx(0.5 / 1.96)


def test_depth_weights_go_with_the_root_of_sharpness() -> None:
    """T / (s^2 sqrt(NEA)) on raw frames: Fischer & Kochanski 1994, AJ 107, 802 (from memory)."""
    frames = [
        gaussian_frame(0, transparency=1.0, noise_adu=10.0, fwhm_px=3.0),
        gaussian_frame(1, transparency=0.8, noise_adu=12.0, fwhm_px=3.6),
    ]
    run = judged(frames, Settings(aim="depth"))
    assert run.verdicts[0].weight == 1.0
    assert run.verdicts[1].weight == pytest.approx(0.8 / 1.44 / 1.2, rel=1e-6)


def test_marginal_frames_change_little_either_way() -> None:
    """Recomputed by hand: S/N after flipping each frame, beside a quarter of 1 / (2 N)."""
    frames = night(30, 31_001, dimmest=0.15)
    settings = Settings(aim="glow")
    scores = score_run(frames, settings)
    run = judge_run(frames, scores, settings)
    light = np.array([score.transparency for score in scores.scores])
    noise2 = np.array([frame.noise_adu**2 for frame in frames])
    kept = np.array([verdict.kept for verdict in run.verdicts])

    def snr(chosen: np.ndarray) -> float:
        return float(light[chosen].sum() / math.sqrt(noise2[chosen].sum()))

    limit = snr(kept) / (2 * kept.sum()) / 4
    for index, verdict in enumerate(run.verdicts):
        flipped = kept.copy()
        flipped[index] = not kept[index]
        change = snr(flipped) - snr(kept)
        assert change <= 1e-9
        expected = "keep" if kept[index] else "leave-out"
        assert verdict.verdict == ("marginal" if abs(change) < limit else expected)
    kinds = {verdict.verdict for verdict in run.verdicts}
    assert kinds == {"keep", "marginal", "leave-out"}
    assert run.gain.marginal == sum(verdict.verdict == "marginal" for verdict in run.verdicts)


def test_order_of_frames_does_not_matter() -> None:
    frames = night(16, 31_002)
    settings = Settings(aim="depth")
    run = judged(frames, settings)
    order = np.random.default_rng(31_003).permutation(len(frames))
    again = judged([frames[index] for index in order], settings)
    assert again.gain.kept == run.gain.kept
    assert again.gain.keep_snr == pytest.approx(run.gain.keep_snr, rel=1e-12)
    for verdict in again.verdicts:
        known = next(one for one in run.verdicts if one.file_name == verdict.file_name)
        assert replace(verdict, weight=0.0) == replace(known, weight=0.0)
        assert verdict.weight == pytest.approx(known.weight, rel=1e-12)


def test_ranks_follow_worth() -> None:
    frames = night(12, 31_004)
    settings = Settings(aim="detail")
    scores = score_run(frames, settings)
    run = judge_run(frames, scores, settings)
    by_rank = sorted(range(12), key=lambda index: run.verdicts[index].rank or 0)
    worth = [scores.scores[index].worth_s for index in by_rank]
    assert worth == sorted(worth, reverse=True)
    assert sorted(verdict.rank or 0 for verdict in run.verdicts) == list(range(1, 13))


def test_keep_set_never_loses_to_all_frames_nor_to_weights() -> None:
    for seed in range(31_010, 31_015):
        gain = judged(night(10, seed), Settings(aim="depth")).gain
        assert gain.keep_snr >= 1
        assert gain.weighted_snr >= 1


def test_foreign_field_is_named_and_not_scored() -> None:
    frames = night(8, 31_005)
    foreign = replace(night(1, 31_006)[0], file_name="elsewhere.fits")
    run = judged([*frames, foreign], Settings())
    verdict = verdict_of(run, foreign)
    assert verdict.verdict == "not-scored"
    assert verdict.causes == ("other-field",)
    assert verdict.rank is None
    assert math.isnan(verdict.weight)
    assert not verdict.kept
    assert "no field in common with frame_" in verdict.note
    assert run.gain.scored == 8


def test_starless_and_overexposed_frames_say_why() -> None:
    frames = night(5, 31_007)
    starless = replace(
        measures(7, Stars.empty(), flags=FrameFlag.NO_STARS | FrameFlag.FEW_STARS),
        nea_px=math.nan,
        fwhm_px=math.nan,
        profile=None,
    )
    bright = replace(frames[1], flags=FrameFlag.OVEREXPOSED)
    frames[1] = bright
    run = judged([*frames, starless], Settings())
    assert verdict_of(run, starless).verdict == "not-scored"
    assert verdict_of(run, starless).causes == ("few-stars",)
    assert verdict_of(run, bright).verdict == "not-scored"
    assert verdict_of(run, bright).causes == ("overexposed",)


def test_one_frame_is_kept_and_none_is_no_error() -> None:
    frame = night(1, 31_008)[0]
    run = judged([frame], Settings())
    assert run.verdicts[0].verdict == "keep"
    assert run.verdicts[0].rank == 1
    assert run.verdicts[0].weight == 1.0
    assert run.gain.keep_snr == pytest.approx(1.0)
    nothing = judged([], Settings())
    assert nothing.verdicts == ()
    assert nothing.gain.scored == 0
    assert math.isnan(nothing.gain.keep_snr)
