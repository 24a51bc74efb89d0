"""Conditions to pixels: stars stamped by their phase, sky, lines, hot pixels, photons, sensor."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Capture, Frame

from .conditions import Conditions, Line
from .star_images import OVERSAMPLING, Optics
from .weather import EXPOSURE_S, LATITUDE_DEG, LONGITUDE_DEG

__all__ = ["SATURATION_ADU", "Field", "Sensor", "expose"]

Array = NDArray[np.float64]
_E_PER_ADU = 0.75
_READ_NOISE_E = 1.6
_OFFSET_ADU = 500.0
_FULL_WELL_E = 48_000.0
SATURATION_ADU = _FULL_WELL_E / _E_PER_ADU + _OFFSET_ADU
_MARGIN_PX = 80.0
# Scintillation of a star in one 8 s exposure through 80 mm at airmass 1: Young 1967, AJ 72, 747
# (from memory), with the constant of Dravins et al.; independent from star to star.
_SCINTILLATION = 0.0056


@dataclass(frozen=True)
class Field:
    """Stars of the field: places on a sensor that did not move, and electrons a frame."""

    x_px: Array
    y_px: Array
    flux_e: Array

    @classmethod
    def drawn(cls, shape: tuple[int, int], count: int, rng: np.random.Generator) -> "Field":
        """Draw stars at random, N(> F) as F^-0.9 from 500 to 400,000 electrons, some outside.

        `count` of them lie in the frame.
        """
        ny, nx = shape
        margin = 2 * _MARGIN_PX
        total = round(count * (nx + margin) * (ny + margin) / (nx * ny))
        chance = rng.random(total)
        low, high, power = 500.0, 4e5, 0.9
        flux = (low**-power - chance * (low**-power - high**-power)) ** (-1 / power)
        return cls(
            rng.uniform(-_MARGIN_PX, nx + _MARGIN_PX, total),
            rng.uniform(-_MARGIN_PX, ny + _MARGIN_PX, total),
            flux,
        )


@dataclass(frozen=True)
class Sensor:
    """A camera of one night: size, hot pixels, and what its header says of the telescope."""

    shape: tuple[int, int]
    hot: NDArray[np.intp]
    hot_e: Array
    card_aperture_mm: float | None

    @classmethod
    def drawn(
        cls, shape: tuple[int, int], card_aperture_mm: float | None, rng: np.random.Generator
    ) -> "Sensor":
        """Draw a sensor with one pixel in 3,000 hot."""
        count = shape[0] * shape[1] // 3000
        hot = rng.choice(shape[0] * shape[1], count, replace=False)
        return cls(shape, hot, 300.0 * rng.lognormal(0.0, 1.2, count), card_aperture_mm)


def expose(
    name: str,
    conditions: Conditions,
    field: Field,
    sensor: Sensor,
    optics: Optics,
    rng: np.random.Generator,
) -> Frame:
    """Take one frame."""
    ny, nx = sensor.shape
    x, y = np.linspace(-1, 1, nx), np.linspace(-1, 1, ny)[:, None]
    light_e = conditions.sky_at(x, y).copy()
    _stamp(light_e, conditions, field, optics, rng)
    for line in conditions.lines:
        light_e += _line_light(line, sensor.shape)
    light_e.flat[sensor.hot] += sensor.hot_e
    electrons = rng.poisson(np.maximum(light_e, 0.0)).astype(np.float64)
    electrons = np.minimum(electrons, _FULL_WELL_E)
    electrons += rng.normal(0.0, _READ_NOISE_E, electrons.shape)
    adu = np.clip(np.rint(electrons / _E_PER_ADU + _OFFSET_ADU), 0, np.floor(SATURATION_ADU))
    return Frame(
        path=Path(name), pixels=adu.astype(np.uint16), capture=_capture(conditions, sensor)
    )


def _capture(conditions: Conditions, sensor: Sensor) -> Capture:
    return Capture(
        start_utc=conditions.start_utc,
        exposure_s=EXPOSURE_S,
        pixel_um=3.76,
        focal_length_mm=480.0,
        aperture_mm=sensor.card_aperture_mm,
        egain_e_per_adu=_E_PER_ADU,
        ambient_temperature_c=round(conditions.ambient_c, 1),
        focuser_temperature_c=round(conditions.ambient_c, 1),
        image_type="light",
        object_name="field",
        latitude_deg=LATITUDE_DEG,
        longitude_deg=LONGITUDE_DEG,
        scale_arcsec=206.264806 * 3.76 / 480.0,
        saturation_adu=float(np.floor(SATURATION_ADU)),
    )


def _stamp(
    light_e: Array, conditions: Conditions, field: Field, optics: Optics, rng: np.random.Generator
) -> None:
    """Add the stars, each with the image of its zone and its place within the pixel."""
    ny, nx = light_e.shape
    turn = np.radians(conditions.turn_deg)
    dx, dy = field.x_px - nx / 2, field.y_px - ny / 2
    x = nx / 2 + dx * np.cos(turn) - dy * np.sin(turn) + conditions.x_px
    y = ny / 2 + dx * np.sin(turn) + dy * np.cos(turn) + conditions.y_px
    across, up = 2 * x / (nx - 1) - 1, 2 * y / (ny - 1) - 1
    flux = field.flux_e * conditions.light_at(across, up)
    flux = flux * (1 + _SCINTILLATION * rng.standard_normal(len(flux)))
    radius = np.sqrt((across**2 * nx**2 + up**2 * ny**2) / (nx**2 + ny**2))
    zones = np.round(2 * np.minimum(radius, 1.2)) / 2 if optics.curvature_um else np.zeros(len(x))
    for zone in np.unique(zones):
        image = conditions.star.draw(optics, float(zone))
        half = image.shape[0] // OVERSAMPLING // 2
        phases = _phases(image)
        for i in np.flatnonzero(zones == zone):
            _add_star(light_e, phases, half, (x[i], y[i]), flux[i])


def _phases(image: Array) -> Array:
    """All images of a star on whole pixels, [row phase, column phase], unit flux."""
    n = image.shape[0] // OVERSAMPLING
    return np.ascontiguousarray(
        image.reshape(n, OVERSAMPLING, n, OVERSAMPLING).transpose(1, 3, 0, 2)
    )


def _add_star(
    light_e: Array, phases: Array, half: int, place: tuple[float, float], flux_e: float
) -> None:
    """Add one star; its place is rounded to an eighth of a pixel."""
    ny, nx = light_e.shape
    # Sample number k of the oversampled image lies k / 8 px right of its first one, and the
    # star's centre at `half` px: phase p shows the star at half - p / 8 of the stamp.
    column8, row8 = (round(OVERSAMPLING * value) for value in place)
    column, row = -(-column8 // OVERSAMPLING), -(-row8 // OVERSAMPLING)
    stamp = phases[row * OVERSAMPLING - row8, column * OVERSAMPLING - column8]
    left, bottom = column - half, row - half
    first_x, first_y = max(left, 0), max(bottom, 0)
    last_x, last_y = min(left + 2 * half, nx), min(bottom + 2 * half, ny)
    if first_x < last_x and first_y < last_y:
        part = stamp[first_y - bottom : last_y - bottom, first_x - left : last_x - left]
        light_e[first_y:last_y, first_x:last_x] += flux_e * part


def _line_light(line: Line, shape: tuple[int, int]) -> Array:
    """Light of something that crossed the frame."""
    y, x = np.indices(shape, dtype=np.float64)
    angle = np.radians(line.angle_deg)
    dx, dy = x - line.x_px, y - line.y_px
    off = dy * np.cos(angle) - dx * np.sin(angle)
    light = line.light_e_per_px * np.exp(-0.5 * (off / line.width_px) ** 2)
    light /= np.sqrt(2 * np.pi) * line.width_px
    if line.blink_px:
        along = dx * np.cos(angle) + dy * np.sin(angle)
        light *= 0.25 + 3 * np.exp(-0.5 * (((along + 1e4) % line.blink_px) / 6.0) ** 2)
    return np.asarray(light)
