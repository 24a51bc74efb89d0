"""What one frame was taken through: the state that troubles change and the renderer draws."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from .star_images import StarImage

__all__ = ["Conditions", "Line", "Map"]

Array = NDArray[np.float64]
# A factor at places x, y given from -1 (left, bottom edge) to 1.
Map = Callable[[Array, Array], Array]


@dataclass(frozen=True, kw_only=True)
class Line:
    """Something bright that crossed the frame.

    Attributes
    ----------
    x_px, y_px : float
        A place it crossed.
    angle_deg : float
        Direction of its way.
    light_e_per_px : float
        Light along the way, electrons a pixel of length.
    width_px : float
        Rms width of the line.
    blink_px : float
        Distance between the flashes of an aircraft; 0 for a steady light.
    """

    x_px: float
    y_px: float
    angle_deg: float
    light_e_per_px: float
    width_px: float
    blink_px: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """One frame.

    Attributes
    ----------
    start_utc : datetime
        Start of the exposure.
    star : StarImage
        Shape of the stars.
    transparency : float
        Part of the light outside this night's ordinary air that arrives, all over the frame.
    sky_e : float
        Background in the middle, electrons a pixel.
    slope_x, slope_y : float
        Change of the background from the middle to the edges, relative.
    x_px, y_px, turn_deg : float
        How the field lies on the sensor.
    light, glow : tuple of Map
        Factors on starlight and on background that depend on the place.
    lines : tuple of Line
        Satellites and aircraft.
    ambient_c : float
        Temperature of the air.
    """

    start_utc: datetime
    star: StarImage
    transparency: float
    sky_e: float
    slope_x: float
    slope_y: float
    x_px: float
    y_px: float
    turn_deg: float
    ambient_c: float
    light: tuple[Map, ...] = ()
    glow: tuple[Map, ...] = ()
    lines: tuple[Line, ...] = ()

    def light_at(self, x: Array, y: Array) -> Array:
        """Part of the starlight that arrives at places from -1 to 1."""
        return self.transparency * _product(self.light, x, y)

    def sky_at(self, x: Array, y: Array) -> Array:
        """Background at places from -1 to 1, electrons a pixel."""
        slope = 1 + self.slope_x * x + self.slope_y * y
        return self.sky_e * np.maximum(slope, 0.0) * _product(self.glow, x, y)


def _product(maps: tuple[Map, ...], x: Array, y: Array) -> Array:
    value = np.ones(np.broadcast(x, y).shape)
    for one in maps:
        value = value * one(x, y)
    return value
