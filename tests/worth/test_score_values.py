"""What frames are worth, in numbers worked out by hand, and what a run does in odd cases."""

import math
from dataclasses import replace

import numpy as np
import pytest

from starwinnow.flags import FrameFlag, StarFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.same_field import choose_reference
from starwinnow.scoring import FrameScore, RunScores, score_run
from starwinnow.settings import Aim, Settings
from starwinnow.stars import Stars

from .made_up import SHAPE, Sight, draw_sky, measures, see, star_list

# NEA of a Gaussian over FWHM^2: King 1983, PASP 95, 163 (from memory).
GAUSSIAN_NEA = 2.26618


def noiseless(transparency: float) -> Stars:
    """The same 60 stars, dimmed and otherwise untouched."""
    rng = np.random.default_rng(4)
    place = rng.uniform(10, 1400, (60, 2))
    flux = np.geomspace(1e5, 1e4, 60) * transparency
    ones = np.ones(60)
    return star_list(place, flux, 100 * ones, 0.02 * ones, np.zeros(60, np.int32))


def gaussian_frame(
    number: int, *, transparency: float, noise_adu: float, fwhm_px: float
) -> FrameMeasures:
    nea_px = GAUSSIAN_NEA * fwhm_px**2
    stars = noiseless(transparency)
    return measures(number, stars, noise_adu=noise_adu, fwhm_px=fwhm_px, nea_px=nea_px)


def score_of(run: RunScores, frame: FrameMeasures) -> FrameScore:
    return next(score for score in run.scores if score.file_name == frame.file_name)


@pytest.mark.parametrize(
    ("transparency", "noise_adu", "fwhm_px", "worth_s"),
    [
        (0.8, 10.0, 3.0, 5.12),
        (1.0, 12.0, 3.0, 5.556),
        (1.0, 10.0, 4.0, 4.50),
        (0.8, 12.0, 3.6, 2.469),
        (0.5, 14.0, 5.0, 0.367),
    ],
)
def test_equivalent_seconds(
    transparency: float, noise_adu: float, fwhm_px: float, worth_s: float
) -> None:
    """T^2 / (s^2 NEA) beside T = 1, noise 10, FWHM 3, 8 s (Zackay & Ofek 2017, ApJ 836, 187)."""
    best = gaussian_frame(0, transparency=1.0, noise_adu=10.0, fwhm_px=3.0)
    worse = gaussian_frame(1, transparency=transparency, noise_adu=noise_adu, fwhm_px=fwhm_px)
    run = score_run([worse, best], Settings(aim="depth"))
    assert run.reference_file == best.file_name
    assert score_of(run, best).worth_s == 8.0
    assert score_of(run, best).worth_err_s == 0.0
    assert score_of(run, worse).worth_s == pytest.approx(worth_s, abs=6e-4)
    assert score_of(run, worse).transparency == pytest.approx(transparency, rel=1e-9)
    glow = (transparency * 10 / noise_adu) ** 2
    run = score_run([worse, best], Settings(aim="glow"))
    assert score_of(run, worse).worth_s == pytest.approx(8 * glow, rel=1e-9)


def night(count: int, seed: int, *, dimmest: float = 0.4) -> list[FrameMeasures]:
    """A night of frames that differ in transparency, noise and size."""
    rng = np.random.default_rng(seed)
    sky = draw_sky(rng, 1200)
    frames = []
    for number in range(count):
        sight = Sight(
            shift=(1.5 * number, -0.8 * number),
            transparency=float(rng.uniform(dimmest, 1.0)),
            noise_adu=float(rng.uniform(9, 13)),
            fwhm_px=float(rng.uniform(3.0, 4.5)),
        )
        frames.append(
            measures(number, see(sky, sight, rng), noise_adu=sight.noise_adu, fwhm_px=sight.fwhm_px)
        )
    return frames


@pytest.mark.parametrize("aim", ["depth", "glow", "detail"])
def test_order_of_frames_does_not_matter(aim: Aim) -> None:
    frames = night(14, 77_001)
    settings = Settings(aim=aim)
    run = score_run(frames, settings)
    rng = np.random.default_rng(77_002)
    for _ in range(3):
        shuffled = [frames[index] for index in rng.permutation(len(frames))]
        again = score_run(shuffled, settings)
        assert again.reference_file == run.reference_file
        for score in again.scores:
            known = next(one for one in run.scores if one.file_name == score.file_name)
            assert score == known


def test_reference_is_the_frame_at_the_90th_percentile() -> None:
    frames = [
        gaussian_frame(number, transparency=1 - 0.02 * number, noise_adu=10.0, fwhm_px=3.0)
        for number in range(21)
    ]
    run = score_run(frames, Settings())
    # of 21 frames two are better: not the best, which may be a lucky one
    assert run.reference_file == frames[2].file_name
    assert "90th percentile" in run.reference_rule
    assert score_of(run, frames[0]).worth_s == pytest.approx(8 / 0.96**2)


def test_scores_do_not_depend_on_the_unit_of_the_pixels() -> None:
    frames = night(6, 77_003)
    doubled = [
        replace(
            frame,
            noise_adu=2 * frame.noise_adu,
            background_err_adu=2 * frame.background_err_adu,
            stars=replace(
                frame.stars,
                flux_adu=2 * frame.stars.flux_adu,
                flux_err_adu=2 * frame.stars.flux_err_adu,
            ),
        )
        for frame in frames
    ]
    one, other = (score_run(some, Settings()) for some in (frames, doubled))
    for score, same in zip(one.scores, other.scores, strict=True):
        assert same.worth_s == pytest.approx(score.worth_s, rel=1e-9)
        assert same.worth_err_s == pytest.approx(score.worth_err_s, rel=1e-9)


def test_foreign_field_is_not_scored() -> None:
    frames = night(8, 77_004)
    foreign = replace(night(1, 77_005)[0], file_name="elsewhere.fits")
    run = score_run([foreign, *frames], Settings())
    score = score_of(run, foreign)
    assert score.relation is None
    assert math.isnan(score.transparency)
    assert math.isnan(score.worth_s)
    assert sum(math.isfinite(one.worth_s) for one in run.scores) == 8


def test_a_provisional_reference_of_a_foreign_field_does_not_spoil_the_run() -> None:
    """The frame with most stars in mid-run shows something else than all others."""
    frames = night(9, 77_006)
    rich = replace(night(1, 77_007)[0], star_count=5000, file_name="rich.fits")
    rich = replace(rich, capture=frames[4].capture)
    everything = [*frames, rich]
    assert choose_reference(everything) is rich
    run = score_run(everything, Settings())
    assert sum(math.isfinite(one.worth_s) for one in run.scores) == 9


def test_one_frame() -> None:
    frame = night(1, 77_008)[0]
    run = score_run([frame], Settings())
    assert run.reference_file == frame.file_name
    assert run.scores[0].worth_s == 8.0
    assert run.scores[0].transparency == 1.0
    assert run.scores[0].transparency_err == 0.0


def test_no_frames_and_no_stars() -> None:
    assert score_run([], Settings()).scores == ()
    starless = measures(0, Stars.empty(), flags=FrameFlag.NO_STARS | FrameFlag.FEW_STARS)
    starless = replace(starless, nea_px=math.nan, fwhm_px=math.nan, profile=None)
    run = score_run([starless], Settings())
    assert run.reference_file is None
    assert math.isnan(run.scores[0].worth_s)
    assert choose_reference([starless]) is None
    beside = score_run([starless, *night(3, 77_009)[1:]], Settings())
    assert math.isnan(beside.scores[0].worth_s)
    assert all(math.isfinite(score.worth_s) for score in beside.scores[1:])


def test_overexposed_frames_are_not_scored() -> None:
    frames = night(5, 77_010)
    frames[2] = replace(frames[2], flags=FrameFlag.OVEREXPOSED)
    run = score_run(frames, Settings())
    assert [math.isnan(score.worth_s) for score in run.scores] == [0, 0, 1, 0, 0]


def test_without_exposure_worth_counts_reference_frames() -> None:
    frames = [replace(frame, capture=replace(frame.capture, exposure_s=None))
              for frame in night(4, 77_011)]  # fmt: skip
    run = score_run(frames, Settings())
    assert run.reference_exposure_s is None
    reference = next(one for one in run.scores if one.file_name == run.reference_file)
    assert reference.worth_s == 1.0


def test_frames_whose_stars_are_all_saturated_have_no_worth() -> None:
    frames = night(4, 77_012)
    stars = frames[1].stars
    flags = np.full(len(stars), int(StarFlag.SATURATED), np.int32)
    frames[1] = replace(frames[1], stars=replace(stars, flags=flags), star_count=0)
    run = score_run(frames, Settings())
    assert run.scores[1].relation is not None
    assert math.isnan(run.scores[1].worth_s)


def test_relations_are_remembered() -> None:
    frames = night(5, 77_013)
    cache: dict = {}
    first = score_run(frames, Settings(), cache=cache)
    assert len(cache) >= 4
    size = len(cache)
    assert score_run(frames, Settings(), cache=cache) == first
    assert len(cache) == size
    assert frames[0].shape == SHAPE
