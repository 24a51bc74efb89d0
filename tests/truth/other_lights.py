"""Light that is no star's: galaxies, a comet, a nebula, a cluster's core, a streak; electrons.

Brightness is given in standard deviations of a pixel of the sky, sizes in pixels.
"""

from collections.abc import Callable
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .sky_frames import Layout, Sky, paint
from .star_shapes import StarShape
from .true_figures import true_figures

__all__ = ["SCENES", "Scene", "flux_at", "galaxy"]

Array = NDArray[np.float64]

# What is no star need not be drawn as finely as stars, which takes four times as long.
_DRAWING = galsim.GSParams()

# Light over a frame of a shape, among stars of a shape, on a sky.
Scene = Callable[[np.random.Generator, tuple[int, int], StarShape, Sky], Array]


def flux_at(star: StarShape, sky: Sky, snr: float | Array) -> Array:
    """Flux of a star of this matched-filter S/N where the sky's noise is all: F^2 = S^2 v NEA."""
    return np.asarray(snr * np.sqrt(sky.variance * true_figures(star.psf()).nea_total_px))


def galaxy(
    rng: np.random.Generator, star: StarShape, sharpest_px: float | None = None
) -> tuple[Any, float]:
    """One galaxy seen through the air, unit flux, and its half-light radius in FWHM.

    Discs and bulges (exponential and de Vaucouleurs profiles), at any angle, .25 to 2 times as
    large as the FWHM, or as that of the night's sharpest frame.
    """
    size = float(np.exp(rng.uniform(np.log(0.25), np.log(2.0))))
    if sharpest_px is not None:
        size *= sharpest_px / star.fwhm_px
    kind = galsim.Exponential if rng.random() < 0.6 else galsim.DeVaucouleurs
    light = kind(half_light_radius=size * star.fwhm_px)
    light = light.shear(q=rng.uniform(0.3, 1.0), beta=rng.uniform(0, 180) * galsim.degrees)
    return galsim.Convolve(light, star.psf().withGSParams(_DRAWING)), size


def _grid(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[Array, Array]:
    """x and y of all pixels from a place in the frame's middle part."""
    y, x = np.indices(shape, dtype=float)
    return x - rng.uniform(0.25, 0.75) * shape[1], y - rng.uniform(0.25, 0.75) * shape[0]


def _turned(rng: np.random.Generator, x: Array, y: Array) -> tuple[Array, Array]:
    angle = rng.uniform(0, 2 * np.pi)
    return x * np.cos(angle) + y * np.sin(angle), y * np.cos(angle) - x * np.sin(angle)


def _comet(rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky) -> Array:
    """A coma that falls as 1 / r, as gas flowing out evenly does, and a tail."""
    x, y = _grid(rng, shape)
    r = np.hypot(x, y)
    along, aside = _turned(rng, x, y)
    coma = 140 / (1 + r / (0.8 * star.fwhm_px)) * np.exp(-((r / 90) ** 2))
    width = 5 + 0.15 * np.abs(along)
    tail = np.where(along > 0, 23 * np.exp(-np.abs(aside) / width - along / 250), 0.0)
    return float(np.sqrt(sky.variance) * _brightness(rng)) * (coma + tail)


def _nebula(rng: np.random.Generator, shape: tuple[int, int], _: StarShape, sky: Sky) -> Array:
    """Knots 28 px wide on clouds 120 px wide, over a quarter of a frame of a megapixel."""
    x, y = _grid(rng, shape)
    knots, clouds = (
        gaussian_filter(rng.normal(size=shape), sigma) * 2 * np.sqrt(np.pi) * sigma
        for sigma in (12.0, 50.0)
    )
    light = np.exp(-((np.hypot(x, y) / 250) ** 2)) * (35 + 14 * knots + 17 * clouds)
    return float(np.sqrt(sky.variance) * _brightness(rng)) * np.clip(light, 0.0, None)


def _globular(rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky) -> Array:
    """The core of a cluster: 1,200 stars whose density falls as 1 / (1 + (r / 35 px)^2)."""
    ny, nx = shape
    count = 1200
    radius = 35 * np.sqrt(1 / rng.uniform(0.03, 1.0, count) - 1)
    angle = rng.uniform(0, 2 * np.pi, count)
    x = rng.uniform(0.25, 0.75) * nx + radius * np.cos(angle)
    y = rng.uniform(0.25, 0.75) * ny + radius * np.sin(angle)
    snr = np.minimum(8 * np.exp(rng.exponential(1.0, count)), 300.0)
    fluxes_e = flux_at(star, sky, snr)
    reach = int(6 * star.fwhm_px + 8)
    side = 2 * reach + 2
    # On a grid of quarters of a pixel, so that sixteen images serve for all.
    quarters = reach + np.arange(4)[:, np.newaxis] / 4
    images = [
        [paint(star.psf(), Layout((side, side), x_part, y_part, reach)) for x_part in quarters]
        for y_part in quarters
    ]
    light_e = np.zeros((ny + 2 * side, nx + 2 * side))
    for column, row, flux_e in zip(np.rint(4 * x), np.rint(4 * y), fluxes_e, strict=True):
        x0, y0 = int(column // 4) - reach + side, int(row // 4) - reach + side
        image = images[int(row % 4)][int(column % 4)]
        if 0 <= x0 <= nx + side and 0 <= y0 <= ny + side:
            light_e[y0 : y0 + side, x0 : x0 + side] += flux_e * image
    return light_e[side:-side, side:-side]


def _spiral(rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky) -> Array:
    """One bright galaxy: an exponential disc seen at an angle, and a bulge."""
    x, y = _turned(rng, *_grid(rng, shape))
    bulge = 230 * np.exp(-((np.hypot(x, y) / (1.5 * star.fwhm_px)) ** 2))
    light = 460 * np.exp(-np.hypot(x, y / rng.uniform(0.3, 1.0)) / 25) + bulge
    return float(np.sqrt(sky.variance) * _brightness(rng)) * light


def _line(
    rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky, length_px: float
) -> Array:
    """A line of light as wide as a star; across it that of a Moffat of beta 3, beta 2.5."""
    along, aside = _turned(rng, *_grid(rng, shape))
    core = star.fwhm_px / (2 * np.sqrt(2 ** (1 / 3) - 1))
    ends = np.clip((length_px / 2 - np.abs(along)) / star.fwhm_px + 0.5, 0.0, 1.0)
    peak = np.exp(rng.uniform(np.log(2.0), np.log(80.0)))
    return float(np.sqrt(sky.variance) * peak) * ends * (1 + (aside / core) ** 2) ** -2.5


def _streak(rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky) -> Array:
    return _line(rng, shape, star, sky, 1e4)


def _short_streak(
    rng: np.random.Generator, shape: tuple[int, int], star: StarShape, sky: Sky
) -> Array:
    return _line(rng, shape, star, sky, rng.uniform(60, 300))


def _brightness(rng: np.random.Generator) -> float:
    """A third to three times as bright as the middle one."""
    return float(np.exp(rng.uniform(-np.log(3.0), np.log(3.0))))


SCENES: dict[str, Scene] = {
    "comet": _comet,
    "nebula": _nebula,
    "globular": _globular,
    "bright galaxy": _spiral,
    "streak": _streak,
    "short streak": _short_streak,
}
