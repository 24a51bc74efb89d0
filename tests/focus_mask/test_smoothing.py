"""Smoothing against a library's."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from starwinnow.focus_mask.smoothing import smoothed


@pytest.mark.parametrize("sigma_px", [0.6, 1.4, 3.0])
@pytest.mark.parametrize("truncate", [3.0, 4.0])
def test_smoothing_is_that_of_a_library(sigma_px: float, truncate: float) -> None:
    light = np.random.default_rng(7).normal(0.0, 1.0, (61, 47)).astype(np.float32)
    expected = gaussian_filter(light, sigma_px, truncate=truncate)
    found = smoothed(light, sigma_px, truncate=truncate)
    assert found.dtype == light.dtype
    np.testing.assert_allclose(found, expected, atol=2e-6)
