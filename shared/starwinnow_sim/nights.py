"""Makes up whole nights: a sequence of conditions that vary as real ones do."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera
from starwinnow_sim.events import (
    brightening_sky,
    bump,
    gust,
    passing_cloud,
    slipping_focus,
)
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.star_shape import StarShape

__all__ = [
    "CALM",
    "ROUGH",
    "Weather",
    "autocorrelated",
    "make_night",
    "ordinary_night",
    "with_temperature",
]

Kind = Literal["calm", "rough"]

# An evening that never was.
START_UTC = datetime(2031, 10, 14, 20, 15, tzinfo=UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """How a night varies from frame to frame when nothing special happens.

    Attributes
    ----------
    seeing_px, seeing_scatter : float
        Median FWHM of the seeing, px, and rms of its logarithm.
    beta : float
        Moffat exponent of the seeing.
    transparency_scatter : float
        Rms of the logarithm of the transparency.
    memory : float
        Correlation of seeing and transparency from one frame to the next, 0 to below 1.
    background_e, background_scatter : float
        Median background, electrons a pixel, and rms of its logarithm.
    gradient : float
        Change of the background across the frame, relative to its middle.
    drift_x_px, drift_y_px, rotation_deg : float
        Slow drift and turn of the field from each frame to the next.
    jitter_px : float
        Rms of the mount's random error in each axis, px.
    dither_px, dither_every : float, int
        Half-width of the random step the mount is sent every so many frames; 0 for none.
    tracking_trail_px : float
        Length of the trail the slow drift leaves in each exposure, px, along the drift.
    """

    seeing_px: float = 2.6
    seeing_scatter: float = 0.02
    beta: float = 3.0
    transparency_scatter: float = 0.01
    memory: float = 0.7
    background_e: float = 50.0
    background_scatter: float = 0.02
    gradient: float = 0.0
    drift_x_px: float = 0.15
    drift_y_px: float = -0.1
    rotation_deg: float = 0.0005
    jitter_px: float = 0.3
    dither_px: float = 0.0
    dither_every: int = 5
    tracking_trail_px: float = 0.0


CALM = Weather()
ROUGH = Weather(
    seeing_px=2.8,
    seeing_scatter=0.1,
    transparency_scatter=0.05,
    memory=0.8,
    background_scatter=0.06,
    gradient=0.1,
    drift_x_px=0.4,
    drift_y_px=-0.25,
    rotation_deg=0.002,
    jitter_px=0.6,
    dither_px=8.0,
    tracking_trail_px=0.4,
)


def make_night(
    camera: Camera,
    *,
    kind: Kind,
    frames: int,
    rng: np.random.Generator,
    start_utc: datetime = START_UTC,
    exposure_s: float = 8.0,
    gap_s: float = 1.5,
) -> list[FrameTruth]:
    """Make up the conditions of a night.

    Parameters
    ----------
    camera : Camera
        Telescope and sensor; its obstruction shapes stars out of focus.
    kind : {'calm', 'rough'}
        `calm`: small natural variation only. `rough`: large variation, dithering, a cloud over
        an eighth of the frames, focus slipping over an eighth, gusts and bumps in a tenth, and
        dawn over the last eighth.
    frames : int
        Number of frames; at least 16 for a rough night.
    rng : numpy.random.Generator
        Source of chance.
    start_utc : datetime
        Start of the first exposure.
    exposure_s, gap_s : float
        Exposure time, and time between exposures, s.

    Returns
    -------
    list of FrameTruth
        In time order. The first frame has neither shift nor turn. A field drawn with a margin
        as wide as the largest shift keeps the frames full of stars.

    Raises
    ------
    ValueError
        A rough night of fewer than 16 frames.
    """
    weather = CALM if kind == "calm" else ROUGH
    night = ordinary_night(
        weather,
        frames=frames,
        rng=rng,
        start_utc=start_utc,
        exposure_s=exposure_s,
        gap_s=gap_s,
        obstruction=camera.obstruction,
    )
    return night if kind == "calm" else _with_trouble(night, rng)


def ordinary_night(
    weather: Weather,
    *,
    frames: int,
    rng: np.random.Generator,
    start_utc: datetime = START_UTC,
    exposure_s: float = 8.0,
    gap_s: float = 1.5,
    obstruction: float = 0.0,
) -> list[FrameTruth]:
    """Make up a night in which nothing special happens; see `make_night`."""
    seeing_px = weather.seeing_px * np.exp(
        weather.seeing_scatter * autocorrelated(frames, weather.memory, rng)
    )
    transparency = np.exp(
        weather.transparency_scatter * autocorrelated(frames, weather.memory, rng)
    )
    background_e = weather.background_e * np.exp(
        weather.background_scatter * autocorrelated(frames, weather.memory, rng)
    )
    shift_px = _wander(weather, frames, rng)
    drift_px = np.array([weather.drift_x_px, weather.drift_y_px])
    trail_px = weather.tracking_trail_px * drift_px / max(float(np.hypot(*drift_px)), 1e-9)
    return [
        FrameTruth(
            start_utc=start_utc + timedelta(seconds=i * (exposure_s + gap_s)),
            exposure_s=exposure_s,
            star=StarShape(
                fwhm_px=float(seeing_px[i]),
                beta=weather.beta,
                obstruction=obstruction,
                trail_x_px=float(trail_px[0]),
                trail_y_px=float(trail_px[1]),
            ),
            shift_x_px=float(shift_px[i, 0]),
            shift_y_px=float(shift_px[i, 1]),
            rotation_deg=i * weather.rotation_deg,
            transparency=float(transparency[i]),
            background_e=float(background_e[i]),
            gradient_x=weather.gradient,
            gradient_y=-weather.gradient / 2,
        )
        for i in range(frames)
    ]


def autocorrelated(count: int, memory: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a series of mean 0 and variance 1 in which neighbours correlate by `memory`, AR(1)."""
    series = np.empty(count)
    noise = rng.standard_normal(count)
    value = noise[0] if count else 0.0
    for i in range(count):
        if i:
            value = memory * value + np.sqrt(1 - memory**2) * noise[i]
        series[i] = value
    return series


def _wander(weather: Weather, frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Shift of each frame, (x, y), px: drift, jitter and dither; the first frame's is 0."""
    number = np.arange(frames)
    shift_px = number[:, None] * np.array([weather.drift_x_px, weather.drift_y_px])
    shift_px = shift_px + weather.jitter_px * rng.standard_normal((frames, 2))
    if weather.dither_px:
        block = number // weather.dither_every
        steps = rng.uniform(-1, 1, (int(block.max(initial=0)) + 1, 2)) * weather.dither_px
        shift_px += steps[block]
    return np.asarray(shift_px - shift_px[:1])


def _with_trouble(night: list[FrameTruth], rng: np.random.Generator) -> list[FrameTruth]:
    """Add cloud, slipping focus, gusts, bumps and dawn to a night; no frame gets two of them."""
    frames = len(night)
    if frames < 16:
        raise ValueError(f"rough night: {frames} frames asked for, at least 16 are needed")
    eighth = frames // 8
    night = passing_cloud(
        night, first=2 * eighth, frames=eighth, light_kept=0.3, background_factor=1.3
    )
    night = slipping_focus(night, first=5 * eighth, last=6 * eighth - 1, defocus_px=7.0)
    night = brightening_sky(night, first=frames - eighth - 1, factor_at_end=4.0)
    quiet = [*range(1, 2 * eighth), *range(3 * eighth, 5 * eighth)]
    shaken = rng.choice(quiet, size=max(2, frames // 10), replace=False)
    for place, index in enumerate(shaken):
        angle_deg = float(rng.uniform(0, 180))
        if place % 2:
            night = bump(
                night,
                index=int(index),
                distance_px=float(rng.uniform(3, 7)),
                angle_deg=angle_deg,
                before=float(rng.uniform(0.3, 0.7)),
            )
        else:
            night = gust(
                night,
                index=int(index),
                trail_px=float(rng.uniform(3, 9)),
                angle_deg=angle_deg,
            )
    return night


def with_temperature(
    night: list[FrameTruth], *, sensor_temperature_c: float, focuser_position: float
) -> list[FrameTruth]:
    """Note the sensor's temperature and the focuser's position in every frame."""
    return [
        replace(
            truth,
            sensor_temperature_c=sensor_temperature_c,
            focuser_position=focuser_position,
        )
        for truth in night
    ]
