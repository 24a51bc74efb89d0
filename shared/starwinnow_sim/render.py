"""Draws one frame: field and conditions in, uint16 pixels out."""

import numpy as np
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera, expose
from starwinnow_sim.field import StarField
from starwinnow_sim.frame_truth import FrameTruth, place_in_frame
from starwinnow_sim.galaxies import add_galaxies
from starwinnow_sim.star_stamps import add_at, stamp, stamp_table

__all__ = ["expected_light", "render_frame"]

# A star gets a long stamp when the light a short one leaves out exceeds this part of the noise.
_UNSEEN = 0.01


def render_frame(
    field: StarField, truth: FrameTruth, camera: Camera, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Draw one exposure.

    Parameters
    ----------
    field : StarField
        What is in the sky.
    truth : FrameTruth
        Conditions of the exposure.
    camera : Camera
        Telescope and sensor.
    rng : numpy.random.Generator
        Source of chance of the pixel noise; nothing else here is random.

    Returns
    -------
    ndarray of uint16, shape (ny, nx)
        ADU.
    """
    return expose(expected_light(field, truth, camera), camera, rng)


def expected_light(field: StarField, truth: FrameTruth, camera: Camera) -> NDArray[np.float32]:
    """Electrons expected in each pixel of a sensor without faults, shape (ny, nx).

    Star colours are in it, the response of the colour filters, vignetting and hot pixels not.
    """
    light_e = _background(truth, camera)
    _add_stars(light_e, field, truth, camera)
    if field.galaxies is not None:
        add_galaxies(light_e, field.galaxies, truth)
    return light_e


def _background(truth: FrameTruth, camera: Camera) -> NDArray[np.float32]:
    """Level between the stars with its linear gradient, electrons."""
    ny, nx = camera.shape
    across = truth.gradient_x * np.linspace(-0.5, 0.5, nx)
    along = truth.gradient_y * np.linspace(-0.5, 0.5, ny)
    level = np.empty(camera.shape, np.float32)
    level[:] = (truth.background_e * (1 + across)).astype(np.float32)
    level += (truth.background_e * along).astype(np.float32)[:, None]
    return level


def _add_stars(
    light_e: NDArray[np.float32], field: StarField, truth: FrameTruth, camera: Camera
) -> None:
    """Add all stars that reach into the frame, in place."""
    table = stamp_table(truth.star)
    noise_e = np.sqrt(truth.background_e + camera.read_noise_e**2)
    x_px, y_px = place_in_frame(field.x_px, field.y_px, truth, camera.shape)
    flux_e = field.flux_e * truth.transparency
    bright = flux_e * table.short_edge > _UNSEEN * noise_e
    halves = np.where(bright, table.long_px, table.short_px)
    ny, nx = camera.shape
    reaches = (np.abs(x_px - (nx - 1) / 2) < nx / 2 + halves) & (
        np.abs(y_px - (ny - 1) / 2) < ny / 2 + halves
    )
    for i in np.flatnonzero(reaches):
        half = int(halves[i])
        column, row = int(np.rint(x_px[i])), int(np.rint(y_px[i]))
        image = flux_e[i] * stamp(table, x_px[i] - column, y_px[i] - row, half)
        if camera.bayer_pattern is not None:
            _tint(image, float(field.colour_mag[i]), camera, row - half, column - half)
        add_at(light_e, image, row - half, column - half)


def _tint(
    image: NDArray[np.float64], colour_mag: float, camera: Camera, top: int, left: int
) -> None:
    """Split a star's light among colours: half its colour to red and half to blue, in place."""
    for rows, columns, colour in camera.channels():
        sign = {"R": 1, "G": 0, "B": -1}[colour]
        first_row, first_column = (rows.start - top) % 2, (columns.start - left) % 2
        image[first_row::2, first_column::2] *= 10 ** (0.4 * sign * colour_mag / 2)
