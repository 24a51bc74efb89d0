"""The smallest and largest stars of the stated range, 1.3 to 12 px."""

import numpy as np
import pytest

from starwinnow.measure import measure

from .photon_bound import flux_for_snr
from .sky_frames import Sky, expose, lay_out, paint
from .star_shapes import StarShape
from .true_figures import true_figures


@pytest.mark.parametrize("profile", ["gaussian", "moffat3"])
@pytest.mark.parametrize("fwhm_px", [1.3, 10.0, 12.0])
def test_extreme_sizes_are_measured(profile: str, fwhm_px: float) -> None:
    """Stars are found, used, and sized within 3 %."""
    shape, sky = StarShape(profile, fwhm_px), Sky(300.0)
    rng = np.random.default_rng(71_113)
    layout = lay_out(rng, fwhm_px, columns=4, rows=3)
    stars_e = flux_for_snr(shape, sky, 100.0) * paint(shape.psf(), layout)
    seen = measure(expose(stars_e, sky, rng))
    truth = true_figures(shape.psf())
    assert seen.star_count >= 10
    assert seen.fwhm_px == pytest.approx(truth.fwhm_px, rel=0.03)
    assert seen.hfr_px == pytest.approx(truth.hfr_px, rel=0.03)
