"""The same frame with and without what is no star, and in colour and without."""

from dataclasses import dataclass

import numpy as np

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

from .other_lights import SCENES, flux_at, galaxy
from .sky_frames import Layout, Sky, expose, paint, scatter, with_light
from .star_shapes import StarShape

__all__ = ["SHAPE", "SKY", "Change", "among_galaxies", "in_scene"]

SHAPE = (900, 1200)
SKY = Sky(300.0)
_STARS = 60
_SNR = (20.0, 300.0)


@dataclass(frozen=True)
class Change:
    """Figures of one frame beside those of the same one without what was added."""

    before: FrameMeasures
    after: FrameMeasures

    def of(self, figure: str) -> float:
        """Relative change of one figure, such as 'fwhm_px'."""
        return float(getattr(self.after, figure) / getattr(self.before, figure) - 1)


def among_galaxies(
    star: StarShape, stars: int, galaxies: int, seed: int, sharpest_px: float | None = None
) -> Change:
    """Add galaxies as significant as the stars to a frame of stars.

    Their sizes go with the stars', or with those of the night's sharpest frame.
    """
    rng = np.random.default_rng([seed, stars, round(10 * star.fwhm_px)])
    reach = int(10 * star.fwhm_px + 40)
    layout = scatter(rng, SHAPE, stars + galaxies, 8 * star.fwhm_px, reach)
    fluxes_e = flux_at(star, SKY, _snr(rng, stars + galaxies))
    frame = expose(paint(star.psf(), _part(layout, slice(stars)), fluxes_e[:stars]), SKY, rng)
    shapes, sizes = zip(*(galaxy(rng, star, sharpest_px) for _ in range(galaxies)), strict=True)
    light_e = paint(
        list(shapes), _part(layout, slice(stars, None)), fluxes_e[stars:] * (1 + np.array(sizes))
    )
    return Change(measure(frame), measure(with_light(frame, light_e, rng)))


def in_scene(name: str, star: StarShape, seed: int) -> Change:
    """Add one of the scenes of `other_lights` to a frame of 60 stars."""
    rng = np.random.default_rng([seed, list(SCENES).index(name), round(10 * star.fwhm_px)])
    layout = scatter(rng, SHAPE, _STARS, 8 * star.fwhm_px, int(10 * star.fwhm_px + 12))
    stars_e = paint(star.psf(), layout, flux_at(star, SKY, _snr(rng, _STARS)))
    frame = expose(stars_e, SKY, rng)
    light_e = SCENES[name](rng, SHAPE, star, SKY)
    return Change(measure(frame), measure(with_light(frame, light_e, rng)))


def _snr(rng: np.random.Generator, count: int) -> np.ndarray:
    return np.exp(rng.uniform(*np.log(_SNR), count))


def _part(layout: Layout, chosen: slice) -> Layout:
    return Layout(layout.shape, layout.x_px[chosen], layout.y_px[chosen], layout.reach_px)
