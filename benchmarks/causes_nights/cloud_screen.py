"""Patchy cloud: a random screen of optical depth that the wind carries across the field."""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates

from .conditions import Map

__all__ = ["cloud_screen"]

Array = NDArray[np.float64]
_CELLS_PER_FRAME = 8


def cloud_screen(count: int, *, depth: float, steps: float, rng: np.random.Generator) -> list[Map]:
    """Optical depth over the field in each of `count` frames.

    Depth on the sky is a power law of wave number (exponent -3 in power for two dimensions,
    order of magnitude of turbulence, from memory), never below zero, blurred by what passes
    during one exposure. The patch of cloud begins and ends within the episode.

    Parameters
    ----------
    count : int
        Frames.
    depth : float
        Mean optical depth where the cloud is.
    steps : float
        Field widths that the cloud moves from frame to frame.
    rng : numpy.random.Generator
        Source of chance.
    """
    cells = _CELLS_PER_FRAME
    pace = steps * cells
    long, wide = int(np.ceil(count * pace)) + 4 * cells, 4 * cells
    ky, kx = np.fft.fftfreq(wide)[:, None], np.fft.rfftfreq(long)
    wave = np.hypot(kx, ky)
    # Patches up to some six fields across.
    power = (wave**2 + (1 / (6 * cells)) ** 2) ** -0.75
    noise = np.fft.rfft2(rng.standard_normal((wide, long)))
    screen = np.fft.irfft2(noise * power, s=(wide, long))
    screen = depth * np.maximum(0.0, 1 + 0.6 * screen / screen.std())
    screen = gaussian_filter(screen, [0.8, max(0.8, 0.3 * pace)])
    bearing = rng.uniform(0, 2 * np.pi)
    edge = np.clip(np.minimum(np.arange(count) + 1, count - np.arange(count)) / 2.0, 0, 1)

    def depth_of(i: int) -> Map:
        start, strength = 2 * cells + i * pace, float(edge[i])

        def at(x: Array, y: Array) -> Array:
            along = np.cos(bearing) * x + np.sin(bearing) * y
            across = np.cos(bearing) * y - np.sin(bearing) * x
            places = np.broadcast_arrays(wide / 2 + across * cells / 2, start + along * cells / 2)
            return np.asarray(strength * map_coordinates(screen, places, order=1, mode="nearest"))

        return at

    return [depth_of(i) for i in range(count)]
