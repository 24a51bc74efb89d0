"""Bright masked stars: the core is found among first orders that are as bright."""

import numpy as np
import pytest

from starwinnow.focus_mask import read_mask

from .trials import OPTICS, draw_masked


# Frames whose brightest star is easily centred on one of its first orders.
@pytest.mark.parametrize(("key", "index"), [(30_209, 2), (30_805, 8), (31_407, 14)])
def test_core_and_first_orders_are_all_saturated(key: int, index: int) -> None:
    """Pixels of 9 um see the first orders right beside the core."""
    truth = draw_masked(np.random.default_rng([81_003, 2, key]), OPTICS[index], 1e7)
    star = read_mask(truth.frame).stars[0]
    assert star.x_px == pytest.approx(truth.x_px, abs=0.5)
    assert star.y_px == pytest.approx(truth.y_px, abs=0.5)
    assert abs(star.triples[0].offset_px) == pytest.approx(abs(truth.offset_px), abs=0.06)
