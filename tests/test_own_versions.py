"""Small arrays are worked on by hand, as libraries spend most of such a call on its arguments.

The libraries are what they are held against.
"""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, median_filter

from starwinnow.background import _change, _median_3x3
from starwinnow.detection import _most_first, _spreads
from starwinnow.focus_mask.smoothing import smoothed
from starwinnow.profile.elimination import inverse_of
from starwinnow.quantile import quantile
from starwinnow.sources import _cover


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20_311)


@pytest.mark.parametrize("shape", [(2, 1), (2, 2), (2, 7), (3, 3), (9, 13)])
@pytest.mark.parametrize("axis", [0, 1])
def test_the_change_from_cell_to_cell(rng, shape, axis) -> None:
    mesh = rng.normal(500.0, 20.0, shape if axis == 0 else shape[::-1])
    np.testing.assert_array_equal(_change(mesh, axis), np.gradient(mesh, axis=axis))


@pytest.mark.parametrize("shape", [(3, 3), (9, 13)])
def test_the_median_of_neighbouring_cells(rng, shape) -> None:
    mesh = rng.normal(500.0, 20.0, shape).astype(np.float32)
    inner = np.s_[1:-1, 1:-1]
    np.testing.assert_array_equal(_median_3x3(mesh)[inner], median_filter(mesh, 3)[inner])
    # Beyond its edges a mesh goes on as it changes: a plane stays one.
    plane = np.add.outer(2.0 * np.arange(shape[0]), 3.0 * np.arange(shape[1])).astype(np.float32)
    np.testing.assert_array_equal(_median_3x3(plane), plane)


@pytest.mark.parametrize("side", [3, 4])
def test_the_inverse_of_a_small_matrix(rng, side) -> None:
    root = rng.normal(0.0, 1.0, (side, side))
    matrix = root @ root.T + np.eye(side)
    np.testing.assert_allclose(inverse_of(matrix), np.linalg.inv(matrix), rtol=1e-9, atol=1e-10)


def test_the_bins_that_discs_cover(rng) -> None:
    for _ in range(50):
        x, y, radius = rng.uniform(-8, 210, 40), rng.uniform(-8, 160, 40), rng.uniform(1, 40, 40)
        covered = np.zeros((75, 100), np.bool_)
        _cover(x, y, radius, covered)
        v, u = (y - 0.5) / 2, (x - 0.5) / 2
        row, column = np.ogrid[:75, :100]
        inside = [
            (row - v[k]) ** 2 + (column - u[k]) ** 2 <= radius[k] ** 2 / 4 for k in range(len(x))
        ]
        np.testing.assert_array_equal(covered, np.any(inside, axis=0))


def test_a_disc_outside_of_the_frame_covers_no_bin() -> None:
    covered = np.zeros((75, 100), np.bool_)
    _cover(np.array([0.5, 4.5]), np.array([-5.0, -3.0]), np.array([5.25, 3.0]), covered)
    assert not covered.any()


@pytest.mark.parametrize("part", [0.0, 0.25, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("count", [1, 2, 9, 50])
def test_quantiles(rng, part, count) -> None:
    values = rng.normal(0.0, 1.0, count)
    assert quantile(values, part) == pytest.approx(np.quantile(values, part), abs=1e-12)


@pytest.mark.parametrize("count", [1, 7, 500])
def test_the_difference_of_two_ranks(rng, count) -> None:
    tiles = rng.normal(0.0, 3.0, (4, count)).astype(np.float32)
    tiles[1] = np.abs(tiles[1])
    tiles[2, ::2] = 0.0
    tiles[3] = -tiles[1]
    far, near = count // 40, count // 6
    spreads = np.empty(4, np.float32)
    _spreads(tiles, far, near, spreads)
    ranked = np.sort(tiles, axis=1)
    np.testing.assert_array_equal(spreads, ranked[:, near] - ranked[:, far])


@pytest.mark.parametrize("alike", [1, 2, 40])
@pytest.mark.parametrize("count", [0, 1, 500])
def test_the_order_of_peaks(rng, count, alike) -> None:
    values = rng.permutation(np.arange(count) // alike).astype(np.float64)
    np.testing.assert_array_equal(_most_first(values), np.argsort(-values, kind="stable"))


@pytest.mark.parametrize("sigma_px", [0.6, 1.5, 3.0])
def test_smoothing(rng, sigma_px) -> None:
    image = rng.normal(0.0, 1.0, (30, 41))
    wanted = gaussian_filter(image, sigma_px, mode="reflect", truncate=3.0)
    np.testing.assert_allclose(smoothed(image, sigma_px, truncate=3.0), wanted, atol=1e-12)
