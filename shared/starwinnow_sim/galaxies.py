"""Draws galaxies: exponential discs seen at an angle, through the same air as the stars."""

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from starwinnow_sim.field import Galaxies
from starwinnow_sim.frame_truth import FrameTruth, place_in_frame
from starwinnow_sim.star_shape import StarShape, star_transfer
from starwinnow_sim.star_stamps import (
    add_at,
    frequency_grid,
    pixel_transfer,
)

__all__ = ["add_galaxies", "galaxy_image"]

# An exponential disc has 5e-4 of its light outside ten scale lengths: (1 + 10) exp(-10).
_SCALES = 10.0
# Fewer than for stars: the image is moved to its place exactly, without a spline.
_POINTS_PER_FWHM = 6


def add_galaxies(light_e: NDArray[np.float32], galaxies: Galaxies, truth: FrameTruth) -> None:
    """Add all galaxies that reach into the frame, in place, electrons."""
    x_px, y_px = place_in_frame(galaxies.x_px, galaxies.y_px, truth, light_e.shape)
    for i in range(len(x_px)):
        column, row = int(np.rint(x_px[i])), int(np.rint(y_px[i]))
        image = galaxy_image(
            truth.star,
            scale_px=float(galaxies.scale_px[i]),
            axis_ratio=float(galaxies.axis_ratio[i]),
            angle_deg=float(galaxies.angle_deg[i]) + truth.rotation_deg,
            place_px=(float(x_px[i]) - column, float(y_px[i]) - row),
        )
        half = len(image) // 2
        add_at(light_e, galaxies.flux_e[i] * truth.transparency * image, row - half, column - half)


def galaxy_image(
    star: StarShape,
    *,
    scale_px: float,
    axis_ratio: float,
    angle_deg: float,
    place_px: tuple[float, float],
) -> NDArray[np.float64]:
    """Image of a galaxy of flux 1, as seen where a star looks like `star`.

    Parameters
    ----------
    star : StarShape
        What a point source looks like.
    scale_px, axis_ratio, angle_deg : float
        Scale length along the major axis, axis ratio and direction of the major axis.
    place_px : tuple of float
        (x, y) of the centre from the middle pixel's centre, px.

    Returns
    -------
    ndarray, shape (n, n), n odd
        Part of the galaxy's light on each pixel.
    """
    half = int(np.ceil(_SCALES * scale_px + 6 * star.fwhm_px + star.reach_px))
    side = int(fft.next_fast_len(int(2.3 * half)))
    side += side % 2
    points = int(np.ceil(_POINTS_PER_FWHM / star.fwhm_px / np.sqrt(star.axis_ratio)))
    kx, ky = frequency_grid(points, side)
    transfer = star_transfer(star, kx, ky) * pixel_transfer(kx, ky)
    transfer = transfer * _disc_transfer(kx, ky, scale_px, axis_ratio, angle_deg)
    transfer = transfer * np.exp(-2j * np.pi * kx * place_px[0])
    transfer *= np.exp(-2j * np.pi * ky * place_px[1])
    image = fft.irfft2(transfer, s=(side * points, side * points)) * points**2
    middle = fft.fftshift(image)[::points, ::points]
    kept = slice(side // 2 - half, side // 2 + half + 1)
    return np.asarray(middle[kept, kept])


def _disc_transfer(
    kx: NDArray[np.float64],
    ky: NDArray[np.float64],
    scale_px: float,
    axis_ratio: float,
    angle_deg: float,
) -> NDArray[np.float64]:
    """Fourier transform of an exponential disc, (1 + (2 pi h k)^2)^(-3/2), foreshortened.

    The Hankel transform of exp(-r/h); checked against GalSim in the tests.
    """
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along, across = kx * cosine + ky * sine, (ky * cosine - kx * sine) * axis_ratio
    spread = 1 + (2 * np.pi * scale_px) ** 2 * (along**2 + across**2)
    return np.asarray(1 / (spread * np.sqrt(spread)))
