"""Frames of diffracted stars: a bright star through the focus mask, its neighbours, the sky."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera, expose
from starwinnow_sim.mask_optics import DiffractedStar, Light, diffracted_star
from starwinnow_sim.mask_pupil import Aperture
from starwinnow_sim.star_stamps import add_at

__all__ = ["coloured_stars", "render_diffracted"]

# Bands of a colour sensor's filters, um (common practice, no source).
_COLOUR_BANDS_UM = {"R": (0.58, 0.68), "G": (0.49, 0.58), "B": (0.42, 0.50)}


def coloured_stars(
    aperture: Aperture, light: Light, camera: Camera, half_px: int = 80
) -> dict[str, DiffractedStar]:
    """Star image of each of the sensor's colours; a grey sensor has one, called ''."""
    if camera.bayer_pattern is None:
        return {"": diffracted_star(aperture, light, half_px)}
    stars = {}
    for colour, (shortest, longest) in _COLOUR_BANDS_UM.items():
        band = replace(light, shortest_um=shortest, longest_um=longest, colours=6)
        stars[colour] = diffracted_star(aperture, band, half_px)
    return stars


def render_diffracted(
    images: dict[str, DiffractedStar],
    stars: NDArray[np.float64],
    background_e: NDArray[np.float64] | float,
    camera: Camera,
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Draw stars that all look like `images`.

    Parameters
    ----------
    images : dict of str to DiffractedStar
        From `coloured_stars`.
    stars : ndarray, shape (n, 3)
        x and y, px, and total light, e; places are rounded to the images' fine grid.
    background_e : float or ndarray, shape (ny, nx)
        Light between the stars, e a pixel.
    camera : Camera
        Sensor.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    ndarray of uint16, shape (ny, nx)
        ADU.
    """
    light_e = np.zeros(camera.shape, np.float32)
    light_e += np.asarray(background_e, np.float32)
    if camera.bayer_pattern is None:
        _add(light_e, images[""], stars)
    else:
        for colour, image in images.items():
            layer = np.zeros(camera.shape, np.float32)
            _add(layer, image, stars)
            for rows, columns, of_colour in camera.channels():
                if of_colour == colour:
                    light_e[rows, columns] += layer[rows, columns]
    return expose(light_e, camera, rng)


def _add(light_e: NDArray[np.float32], image: DiffractedStar, stars: NDArray[np.float64]) -> None:
    half = image.largest_half_px
    for x_px, y_px, flux_e in stars:
        column, row = round(x_px), round(y_px)
        drawn = flux_e * image.stamp(x_px - column, y_px - row, half)
        add_at(light_e, drawn, row - half, column - half)
