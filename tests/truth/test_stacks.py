"""A made stack of a rough night shows what was predicted of it; benchmarks/stacks.py makes more."""

import numpy as np
import pytest

from starwinnow.settings import MEANS, Mean
from starwinnow.stack_forecast import stack_fwhm, stack_snr

from .made_stacks import MadeNight, Plan, make_night, snr_ratio
from .rough_nights import draw_conditions, draw_field


@pytest.fixture(scope="module")
def night() -> MadeNight:
    """Sixteen frames, six of them bad: under cloud, out of focus, trailed."""
    rng = np.random.default_rng(52_001)
    field = draw_field((900, 1080), rng, bright_part=0.06, faint_part=0.26)
    return make_night(
        field, draw_conditions(16, 0.375, ("cloud", "out-of-focus", "trailed"), rng), rng
    )


def assert_as_predicted(night: MadeNight, plan: Plan, weights: np.ndarray) -> float:
    """Within 3 %, by a measurement good to two thirds of that; the gain made."""
    made, error = snr_ratio(
        night.faint_stars(weights), night.faint_stars(plan.even), np.random.default_rng(52_002)
    )
    predicted = stack_snr(plan.parts, weights) / stack_snr(plan.parts, plan.even)
    assert error < 0.02
    assert predicted == pytest.approx(made, rel=0.03)
    return made


@pytest.mark.parametrize("mean", MEANS)
def test_signal_to_noise_is_that_of_the_made_stack(night: MadeNight, mean: Mean) -> None:
    """Matched-filter S/N of some 170 faint stars, over that of a mean of all frames."""
    plan = night.plan("depth", mean)
    keep = assert_as_predicted(night, plan, plan.kept * plan.even)
    half = assert_as_predicted(night, plan, plan.best(0.5) * plan.even)
    weighted = assert_as_predicted(night, plan, plan.weights)
    assert weighted > keep > max(half, 1.0)


def test_stars_are_as_narrow_as_predicted(night: MadeNight) -> None:
    """FWHM read off the bright stars of the made stacks, and measured like that of any frame.

    Resampling widens all stars alike, those of some 2.3 px by about 4 %.
    """
    plan = night.plan("detail", "unscaled")
    keep = plan.kept * plan.even
    predicted, everything = stack_fwhm(plan.parts, keep), stack_fwhm(plan.parts, plan.even)
    assert predicted < everything
    for width in (night.star_width, night.fitted_width):
        assert predicted / everything == pytest.approx(width(keep) / width(plan.even), rel=0.01)
        assert 0.94 < predicted / width(keep) < 1.0
