"""Cloud dims the stars but does not change their size; neither may the figures."""

import numpy as np
import pytest

from starwinnow.measure import measure

from .photon_bound import flux_for_snr
from .sky_frames import Sky, expose, lay_out, paint
from .star_shapes import StarShape

_TRANSPARENCIES = (1.0, 0.6, 0.35, 0.2)
_FRAMES = 4


@pytest.mark.parametrize(
    "shape",
    [
        StarShape("gaussian", 2.0),
        StarShape("moffat3", 3.0),
        StarShape("kolmogorov", 4.0),
    ],
    ids=lambda shape: f"{shape.profile}-{shape.fwhm_px}",
)
def test_star_size_does_not_depend_on_transparency(shape: StarShape) -> None:
    """Same stars, S/N 150 in the clear frame, other noise: means differ by less than 1 %.

    Each mean of four frames carries its own noise; twice the standard error of a difference is
    allowed on top.
    """
    sky = Sky(300.0)
    flux_e = flux_for_snr(shape, sky, 150.0)
    rng = np.random.default_rng(90_417)
    layout = lay_out(rng, shape.fwhm_px)
    stars_e = flux_e * paint(shape.psf(), layout)
    sizes = np.array(
        [
            [
                [(seen := measure(expose(clear * stars_e, sky, rng))).fwhm_px, seen.hfr_px]
                for _ in range(_FRAMES)
            ]
            for clear in _TRANSPARENCIES
        ]
    )
    means, errors = sizes.mean(axis=1), sizes.std(axis=1, ddof=1) / np.sqrt(_FRAMES)
    difference = means[1:] / means[0] - 1
    allowed = 0.01 + 2 * np.hypot(errors[1:], errors[0]) / means[0]
    assert np.all(np.abs(difference) <= allowed), (
        f"FWHM and HFR against the clear frame, {_TRANSPARENCIES[1:]}: {difference}"
    )
