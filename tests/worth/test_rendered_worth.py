"""Worth of rendered nights against truth: pixels to measures to scores."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import spearmanr

from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.scoring import RunScores, score_run
from starwinnow.settings import Settings
from starwinnow_sim import (
    CALM,
    Camera,
    FrameTruth,
    draw_star_field,
    make_night,
    ordinary_night,
    render_frame,
    true_figures,
)
from starwinnow_sim.events import bump

CAMERA = Camera(shape=(640, 860))
FRAMES = 20


@dataclass(frozen=True)
class Night:
    """A rendered night, scored: worth as found and as it is, 1 = reference."""

    scores: RunScores
    worth: NDArray[np.float64]
    truth: NDArray[np.float64]

    @property
    def off(self) -> NDArray[np.float64]:
        return self.worth / self.truth - 1

    @property
    def rank_correlation(self) -> float:
        return float(spearmanr(self.worth, self.truth).statistic)

    @property
    def spread(self) -> float:
        return float(np.std(np.log(self.truth)))


def scored_night(truths: Sequence[FrameTruth], rng: np.random.Generator) -> Night:
    field = draw_star_field(CAMERA.shape, count=250, rng=rng, margin_px=60.0)
    frames = [
        measured(number, truth, render_frame(field, truth, CAMERA, rng))
        for number, truth in enumerate(truths)
    ]
    scores = score_run(frames, Settings(aim="depth"))
    assert scores.reference_exposure_s == 8.0
    information = np.array([true_figures(truth, CAMERA).information for truth in truths])
    reference = [frame.file_name for frame in frames].index(str(scores.reference_file))
    covered = np.array([overlap(truth, truths[reference]) for truth in truths])
    return Night(
        scores=scores,
        worth=np.array([score.worth_s for score in scores.scores]) / 8.0,
        truth=covered * information / information[reference],
    )


def overlap(truth: FrameTruth, reference: FrameTruth) -> float:
    """Part of the reference's area that a frame sees; these nights turn by next to nothing."""
    ny, nx = CAMERA.shape
    dx, dy = truth.shift_x_px - reference.shift_x_px, truth.shift_y_px - reference.shift_y_px
    return float((1 - abs(dx) / nx) * (1 - abs(dy) / ny))


def measured(number: int, truth: FrameTruth, pixels: NDArray[np.uint16]) -> FrameMeasures:
    capture = Capture(
        start_utc=truth.start_utc,
        exposure_s=truth.exposure_s,
        egain_e_per_adu=CAMERA.egain_e_per_adu,
    )
    return measure(Frame(path=Path(f"frame_{number:03d}.fits"), pixels=pixels, capture=capture))


@pytest.mark.parametrize("seed", [641_001, 641_002])
def test_a_rough_night(seed: int) -> None:
    """Cloud, slipping focus, gusts, bumps, dawn, dithering: worth within 5 %, rank .98."""
    rng = np.random.default_rng(seed)
    truths = make_night(CAMERA, kind="rough", frames=FRAMES, rng=rng)
    night = scored_night(truths, rng)
    assert np.max(np.abs(night.off)) < 0.05
    assert night.rank_correlation >= 0.98


def test_frames_jolted_far_apart() -> None:
    """Two images of each star, 2 to 3.4 FWHM apart, .35 to .5 of the light in the first."""
    rng = np.random.default_rng(641_006)
    truths = ordinary_night(CALM, frames=8, rng=rng)
    jolts = [(5.2, 0.5), (6.0, 0.4), (6.5, 0.5), (7.0, 0.35), (9.0, 0.4)]
    for index, (distance_px, part) in enumerate(jolts):
        truths = bump(truths, index=index, distance_px=distance_px, angle_deg=70.0, before=part)
    assert np.max(np.abs(scored_night(truths, rng).off)) < 0.05


@pytest.mark.parametrize("seed", [641_003, 641_004])
def test_a_calm_night_whose_worth_spreads_by_a_fifth(seed: int) -> None:
    """Rank correlation .9 asked; the renderer's own calm kind spreads by 4 % only."""
    rng = np.random.default_rng(seed)
    weather = replace(CALM, seeing_scatter=0.09, transparency_scatter=0.05, memory=0.0)
    night = scored_night(ordinary_night(weather, frames=FRAMES, rng=rng), rng)
    assert 0.14 < night.spread < 0.26
    assert np.max(np.abs(night.off)) < 0.05
    assert night.rank_correlation >= 0.9


def test_a_very_calm_night() -> None:
    rng = np.random.default_rng(641_005)
    night = scored_night(make_night(CAMERA, kind="calm", frames=FRAMES, rng=rng), rng)
    assert night.spread < 0.06
    assert np.max(np.abs(night.off)) < 0.05
    assert night.rank_correlation >= 0.9


def test_errors_of_worth_are_honest() -> None:
    """Off by about as much as said, over nine short nights, each with its own reference."""
    pulls = []
    for seed in range(641_010, 641_019):
        weather = replace(
            CALM, seeing_px=2.2 + seed % 3 / 2, seeing_scatter=0.0, transparency_scatter=0.3
        )
        rng = np.random.default_rng(seed)
        night = scored_night(ordinary_night(weather, frames=5, rng=rng), rng)
        error = np.array([score.worth_err_s for score in night.scores.scores]) / 8.0
        known = error > 0  # all but the reference, which is 1 by definition
        assert np.count_nonzero(known) == 4
        pulls.append((night.off * night.truth)[known] / error[known])
    # frames of a night share their reference's error: 36 values, but some 18 free ones
    assert 0.65 < np.sqrt(np.mean(np.square(pulls))) < 1.45
