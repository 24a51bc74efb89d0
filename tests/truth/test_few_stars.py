"""Eight stars suffice; fewer are measured with a larger error and said so; none gives nothing."""

import numpy as np
import pytest

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

from .photon_bound import flux_for_snr
from .sky_frames import Layout, Sky, expose, lay_out, paint
from .star_shapes import StarShape
from .true_figures import true_figures

_SHAPE = StarShape("moffat3.5", 3.0)
_SKY = Sky(300.0)


def _measured(stars: int, seed: int) -> FrameMeasures:
    rng = np.random.default_rng([33_017, seed])
    full = lay_out(rng, _SHAPE.fwhm_px)
    chosen = rng.choice(len(full.x_px), stars, replace=False)
    layout = Layout(full.shape, full.x_px[chosen], full.y_px[chosen], full.reach_px)
    flux_e = flux_for_snr(_SHAPE, _SKY, 100.0)
    return measure(expose(flux_e * paint(_SHAPE.psf(), layout), _SKY, rng))


def test_eight_stars_suffice() -> None:
    seen = _measured(8, 1)
    assert seen.star_count == 8
    assert not seen.flags & (FrameFlag.FEW_STARS | FrameFlag.NO_STARS)


@pytest.mark.parametrize("stars", [7, 4, 1])
def test_fewer_stars_are_measured_and_flagged(stars: int) -> None:
    seen = _measured(stars, 2)
    assert seen.star_count == stars
    assert seen.flags & FrameFlag.FEW_STARS
    assert not seen.flags & FrameFlag.NO_STARS
    truth = true_figures(_SHAPE.psf())
    assert seen.fwhm_px == pytest.approx(truth.fwhm_px, abs=4 * seen.fwhm_err_px)
    assert seen.hfr_px == pytest.approx(truth.hfr_px, abs=4 * seen.hfr_err_px)


def test_fewer_stars_have_larger_errors() -> None:
    """Independent stars: the error goes as one over the root of their number, on average."""
    errors = {
        stars: np.median([_measured(stars, seed).fwhm_err_px for seed in range(6)])
        for stars in (1, 4, 8, 56)
    }
    assert errors[1] > errors[4] > errors[8] > errors[56]
    assert errors[8] / errors[56] == pytest.approx(np.sqrt(7), rel=0.35)


@pytest.mark.parametrize("stars", [2, 8])
def test_errors_of_few_stars_are_honest(stars: int) -> None:
    """(value - truth) / error over 16 frames: its rms is known to 18 %, so 0.5 to 1.8 at most."""
    truth = true_figures(_SHAPE.psf())
    seen = [_measured(stars, seed) for seed in range(100, 116)]
    for name in ("fwhm", "hfr"):
        values = np.array([getattr(frame, f"{name}_px") for frame in seen])
        errors = np.array([getattr(frame, f"{name}_err_px") for frame in seen])
        pulls = (values - getattr(truth, f"{name}_px")) / errors
        assert 0.5 <= np.sqrt(np.mean(pulls**2)) <= 1.8, f"{name}: {pulls}"


def test_no_star_gives_no_figures() -> None:
    seen = _measured(0, 3)
    assert seen.flags & FrameFlag.NO_STARS
    assert seen.star_count == 0
    for name in ("fwhm_px", "hfr_px", "axis_ratio", "nea_px", "fwhm_err_px", "hfr_err_px"):
        assert np.isnan(getattr(seen, name)), name
    assert seen.profile is None
    assert np.isfinite(seen.background_adu)
