"""Frames of stars far out of focus, and how well they are found and measured."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

from .sky_frames import Layout, Sky, expose, paint, scatter
from .star_shapes import StarShape, disc
from .true_figures import true_figures

__all__ = ["Defocused", "defocused"]

_SHAPE = (900, 1200)
_SKY = Sky(300.0)
_SEEING = StarShape("moffat3", 3.0)
_STARS = 30
# Centres may be off by this and by a twentieth of the diameter; a rim is half of it away.
_OFF_PX, _OFF_PART = 1.0, 0.05


@dataclass(frozen=True)
class Defocused:
    """A measured frame of discs or rings beside its truth.

    Attributes
    ----------
    seen : FrameMeasures
    true_hfr_px : float
        Inside R as the frame's flag says it is: 1.5 outer radii for discs, else 3 FWHM.
    found : float
        Part of the stars with an unflagged one at their centre.
    false : int
        Unflagged stars that are at no centre.
    """

    seen: FrameMeasures
    true_hfr_px: float
    found: float
    false: int

    @property
    def true_count(self) -> int:
        """Stars drawn."""
        return _STARS

    @property
    def hfr_offset(self) -> float:
        """(value - truth) / truth."""
        return self.seen.hfr_px / self.true_hfr_px - 1


def defocused(
    diameter_px: float,
    inner_part: float,
    seed: int,
    faintest_snr: float = 100.0,
    spread: float = 1.2,
) -> Defocused:
    """Draw and measure one frame of 30 stars of S/N `faintest_snr` to e^`spread` times as much.

    S/N is a matched filter's with the sky's noise alone: S^2 = F^2 / (variance NEA).
    """
    rng = np.random.default_rng([seed, round(10 * diameter_px), round(100 * inner_part)])
    star = disc(_SEEING.psf(), diameter_px, inner_part)
    # R is 1.5 outer radii, of both 0.75 FWHM.
    true = true_figures(star, radius_per_fwhm=0.75)
    reach = int(1.5 * diameter_px + 25)
    layout = scatter(rng, _SHAPE, _STARS, 1.6 * diameter_px + 25, reach)
    snr = faintest_snr * np.exp(rng.uniform(0.0, spread, _STARS))
    fluxes_e = snr * np.sqrt(_SKY.variance * true.nea_total_px)
    seen = measure(expose(paint(star, layout, fluxes_e), _SKY, rng))
    if not seen.flags & FrameFlag.DISCS:
        true = true_figures(star)
    apart_px = _distances(seen, layout)
    near = apart_px < _OFF_PX + _OFF_PART * diameter_px
    return Defocused(
        seen=seen,
        true_hfr_px=true.hfr_px,
        found=float(np.mean(near.any(axis=0))),
        false=int(np.sum(~near.any(axis=1))),
    )


def _distances(seen: FrameMeasures, layout: Layout) -> NDArray[np.float64]:
    """From each unflagged star to each true centre, shape (n, stars), px."""
    used = seen.stars.flags == 0
    dx = seen.stars.x_px[used][:, np.newaxis] - layout.x_px
    dy = seen.stars.y_px[used][:, np.newaxis] - layout.y_px
    return np.asarray(np.hypot(dx, dy))
