"""An ordinary night: seeing, transparency and sky that remember, airmass, drift and dither."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from .conditions import Conditions
from .star_images import STILL, StarImage

__all__ = [
    "EXPOSURE_S",
    "LATITUDE_DEG",
    "LONGITUDE_DEG",
    "Weather",
    "ordinary_frames",
    "remembering",
]

Array = NDArray[np.float64]
EXPOSURE_S = 8.0
LATITUDE_DEG, LONGITUDE_DEG = 47.5, 8.5
# Declination of the field; its hour angle is the night's own.
DECLINATION_DEG = 20.0
# An evening that never was.
_EVENING = datetime(2031, 10, 14, 20, 15, tzinfo=UTC)


@dataclass(frozen=True, kw_only=True)
class Weather:
    """How a night is when nothing goes wrong.

    Attributes
    ----------
    seeing_px, seeing_scatter : float
        Kolmogorov FWHM at airmass 1 and the rms of its logarithm.
    transparency_scatter, sky_scatter : float
        Rms of their logarithms.
    memory : float
        Correlation of neighbouring frames.
    extinction_mag : float
        Light lost for one airmass.
    hour_angle_h : float
        Of the field at the first frame, west positive.
    sky_e, slope : float
        Background, electrons a pixel, and its change towards the edges, relative.
    defocus_um : float
        What the observer's own focusing left.
    jitter_px : float
        Rms shake of the mount.
    step_s : float
        Time from one frame to the next.
    cooling_c_per_h : float
        How fast the air cools.
    dither_px : float
        Half-width of the steps between every fifth frame; 0 without.
    """

    seeing_px: float
    seeing_scatter: float
    transparency_scatter: float
    sky_scatter: float
    memory: float
    extinction_mag: float
    hour_angle_h: float
    sky_e: float
    slope: float
    defocus_um: float
    jitter_px: float
    step_s: float
    cooling_c_per_h: float
    dither_px: float

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> "Weather":
        """Draw a night like any other."""
        return cls(
            seeing_px=rng.uniform(1.4, 2.4),
            seeing_scatter=rng.uniform(0.015, 0.035),
            transparency_scatter=rng.uniform(0.003, 0.008),
            sky_scatter=rng.uniform(0.005, 0.015),
            memory=rng.uniform(0.4, 0.8),
            extinction_mag=rng.uniform(0.15, 0.35),
            hour_angle_h=rng.choice([-4.0, -2.0, 0.0, 2.0]) + rng.uniform(-0.5, 0.5),
            sky_e=float(np.exp(rng.uniform(np.log(25), np.log(200)))),
            slope=rng.uniform(0.0, 0.1),
            defocus_um=rng.uniform(-12, 12),
            jitter_px=rng.uniform(0.1, 0.3),
            step_s=rng.uniform(9.5, 60.0),
            cooling_c_per_h=rng.uniform(0.3, 1.5),
            dither_px=rng.choice([0.0, 6.0]),
        )


def ordinary_frames(weather: Weather, count: int, rng: np.random.Generator) -> list[Conditions]:
    """Conditions of each frame before any trouble."""
    time_s = np.arange(count) * weather.step_s
    airmass = _airmass(weather.hour_angle_h + time_s / 3600)
    # Seeing grows with airmass to the power .6 (Kolmogorov; Roddier 1981, from memory).
    seeing = weather.seeing_px * (airmass / airmass.min()) ** 0.6
    seeing *= np.exp(weather.seeing_scatter * remembering(count, weather.memory, rng))
    light = 10 ** (-0.4 * weather.extinction_mag * (airmass - airmass.min()))
    light *= np.exp(weather.transparency_scatter * remembering(count, weather.memory, rng))
    # The air glow thickens towards the horizon, and extinction takes most of it back.
    sky = weather.sky_e * (airmass / airmass.min()) ** 0.5
    sky *= np.exp(weather.sky_scatter * remembering(count, weather.memory, rng))
    places = _places(weather, count, rng)
    bearing = rng.uniform(0, 2 * np.pi)
    return [
        Conditions(
            start_utc=_EVENING + timedelta(seconds=float(time_s[i])),
            star=StarImage(
                seeing_px=float(seeing[i]),
                defocus_um=weather.defocus_um,
                jitter_px=weather.jitter_px,
                path=STILL,
            ),
            transparency=float(light[i]),
            sky_e=float(sky[i]),
            slope_x=weather.slope * np.cos(bearing),
            slope_y=weather.slope * np.sin(bearing),
            x_px=float(places[i, 0]),
            y_px=float(places[i, 1]),
            turn_deg=0.0004 * i,
            ambient_c=9.0 - weather.cooling_c_per_h * time_s[i] / 3600,
        )
        for i in range(count)
    ]


def remembering(count: int, memory: float, rng: np.random.Generator) -> Array:
    """Draw a series of mean 0 and variance 1 whose neighbours correlate by `memory`, AR(1)."""
    series = rng.standard_normal(count)
    for i in range(1, count):
        series[i] = memory * series[i - 1] + np.sqrt(1 - memory**2) * series[i]
    return series


def _airmass(hour_angle_h: Array) -> Array:
    """Kasten & Young 1989, Applied Optics 28, 4735."""
    latitude, declination = np.radians(LATITUDE_DEG), np.radians(DECLINATION_DEG)
    sine = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(
        np.radians(15 * hour_angle_h)
    )
    height = np.degrees(np.arcsin(sine))
    return np.asarray(1 / (sine + 0.50572 * (height + 6.07995) ** -1.6364))


def _places(weather: Weather, count: int, rng: np.random.Generator) -> Array:
    """Slow drift, the mount's random error, and dither; px, shape (count, 2)."""
    number = np.arange(count)
    places = number[:, None] * rng.uniform(-0.15, 0.15, 2) + rng.normal(0, 0.3, (count, 2))
    steps = rng.uniform(-1, 1, (count // 5 + 1, 2)) * weather.dither_px
    return np.asarray(places + steps[number // 5])
