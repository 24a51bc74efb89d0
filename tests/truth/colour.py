"""Star fields through the colour filters of a sensor, for stars of a given temperature."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Frame

from .other_lights import flux_at
from .sky_frames import Sky, expose, paint, scatter
from .star_shapes import StarShape

__all__ = ["PATTERNS", "SKY_PARTS", "as_mosaic", "responses", "star_field"]

Array = NDArray[np.float64]

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
# What a filter lets through of a flat spectrum and of the sky, beside green: common practice, no
# source; and the middle of its band, um.
SKY_PARTS = {"R": 0.7, "G": 1.0, "B": 0.8}
_BAND_UM = {"R": 0.60, "G": 0.53, "B": 0.46}
# Planck's second radiation constant, um K (CODATA 2018).
_SECOND_RADIATION = 14_387.77


def responses(temperature_k: float) -> dict[str, float]:
    """Light of a black body in each colour over that in green, in photons: Planck's law."""
    photons = {
        colour: 1 / (um**4 * (np.exp(_SECOND_RADIATION / (um * temperature_k)) - 1))
        for colour, um in _BAND_UM.items()
    }
    return {colour: SKY_PARTS[colour] * photons[colour] / photons["G"] for colour in photons}


def star_field(
    star: StarShape,
    sky: Sky,
    rng: np.random.Generator,
    shape: tuple[int, int] = (600, 800),
    count: int = 50,
) -> Array:
    """Electrons of stars of S/N 30 to 300 as all pixels would see them in green."""
    reach = int(10 * star.fwhm_px + 12)
    layout = scatter(rng, shape, count, 8 * star.fwhm_px + 6, reach)
    snr = np.exp(rng.uniform(*np.log((30.0, 300.0)), count))
    return paint(star.psf(), layout, flux_at(star, sky, snr))


def as_mosaic(
    stars_e: Array,
    sky: Sky,
    pattern: str,
    temperature_k: float,
    rng: np.random.Generator,
    *,
    stated: bool = True,
) -> Frame:
    """Expose a star field through a mosaic of filters; the header may state the pattern."""
    of_star, of_sky = np.empty_like(stars_e), np.empty_like(stars_e)
    parts = responses(temperature_k)
    for place, colour in enumerate(pattern):
        cell = slice(place // 2, None, 2), slice(place % 2, None, 2)
        of_star[cell], of_sky[cell] = parts[colour], SKY_PARTS[colour]
    frame = expose(stars_e * of_star + sky.background_e * (of_sky - 1), sky, rng)
    return replace(frame, capture=replace(frame.capture, bayer_pattern=pattern if stated else None))
