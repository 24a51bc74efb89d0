"""What is predicted of stacks, against sums worked out by hand."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.scoring import score_run
from starwinnow.settings import Aim, Settings
from starwinnow.stack_forecast import (
    StackParts,
    growing_snr,
    mean_weights,
    stack_fwhm,
    stack_parts,
    stack_snr,
)

from .test_score_values import gaussian_frame

FWHM_PER_SIGMA = 2.354820


def round_frame(number: int, light: float, fwhm_px: float) -> FrameMeasures:
    """A Gaussian star, wide against its pixel; FWHM as imaged, to a thousandth."""
    sigma2 = (fwhm_px / FWHM_PER_SIGMA) ** 2 + 1 / 12
    frame = gaussian_frame(
        number,
        transparency=light,
        noise_adu=10.0,
        fwhm_px=math.sqrt(sigma2) * FWHM_PER_SIGMA,
    )
    profile = StarProfile(fwhm_px=fwhm_px, stretch1=0.0, stretch2=0.0, beta=1e4, radius_px=1e4)
    return replace(frame, profile=profile, nea_px=4 * math.pi * sigma2)


def parts_of(frames: Sequence[FrameMeasures], aim: Aim = "depth") -> StackParts:
    scores = score_run(frames, Settings(aim=aim))
    return stack_parts(frames, scores, aim)


def gaussian_sum_fwhm(light: Sequence[float], fwhm_px: Sequence[float]) -> float:
    """Root of sum(w / (2 pi s^2) (exp(-r^2 / 2 s^2) - 1/2)) = 0, the pixel as its variance."""
    sigma2 = np.square(fwhm_px) / FWHM_PER_SIGMA**2 + 1 / 12
    weight = np.array(light) / sigma2
    return 2 * brentq(
        lambda r: float(weight @ (np.exp(-r * r / 2 / sigma2) - 0.5)), 0.0, max(fwhm_px)
    )


@pytest.mark.parametrize("fwhm_px", [2.0, 5.0, 12.0])
def test_a_stack_of_equal_frames_has_their_width(fwhm_px: float) -> None:
    parts = parts_of([round_frame(k, 1.0, fwhm_px) for k in range(4)])
    assert stack_fwhm(parts, np.ones(4)) == pytest.approx(parts.fwhm_px[0], rel=1e-12)


def test_width_of_a_sum_of_gaussians() -> None:
    light, widths = [1.0, 0.9, 0.5, 0.8], [6.0, 6.6, 8.0, 15.0]
    parts = parts_of(
        [round_frame(k, *pair) for k, pair in enumerate(zip(light, widths, strict=True))]
    )
    raw, scaled = (mean_weights(parts, mean) for mean in ("unscaled", "scaled"))
    assert stack_fwhm(parts, raw) == pytest.approx(gaussian_sum_fwhm(light, widths), rel=3e-3)
    assert stack_fwhm(parts, scaled) == pytest.approx(gaussian_sum_fwhm([1] * 4, widths), rel=3e-3)
    two = np.array([True, True, False, False])
    assert stack_fwhm(parts, raw * two) == pytest.approx(
        gaussian_sum_fwhm(light[:2], widths[:2]), rel=3e-3
    )


def test_trails_at_right_angles_make_a_round_star() -> None:
    """Two Gaussians 6 by 12 px across each other: contour of their sum, by its area."""
    frames = [round_frame(k, 1.0, math.sqrt(72.0)) for k in range(2)]
    stretch = math.log(2)
    crossed = [
        replace(frame, profile=replace(frame.profile, stretch1=sign * stretch))
        for frame, sign in zip(frames, (1, -1), strict=True)
        if frame.profile is not None
    ]
    parts = parts_of(crossed)
    angles = (np.arange(3600) + 0.5) / 3600 * 2 * math.pi
    one, other = (6 / FWHM_PER_SIGMA) ** 2 + 1 / 12, (12 / FWHM_PER_SIGMA) ** 2 + 1 / 12

    def half_px(along: float, across: float) -> float:
        def above(r: float) -> float:
            first = math.exp(-r * r / 2 * (along**2 / one + across**2 / other))
            second = math.exp(-r * r / 2 * (along**2 / other + across**2 / one))
            return (first + second) / 2 - 0.5

        return float(brentq(above, 0.1, 20))

    radii = [half_px(math.cos(a), math.sin(a)) for a in angles]
    own = np.sqrt(np.sqrt(one * other)) * FWHM_PER_SIGMA
    expected = 2 * math.sqrt(np.mean(np.square(radii))) / own * parts.fwhm_px[0]
    assert stack_fwhm(parts, np.ones(2)) == pytest.approx(expected, rel=5e-3)


def test_signal_to_noise_of_weighted_sums() -> None:
    """|sum(w T)|^2 / sum(w^2 s^2) by hand; no weights beat T / s^2 (Schwarz's inequality)."""
    rng = np.random.default_rng(33_001)
    light, noise = rng.uniform(0.3, 1, 6), rng.uniform(8, 15, 6)
    frames = [
        gaussian_frame(k, transparency=light[k], noise_adu=noise[k], fwhm_px=3.0) for k in range(6)
    ]
    parts = parts_of(frames, "glow")
    # the frames' light is relative to the reference's
    light /= light[parts.reference]
    for weights in rng.uniform(0, 1, (20, 6)):
        snr = stack_snr(parts, weights)
        assert snr == pytest.approx(abs(weights @ light) / np.sqrt(weights**2 @ noise**2))
        assert snr < stack_snr(parts, light / noise**2)


def test_no_frame_has_no_width() -> None:
    empty = stack_parts([], score_run([], Settings()), "depth")
    assert math.isnan(stack_fwhm(empty, np.empty(0)))
    parts = parts_of([round_frame(0, 1.0, 4.0)])
    assert math.isnan(stack_fwhm(parts, np.zeros(1)))
    assert stack_snr(parts, np.zeros(1)) == 0


def test_signal_to_noise_grows_as_the_root_of_equal_frames() -> None:
    parts = parts_of([round_frame(k, 1.0, 4.0) for k in range(9)])
    grown = growing_snr(parts, np.ones(9), np.arange(9))
    assert grown / grown[0] == pytest.approx(np.sqrt(np.arange(1, 10)), rel=1e-9)


def test_each_step_of_growth_is_the_stack_of_so_many_frames() -> None:
    light, widths = [1.0, 0.9, 0.3, 0.8], [6.0, 6.6, 8.0, 5.0]
    parts = parts_of(
        [round_frame(k, *pair) for k, pair in enumerate(zip(light, widths, strict=True))]
    )
    order, weights = np.array([3, 0, 1, 2]), np.array([1.0, 0.8, 0.2, 1.1])
    grown = growing_snr(parts, weights, order)
    for count in range(1, 5):
        some = np.where(np.isin(np.arange(4), order[:count]), weights, 0.0)
        assert grown[count - 1] == pytest.approx(stack_snr(parts, some), rel=1e-9)
    # A frame of three tenths of the light takes more than it gives to a plain mean.
    plain = growing_snr(parts, np.ones(4), order)
    assert plain[3] < plain[2]
