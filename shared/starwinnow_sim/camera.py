"""The telescope and its sensor: from electrons expected to ADU written."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Camera", "HotPixels", "draw_hot_pixels", "expose"]

BAYER_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
# Sensitivity of the three colours to white light relative to green (common practice, no source).
_CHANNEL_RESPONSE = {"R": 0.7, "G": 1.0, "B": 0.8}
_ROWS_AT_ONCE = 128


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HotPixels:
    """Pixels with much dark current, fixed on the sensor.

    Attributes
    ----------
    x, y : ndarray of int, shape (n,)
        Column and row.
    extra_e : ndarray of float, shape (n,)
        Electrons they add to each exposure, on average.
    """

    x: NDArray[np.intp]
    y: NDArray[np.intp]
    extra_e: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Camera:
    """Telescope and sensor of a night.

    Attributes
    ----------
    shape : tuple of int
        (ny, nx), px.
    pixel_um : float
        Pixel size, um.
    focal_length_mm, aperture_mm : float
        Telescope, mm.
    obstruction : float
        Diameter of the secondary mirror over the aperture; 0 for a refractor.
    egain_e_per_adu : float
        Electrons per ADU.
    read_noise_e : float
        Read noise, e rms a pixel.
    offset_adu : float
        Level of a pixel without any light, ADU.
    full_well_e : float
        Electrons a pixel can hold.
    adc_max_adu : int
        Largest number the camera writes, at most 65535.
    vignetting : float
        Part of the light lost in the corners, falling with the square of the radius.
    bayer_pattern : str or None
        Colours of the 2x2 cell at the first pixel, such as 'RGGB'; None for a grey sensor.
    hot_pixels : HotPixels or None
        Hot pixels.
    filter_name : str or None
        Filter in the light path.
    """

    shape: tuple[int, int]
    pixel_um: float = 3.76
    focal_length_mm: float = 480.0
    aperture_mm: float = 80.0
    obstruction: float = 0.0
    egain_e_per_adu: float = 0.75
    read_noise_e: float = 1.6
    offset_adu: float = 500.0
    full_well_e: float = 51_000.0
    adc_max_adu: int = 65_535
    vignetting: float = 0.0
    bayer_pattern: str | None = None
    hot_pixels: HotPixels | None = None
    filter_name: str | None = None

    def __post_init__(self) -> None:
        if self.bayer_pattern is not None and self.bayer_pattern not in BAYER_PATTERNS:
            raise ValueError(
                f"camera: bayer_pattern is {self.bayer_pattern!r}, "
                f"must be one of {', '.join(BAYER_PATTERNS)}, or None"
            )
        if not 0 < self.adc_max_adu <= 65_535:
            raise ValueError(f"camera: adc_max_adu is {self.adc_max_adu}, must be 1 to 65535")

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds a pixel on the sky: 206.265 p(um) / f(mm)."""
        return 206.264806 * self.pixel_um / self.focal_length_mm

    @property
    def saturation_adu(self) -> float:
        """Largest value a full pixel is written as, ADU."""
        return min(self.adc_max_adu, self.full_well_e / self.egain_e_per_adu + self.offset_adu)

    def channels(self) -> list[tuple[slice, slice, str]]:
        """Rows, columns and colour of the four pixels of the Bayer cell; empty for grey."""
        if self.bayer_pattern is None:
            return []
        return [
            (slice(i // 2, None, 2), slice(i % 2, None, 2), colour)
            for i, colour in enumerate(self.bayer_pattern)
        ]


def draw_hot_pixels(
    shape: tuple[int, int], *, part: float, rng: np.random.Generator, median_e: float = 300.0
) -> HotPixels:
    """Pick `part` of all pixels as hot, with a log-normal spread of dark current (1 in ln)."""
    count = round(part * shape[0] * shape[1])
    places = rng.choice(shape[0] * shape[1], count, replace=False)
    y, x = np.unravel_index(places, shape)
    return HotPixels(x=x, y=y, extra_e=median_e * rng.lognormal(0.0, 1.0, count))


def expose(
    light_e: NDArray[np.float32], camera: Camera, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Turn the electrons a perfect sensor would collect into the numbers the camera writes.

    Parameters
    ----------
    light_e : ndarray of float32, shape (ny, nx)
        Expected electrons; changed in place (vignetting, colour response, hot pixels).
    camera : Camera
        The sensor.
    rng : numpy.random.Generator
        Source of chance: Poisson counts and Gaussian read noise.

    Returns
    -------
    ndarray of uint16, shape (ny, nx)
        ADU.
    """
    _weaken(light_e, camera)
    if camera.hot_pixels is not None:
        hot = camera.hot_pixels
        light_e[hot.y, hot.x] += hot.extra_e.astype(np.float32)
    np.maximum(light_e, 0, out=light_e)
    written = np.empty(light_e.shape, np.uint16)
    for first in range(0, light_e.shape[0], _ROWS_AT_ONCE):
        rows = slice(first, first + _ROWS_AT_ONCE)
        electrons = rng.poisson(light_e[rows]).astype(np.float32)
        np.minimum(electrons, camera.full_well_e, out=electrons)
        electrons += camera.read_noise_e * rng.standard_normal(electrons.shape, np.float32)
        adu = np.rint(electrons / camera.egain_e_per_adu + camera.offset_adu)
        written[rows] = np.clip(adu, 0, camera.adc_max_adu)
    return written


def _weaken(light_e: NDArray[np.float32], camera: Camera) -> None:
    """Take away what vignetting and colour filters hold back, in place."""
    if camera.vignetting:
        ny, nx = light_e.shape
        x = np.linspace(-1, 1, nx, dtype=np.float32) * nx
        y = np.linspace(-1, 1, ny, dtype=np.float32) * ny
        corner = np.float32(nx**2 + ny**2)
        light_e *= 1 - np.float32(camera.vignetting) * (x**2 + y[:, None] ** 2) / corner
    for rows, columns, colour in camera.channels():
        light_e[rows, columns] *= np.float32(_CHANNEL_RESPONSE[colour])
