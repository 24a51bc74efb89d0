"""The keep set against trying all sets, and against limits worked out by hand."""

import itertools

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.keep_set import flip_gains, keep_set, stack_snr2

Amplitudes = NDArray[np.float64]


def gaussian_stars(fwhm_px: NDArray[np.float64]) -> Amplitudes:
    """Transforms of Gaussian stars of unit flux, shape (n, k), whose squares sum to 1 / NEA."""
    sigma = fwhm_px / 2.354820
    step = 0.5 / 600 / np.min(sigma)
    frequency = (np.arange(1200) + 0.5) * step
    ring = 2 * np.pi * frequency * step
    exponent = -2 * (np.pi * np.outer(sigma, frequency)) ** 2
    stars: Amplitudes = np.exp(exponent) * np.sqrt(ring)
    return stars


def all_sets(count: int) -> NDArray[np.bool_]:
    sets = np.array(list(itertools.product([False, True], repeat=count)))
    return sets[sets.any(axis=1)]


def test_gaussian_stars_have_their_noise_equivalent_area() -> None:
    """King 1983, PASP 95, 163 (from memory): 2.26618 FWHM^2."""
    squares = np.sum(gaussian_stars(np.array([3.0, 6.0])) ** 2, axis=1)
    assert 1 / squares == pytest.approx([2.26618 * 9, 2.26618 * 36], rel=1e-4)


@pytest.mark.parametrize("aim", ["glow", "depth"])
@pytest.mark.parametrize("scaled", [False, True], ids=["as-they-are", "scaled"])
def test_within_a_thousandth_of_the_best_of_all_sets(aim: str, scaled: bool) -> None:
    """Sixty nights of twelve frames each; the best of 4,095 sets by trying them all."""
    rng = np.random.default_rng(88_101)
    sets = all_sets(12)
    for _ in range(60):
        transparency = np.exp(-rng.exponential(0.5, 12))
        noise = np.exp(rng.normal(0, 0.3, 12))
        fwhm = 3 * np.exp(np.abs(rng.normal(0, 0.35, 12)))
        stars = gaussian_stars(fwhm) if aim == "depth" else np.ones((12, 1))
        amplitudes = stars if scaled else stars * transparency[:, np.newaxis]
        variances = (noise / transparency) ** 2 if scaled else noise**2
        products = amplitudes @ amplitudes.T
        squares = np.sum((sets @ products) * sets, axis=1)
        best = np.max(squares / (sets @ variances))
        chosen = keep_set(amplitudes, variances)
        found = stack_snr2(amplitudes, variances, chosen)
        assert np.sqrt(found) >= 0.999 * np.sqrt(best)
        assert not np.any(flip_gains(amplitudes, variances, chosen) > 1e-9)


def test_flip_gains_are_what_flipping_gains() -> None:
    rng = np.random.default_rng(88_102)
    amplitudes, variances = rng.uniform(0, 1, (9, 3)), rng.uniform(0.5, 2, 9)
    chosen = np.arange(9) % 3 > 0
    before = stack_snr2(amplitudes, variances, chosen)
    for index, gain in enumerate(flip_gains(amplitudes, variances, chosen)):
        flipped = chosen.copy()
        flipped[index] = not flipped[index]
        assert stack_snr2(amplitudes, variances, flipped) / before - 1 == pytest.approx(gain)


def is_kept(amplitudes: Amplitudes, variances: NDArray[np.float64]) -> bool:
    """Whether the last frame is, where all others are."""
    chosen = keep_set(amplitudes, variances)
    assert chosen[:-1].all()
    return bool(chosen[-1])


# The limits below are derived: a plain mean of N equal frames and one worse.
@pytest.mark.parametrize("count", [1, 10, 50])
def test_noise_limit_of_a_mean_scaled_to_equal_flux(count: int) -> None:
    """A frame serves while its variance is below 2 + 1/N of the others'."""
    limit = 2 + 1 / count
    for factor in (0.999, 1.001):
        variances = np.array([1.0] * count + [factor * limit])
        assert is_kept(np.ones((count + 1, 1)), variances) == (factor < 1)


@pytest.mark.parametrize(("count", "published"), [(1, 0.414), (10, 0.488)])
def test_transparency_limit_of_a_mean_of_frames_as_they_are(count: int, published: float) -> None:
    """A frame serves while its transparency is above sqrt(N^2 + N) - N."""
    limit = np.sqrt(count**2 + count) - count
    assert limit == pytest.approx(published, abs=5e-4)
    for factor in (0.999, 1.001):
        amplitudes = np.array([1.0] * count + [factor * limit])[:, np.newaxis]
        assert is_kept(amplitudes, np.ones(count + 1)) == (factor > 1)


@pytest.mark.parametrize(("count", "limit"), [(1, 2.058), (5, 1.806), (10, 1.770), (50, 1.740)])
def test_fwhm_limit_of_a_mean(count: int, limit: float) -> None:
    """Faint stars, Gaussian, found with the stack's own profile; towards sqrt(3) for many."""
    for factor in (0.999, 1.001):
        fwhm = np.array([3.0] * count + [3.0 * factor * limit])
        assert is_kept(gaussian_stars(fwhm), np.ones(count + 1)) == (factor < 1)


def test_sixty_good_frames_and_forty_poor() -> None:
    """S/N per unit flux of four ways to stack T = 1, noise 10 and T = .5, noise 14."""
    transparency, noise = np.repeat([1.0, 0.5], [60, 40]), np.repeat([10.0, 14.0], [60, 40])
    raw, everything = transparency[:, np.newaxis], np.ones(100, np.bool_)
    assert np.sqrt(stack_snr2(raw, noise**2, everything)) == pytest.approx(0.6800, abs=5e-5)
    scaled = np.ones((100, 1)), (noise / transparency) ** 2
    assert np.sqrt(stack_snr2(*scaled, everything)) == pytest.approx(0.5174, abs=5e-5)
    weights = transparency / noise**2
    weighted = weights[:, np.newaxis] * raw, (weights * noise) ** 2
    assert np.sqrt(stack_snr2(*weighted, everything)) == pytest.approx(0.8069, abs=5e-5)
    for amplitudes, variances in ((raw, noise**2), scaled):
        chosen = keep_set(amplitudes, variances)
        assert np.array_equal(chosen, transparency == 1)
        assert np.sqrt(stack_snr2(amplitudes, variances, chosen)) == pytest.approx(0.7746, abs=5e-5)


def test_a_strongly_defocused_frame_that_changes_sign_is_left_out() -> None:
    """Its detail is there, but a mean takes it off: A counts with its sign, not its size."""
    amplitudes = np.array([[1.0], [1.0], [1.0], [-0.9]])
    assert keep_set(amplitudes, np.ones(4)).tolist() == [True, True, True, False]


def test_one_frame_and_none() -> None:
    assert keep_set(np.ones((1, 1)), np.ones(1)).tolist() == [True]
    assert keep_set(np.ones((0, 1)), np.ones(0)).tolist() == []
    assert stack_snr2(np.ones((2, 1)), np.ones(2), np.zeros(2, np.bool_)) == 0
