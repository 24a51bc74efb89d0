"""The profile in stars' pixels and its derivatives, held against integrals and differences."""

import numba
import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.profile.curvature import curvature_pull
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.kernel import accumulate
from starwinnow.profile.moffat_values import moffat_values
from starwinnow.profile.remainders import left_over, profile_values, stack_remainders
from starwinnow.profile.star_pixels import disc_of, expected_on, square_of

Array = NDArray[np.float64]

_SIDE = 35
_STRETCHES = 0.2, -0.1


def _moffat(q: Array, beta: float) -> Array:
    """Moffat 1969, A&A 3, 455, from memory, with q = (2 r / FWHM)^2; numpy in double precision."""
    return np.exp(-beta * np.log1p((2 ** (1 / beta) - 1) * q))


def _integrals(u: Array, v: Array, fwhm_px: float, stretches: tuple, beta: float) -> Array:
    """Means over pixels whose centres are at (u, v) from a star, by 12x12 nodes."""
    places, weights = np.polynomial.legendre.leggauss(12)
    x, y = u[..., np.newaxis, np.newaxis] + places / 2, v[..., np.newaxis] + places / 2
    y = y[..., np.newaxis]
    s1, s2 = stretches
    size = np.hypot(s1, s2)
    ratio = np.sinh(size) / size if size > 0 else 1.0
    # The matrix exp(-S) of the log-stretch vector.
    xx, xy, yy = np.cosh(size) - ratio * s1, -ratio * s2, np.cosh(size) + ratio * s1
    q = 4 * (xx * x**2 + 2 * xy * x * y + yy * y**2) / fwhm_px**2
    return np.einsum("...ba,a,b->...", _moffat(q, beta), weights, weights) / 4


def _stars(light: Array | None = None, count: int = 5) -> tuple[Cutouts, Array]:
    """Squares about stars anywhere on their pixels, and their own parameters."""
    own = np.zeros((count, 4))
    own[:, 0] = 1.0
    own[:, 1:3] = 100.0 + np.random.default_rng(7).uniform(-0.5, 0.5, (count, 2))
    if light is None:
        light = np.zeros((count, _SIDE, _SIDE))
    corner = np.full((count, 2), 100 - _SIDE // 2)
    return Cutouts(light_adu=light.astype(np.float32), corner_px=corner), own


def _offsets(own: Array, disc: NDArray[np.int64]) -> tuple[Array, Array]:
    pixel = np.floor(own[:, 1:3] + 0.5)
    u, v = (pixel[:, k, np.newaxis] - own[:, k + 1, np.newaxis] + disc[k] for k in (0, 1))
    return u, v


@pytest.mark.parametrize("beta", [1.6, 2.5, 4.0, 20.0, 500.0])
def test_moffat_in_single_precision(beta) -> None:
    q = np.concatenate([[0.0], np.geomspace(1e-4, 500.0, 3001)]).astype(np.float32)
    exponents, values = np.empty_like(q), np.empty_like(q)
    _fill(q, 1 / beta, exponents, values)
    wanted = np.minimum(beta * np.log1p((2 ** (1 / beta) - 1) * q.astype(float)), 80.0)
    np.testing.assert_allclose(exponents, wanted, rtol=5e-7)
    np.testing.assert_allclose(values, np.exp(-wanted), rtol=2e-5, atol=2e-7)


@numba.njit
def _fill(q, inverse_beta, exponents, values) -> None:
    moffat_values(q, inverse_beta, exponents, values)


@pytest.mark.parametrize("beta", [2.5, 500.0])
@pytest.mark.parametrize(
    ("fwhm_px", "accuracy"),
    [(1.3, 1.5e-3), (1.8, 6e-4), (2.4, 4e-4), (2.8, 9e-4), (3.5, 4e-4), (5.9, 1e-4), (7.0, 2e-4)],
)
def test_profile_in_pixels(fwhm_px, accuracy, beta) -> None:
    cutouts, own = _stars(count=20)
    disc = disc_of(12.0)
    shape = kernel_shape(np.array([np.log(fwhm_px), 0.0, 0.0, 1 / beta]))
    found = profile_values(cutouts, own, shape, disc)
    wanted = _integrals(*_offsets(own, disc), fwhm_px, (0.0, 0.0), beta)
    np.testing.assert_allclose(found, wanted, atol=accuracy)
    # Moved, too.
    found = profile_values(cutouts, own, shape, disc, 0.25, -0.1)
    u, v = _offsets(own, disc)
    wanted = _integrals(u + 0.25, v - 0.1, fwhm_px, (0.0, 0.0), beta)
    np.testing.assert_allclose(found, wanted, atol=1.5 * accuracy)


def test_profile_of_a_trail() -> None:
    """Along the ridge, beyond the nearest pixels, the series alone serves."""
    cutouts, own = _stars(count=20)
    disc, stretches = disc_of(12.0), (1.0, 0.3)
    shape = kernel_shape(np.array([np.log(4.0), *stretches, 0.3]))
    found = profile_values(cutouts, own, shape, disc)
    wanted = _integrals(*_offsets(own, disc), 4.0, stretches, 1 / 0.3)
    np.testing.assert_allclose(found, wanted, atol=1.5e-3)
    np.testing.assert_allclose(found.sum(axis=1), wanted.sum(axis=1), rtol=5e-4)


def _jacobian(own: Array, disc: NDArray[np.int64], shape: Array) -> Array:
    """Derivatives of stars' images by their own four and the shape's four, by differences."""

    def image(own: Array, shape: Array) -> Array:
        u, v = _offsets(fixed, disc)
        u, v = u + (fixed - own)[:, 1:2], v + (fixed - own)[:, 2:3]
        profile = _integrals(u, v, np.exp(shape[0]), tuple(shape[1:3]), 1 / shape[3])
        return own[:, :1] * profile + own[:, 3:]

    fixed, h = own.copy(), 1e-4
    columns = []
    for k in range(8):
        step = h * np.eye(8)[k]
        ahead, behind = (image(own + way * step[:4], shape + way * step[4:]) for way in (1, -1))
        columns.append((ahead - behind) / (2 * h))
    return np.stack(columns, axis=-1)


@pytest.mark.parametrize(("fwhm_px", "accuracy"), [(1.5, 4e-3), (3.0, 2e-2), (7.0, 4e-3)])
def test_normal_equations(fwhm_px, accuracy) -> None:
    rng = np.random.default_rng(3)
    light = rng.normal(0.0, 300.0, (5, _SIDE, _SIDE))
    light[:, 17, 19] = np.nan
    cutouts, own = _stars(light)
    own[:, 0], own[:, 3] = 5000.0, rng.normal(0.0, 10.0, 5)
    disc = disc_of(2.0 * fwhm_px + 1)
    parameters = np.array([np.log(fwhm_px), *_STRETCHES, 0.3])
    jacobian = _jacobian(own, disc, parameters)
    u, v = _offsets(own, disc)
    model = own[:, :1] * _integrals(u, v, fwhm_px, _STRETCHES, 1 / 0.3) + own[:, 3:]
    seen = cutouts.light_adu[:, 17 + disc[1], 17 + disc[0]] - model
    known = np.isfinite(seen)
    assert not known.all()
    jacobian *= known[..., np.newaxis]
    wanted = np.einsum("kia,kib->kab", jacobian, jacobian)
    seen = np.where(known, seen, 0.0)
    pull = np.einsum("kia,ki->ka", jacobian, seen)
    size = np.sqrt(np.einsum("kaa->ka", wanted))
    for shared in (True, False):
        m = 8 if shared else 4
        hessian, gradient = accumulate(
            cutouts, np.inf, own, kernel_shape(parameters), disc=disc,
            expected=expected_on(None, disc), shared=shared,
        )  # fmt: skip
        scale = size[:, :m, np.newaxis] * size[:, np.newaxis, :m]
        np.testing.assert_allclose(hessian / scale, wanted[:, :m, :m] / scale, atol=accuracy)
        scale = size[:, :m] * np.linalg.norm(seen, axis=1)[:, np.newaxis]
        np.testing.assert_allclose(gradient / scale, pull[:, :m] / scale, atol=accuracy)


def test_pixels_far_off_are_left_out() -> None:
    light = np.zeros((5, _SIDE, _SIDE))
    cutouts, own = _stars(light)
    disc = disc_of(6.0)
    shape = kernel_shape(np.array([np.log(3.0), 0.0, 0.0, 0.3]))
    own[:, 0] = 1000.0
    full = own[:, :1] * profile_values(cutouts, own, shape, disc)
    light[:, 17 + disc[1], 17 + disc[0]] = full
    light[:, 20, 20] += 500.0
    cutouts, _ = _stars(light)
    left, counted = left_over(cutouts, 5.0, own, shape, disc, expected_on(None, disc))
    hot = (disc == 3).all(axis=0)
    np.testing.assert_array_equal(counted, np.broadcast_to(~hot, counted.shape))
    np.testing.assert_allclose(left, 0.0, atol=1e-6)
    # What all stars have there is expected.
    common = np.zeros((2, 7, 7))
    common[0, 6, 6] = 0.5
    _, counted = left_over(cutouts, 5.0, own, shape, disc, expected_on(common, disc))
    assert counted.all()


def test_curvature_pull() -> None:
    cutouts, own = _stars()
    own[:, 0] = 1000.0
    parameters = np.array([np.log(3.0), *_STRETCHES, 0.3])
    disc = disc_of(7.0)
    variance = np.tile([0.02, 0.05], (5, 1))
    u, v = _offsets(own, disc)
    h = 0.25

    def at(right: float, up: float) -> Array:
        return _integrals(u + right, v + up, 3.0, _STRETCHES, 1 / 0.3)

    bend = 0.02 * (at(h, 0) + at(-h, 0) - 2 * at(0, 0)) / h**2
    bend += 0.05 * (at(0, h) + at(0, -h) - 2 * at(0, 0)) / h**2
    wanted = np.einsum("kia,ki->ka", _jacobian(own, disc, parameters), own[:, :1] * bend)
    found = curvature_pull(cutouts, own, variance, kernel_shape(parameters), disc)
    largest = np.abs(wanted).max(axis=0)
    # Those by x and y are none but for how the star lies on its pixels: the profile is symmetric.
    kept = [0, 3, 4, 5, 6, 7]
    np.testing.assert_allclose((found / largest)[:, kept], (wanted / largest)[:, kept], atol=0.05)


def test_squares_and_discs() -> None:
    disc, square = disc_of(2.3), square_of(5)
    assert disc.shape == (2, 21)
    assert square.shape == (2, 25)
    for pixels in (disc, square):
        away = np.hypot(*pixels)
        assert (np.diff(away) >= 0).all()
        assert len(set(map(tuple, pixels.T))) == pixels.shape[1]


@pytest.mark.parametrize("place", [(np.nan, 5.0), (5.0, np.nan)])
def test_a_lost_star_says_nothing(place) -> None:
    cutouts, own = _stars(np.ones((5, _SIDE, _SIDE)))
    own[2, 1:3] = place
    disc = disc_of(5.0)
    shape = kernel_shape(np.array([np.log(3.0), 0.0, 0.0, 0.3]))
    expected = expected_on(None, disc)
    hessian, gradient = accumulate(cutouts, np.inf, own, shape, disc=disc, expected=expected)
    assert not hessian[2].any()
    assert not gradient[2].any()
    assert hessian[1].any()
    _, counted = left_over(cutouts, np.inf, own, shape, disc, expected)
    assert not counted[2].any()


def test_pixels_beside_the_square_say_nothing() -> None:
    rng = np.random.default_rng(4)
    cutouts, own = _stars(rng.normal(0.0, 1.0, (5, _SIDE, _SIDE)))
    disc = disc_of(5.0)
    shape = kernel_shape(np.array([np.log(3.0), 0.0, 0.0, 0.3]))
    own[0, 1] -= 15.0
    left, counted = left_over(cutouts, np.inf, own, shape, disc, expected_on(None, disc))
    u, v = np.floor(own[0, 1:3] + 0.5).astype(int)[:, np.newaxis] - 83 + disc
    inside = (u >= 0) & (v >= 0) & (u < _SIDE) & (v < _SIDE)
    assert not inside.all()
    np.testing.assert_array_equal(counted[0] > 0, inside)
    model = profile_values(cutouts, own, shape, disc)[0, inside]
    wanted = cutouts.light_adu[0, v[inside], u[inside]] - model
    np.testing.assert_allclose(left[0, inside], wanted, atol=1e-6)
    assert counted[1:].all()


@pytest.mark.parametrize("count", [0, 1])
@pytest.mark.parametrize("fwhm_px", [0.8, 3.0, 8.0])
def test_few_stars_and_small_discs(count, fwhm_px) -> None:
    cutouts, own = _stars(np.ones((count, _SIDE, _SIDE)), count)
    shape = kernel_shape(np.array([np.log(fwhm_px), *_STRETCHES, 0.3]))
    for reach_px in (0.5, 2.0, 6.0):
        disc = disc_of(reach_px)
        expected = expected_on(None, disc)
        hessian, gradient = accumulate(cutouts, 1.0, own, shape, disc=disc, expected=expected)
        assert hessian.shape == (count, 8, 8)
        assert np.isfinite(hessian).all()
        assert np.isfinite(gradient).all()
        left, _ = left_over(cutouts, 1.0, own, shape, disc, expected)
        assert left.shape == (count, disc.shape[1])
        sums = stack_remainders(cutouts, 1.0, own, np.ones(count), shape, disc, expected)
        assert sums.shape == (3, disc.shape[1])
