"""One exposure in memory: its pixels and what its header says about how it was taken."""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Capture", "Frame", "Pixels"]

Pixels = NDArray[np.uint16] | NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """How a frame was taken, as its header tells; None where the header does not say.

    Attributes
    ----------
    start_utc : datetime or None
        Start of the exposure, timezone-aware, UTC.
    date_only : bool
        True when the header gave a date without a time of day; `start_utc` is then midnight.
    exposure_s : float or None
        Exposure time, s.
    pixel_um : float or None
        Size of one pixel of the file on the sensor (binning included), um.
    focal_length_mm, aperture_mm : float or None
        Telescope, mm.
    egain_e_per_adu : float or None
        Electrons per ADU. Never the driver's gain setting.
    sensor_temperature_c, ambient_temperature_c, focuser_temperature_c : float or None
        Degrees Celsius.
    filter_name, object_name, image_type : str or None
        `image_type` is one of 'light', 'dark', 'flat', 'bias' where it could be told.
    latitude_deg, longitude_deg : float or None
        Site, degrees, north and east positive.
    target_ra_deg, target_dec_deg : float or None
        Where the telescope looked, as the mount said, degrees.
    focuser_position : float or None
        Focuser position, steps.
    binning_x, binning_y : int or None
        Binning.
    bayer_pattern : str or None
        Colours of the 2x2 cell at pixel (0, 0) of `Frame.pixels`, such as 'RGGB'.
    scale_arcsec : float or None
        Arcseconds per pixel, as stated or from pixel size and focal length.
    saturation_adu : float or None
        Upper limit of the sensor as the header states it, ADU.
    """

    start_utc: datetime | None = None
    date_only: bool = False
    exposure_s: float | None = None
    pixel_um: float | None = None
    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    egain_e_per_adu: float | None = None
    sensor_temperature_c: float | None = None
    ambient_temperature_c: float | None = None
    focuser_temperature_c: float | None = None
    filter_name: str | None = None
    object_name: str | None = None
    image_type: str | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    target_ra_deg: float | None = None
    target_dec_deg: float | None = None
    focuser_position: float | None = None
    binning_x: int | None = None
    binning_y: int | None = None
    bayer_pattern: str | None = None
    scale_arcsec: float | None = None
    saturation_adu: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One exposure.

    Attributes
    ----------
    path : Path
        The file it came from.
    pixels : ndarray of uint16 or float32, shape (ny, nx)
        Physical values, ADU, native byte order, C-contiguous. Pixels without value are NaN
        (float32 only). The first pixel's centre is (x, y) = (0, 0); x is the column.
    capture : Capture
        What the header says.
    """

    path: Path
    pixels: Pixels
    capture: Capture
