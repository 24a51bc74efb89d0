"""The keep set against limits worked out by hand and against trying every set."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.frame_measures import StarProfile
from starwinnow.keep_set import flip_gains, keep_set, stack_snr2
from starwinnow.star_spectrum import depth_frequencies, star_spectrum

from .set_search import best_by_exchange, best_of_all_sets

GAUSSIAN = StarProfile(fwhm_px=6.0, stretch1=0.0, stretch2=0.0, beta=1e4, radius_px=1e4)


def gain_of_one_more(equals: int, amplitude: float, variance: float) -> float:
    """Relative change of S/N^2 when a frame joins the mean of some of amplitude 1, variance 1."""
    amplitudes = np.append(np.ones(equals), amplitude)[:, np.newaxis]
    variances = np.append(np.ones(equals), variance)
    chosen = np.append(np.ones(equals, np.bool_), False)
    return float(flip_gains(amplitudes, variances, chosen)[-1])


@pytest.mark.parametrize(("equals", "limit"), [(1, 3.0), (10, 2.1), (50, 2.02)])
def test_a_noisier_frame_helps_up_to_a_variance_of_two_and_a_bit(equals: int, limit: float) -> None:
    """CHECKS b, derived: a mean of N equal frames bears variance 2 + 1/N times theirs."""
    assert gain_of_one_more(equals, 1.0, 0.999 * limit) > 0
    assert gain_of_one_more(equals, 1.0, 1.001 * limit) < 0


@pytest.mark.parametrize(("equals", "limit"), [(1, 0.4142), (10, 0.4881), (10_000, 0.5)])
def test_a_dimmer_frame_helps_down_to_about_half_the_light(equals: int, limit: float) -> None:
    """CHECKS b, derived: sqrt(N^2 + N) - N, towards 1/2."""
    assert gain_of_one_more(equals, 1.002 * limit, 1.0) > 0
    assert gain_of_one_more(equals, 0.998 * limit, 1.0) < 0


@pytest.mark.parametrize(
    ("equals", "limit"), [(1, 2.058), (5, 1.806), (10, 1.770), (50, 1.740), (5000, 3**0.5)]
)
def test_a_softer_frame_helps_up_to_about_root_three_in_width(equals: int, limit: float) -> None:
    """CHECKS b, derived: faint stars, Gaussian, the filter matched anew to the stack's star."""
    frequencies, areas = depth_frequencies()
    stars = [
        star_spectrum(replace(GAUSSIAN, fwhm_px=6.0 * width), frequencies)
        for width in (1.0, 0.995 * limit, 1.005 * limit)
    ]
    # the limit leaves the pixel out: take its factor off again
    pixel = np.sinc(frequencies[:, 0]) * np.sinc(frequencies[:, 1])
    narrow, softer, too_soft = (star / pixel * np.sqrt(areas) for star in stars)
    chosen = np.append(np.ones(equals, np.bool_), False)
    for star, helps in ((softer, True), (too_soft, False)):
        amplitudes = np.vstack([np.tile(narrow, (equals, 1)), star])
        gain = flip_gains(amplitudes, np.ones(equals + 1), chosen)[-1]
        assert (gain > 0) == helps


def test_sixty_good_and_forty_poor_frames() -> None:
    """CHECKS b: S/N per unit flux of all .6800 raw and .5174 scaled, of the good ones .7746."""
    light = np.repeat([1.0, 0.5], [60, 40])
    noise = np.repeat([10.0, 14.0], [60, 40])
    good, everything = light == 1, np.ones(100, np.bool_)
    raw, scaled = light[:, np.newaxis], np.ones((100, 1))
    assert np.sqrt(stack_snr2(raw, noise**2, everything)) == pytest.approx(0.6800, abs=5e-5)
    assert np.sqrt(stack_snr2(raw, noise**2, good)) == pytest.approx(0.7746, abs=5e-5)
    assert np.sqrt(stack_snr2(scaled, (noise / light) ** 2, everything)) == pytest.approx(
        0.5174, abs=5e-5
    )
    weights = light / noise**2
    assert np.sqrt(stack_snr2(raw, noise**2, weights)) == pytest.approx(0.8069, abs=5e-5)
    assert np.array_equal(keep_set(raw, noise**2), good)
    assert np.array_equal(keep_set(scaled, (noise / light) ** 2), good)


def made_up_frames(
    kind: str, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64] | NDArray[np.complex128], NDArray[np.float64]]:
    """Amplitudes and variances of frames that differ in light and noise, and as `kind` says."""
    light = rng.uniform(0.1, 1, count)
    variances = np.exp(rng.normal(0, 0.6, count))
    if kind == "light":
        return light[:, np.newaxis], variances
    if kind == "sharpness":
        shapes = [
            StarProfile(
                fwhm_px=3 * np.exp(rng.normal(0, 0.5)),
                stretch1=rng.normal(0, 0.4),
                stretch2=rng.normal(0, 0.4),
                beta=3.0,
                radius_px=30.0,
            )
            for _ in range(count)
        ]
        frequencies, areas = depth_frequencies()
        stars = np.array([star_spectrum(shape, frequencies) for shape in shapes])
        return light[:, np.newaxis] * stars * np.sqrt(areas), variances
    # a strongly defocused star changes sign, a bumped one turns complex
    bend = rng.normal(0, 0.7, (count, 8)) + 1j * rng.normal(0, 0.4, (count, 8))
    return light[:, np.newaxis] * (1 + bend), variances


@pytest.mark.parametrize("kind", ["light", "sharpness", "signs"])
def test_no_other_set_of_twelve_frames_is_better(kind: str) -> None:
    """Within .1 % of S/N of the best of all 4,095 sets, on 60 nights of each kind."""
    rng = np.random.default_rng(731_001)
    behind = []
    for _ in range(60):
        frames = made_up_frames(kind, 12, rng)
        behind.append(
            1 - np.sqrt(stack_snr2(*frames, keep_set(*frames)) / best_of_all_sets(*frames))
        )
    assert max(behind) < 1e-3, f"worst S/N behind the best set: {max(behind):.2e}"


@pytest.mark.parametrize("kind", ["light", "sharpness", "signs"])
def test_no_exchange_finds_a_better_set_of_two_hundred_frames(kind: str) -> None:
    """Within .1 % of S/N of the best that exchanges of one or two frames reach."""
    rng = np.random.default_rng(731_004)
    behind = []
    for _ in range(3):
        frames = made_up_frames(kind, 200, rng)
        best = best_by_exchange(*frames, starts=12, rng=rng)
        behind.append(1 - np.sqrt(stack_snr2(*frames, keep_set(*frames)) / best))
    assert max(behind) < 1e-3, f"worst S/N behind the best set: {max(behind):.2e}"


@pytest.mark.parametrize("kind", ["light", "signs"])
def test_the_exchange_search_finds_the_best_of_all_sets(kind: str) -> None:
    """The yardstick of the test above, against trying all."""
    rng = np.random.default_rng(731_005)
    for _ in range(20):
        frames = made_up_frames(kind, 12, rng)
        found = best_by_exchange(*frames, starts=12, rng=rng)
        assert found == pytest.approx(best_of_all_sets(*frames), rel=1e-9)


def test_does_not_depend_on_order() -> None:
    rng = np.random.default_rng(731_002)
    amplitudes, variances = rng.uniform(0.1, 1, (200, 5)), rng.uniform(0.5, 4, 200)
    order = rng.permutation(200)
    kept = keep_set(amplitudes, variances)
    assert 0 < kept.sum() < 200
    assert np.array_equal(keep_set(amplitudes[order], variances[order]), kept[order])


def test_no_frame_and_one_frame() -> None:
    assert len(keep_set(np.empty((0, 3)), np.empty(0))) == 0
    assert keep_set(np.array([[0.2, 0.1]]), np.array([5.0])).tolist() == [True]
    assert stack_snr2(np.ones((2, 1)), np.ones(2), np.zeros(2, np.bool_)) == 0


def test_gain_of_a_flip_is_the_change_of_the_stack() -> None:
    rng = np.random.default_rng(731_003)
    amplitudes = rng.normal(1, 0.5, (9, 4)) + 1j * rng.normal(0, 0.5, (9, 4))
    variances, chosen = rng.uniform(0.5, 2, 9), np.arange(9) < 5
    before = stack_snr2(amplitudes, variances, chosen)
    for row, gain in enumerate(flip_gains(amplitudes, variances, chosen)):
        flipped = chosen.copy()
        flipped[row] = not flipped[row]
        assert gain == pytest.approx(stack_snr2(amplitudes, variances, flipped) / before - 1)
