"""The sample night: an evening that never was, with a little of everything that goes wrong.

A small refractor of 80 mm aperture and f/6 looks at an invented field for a few minutes in
exposures of 8 s. The seeing is fair and wanders a little. A cloud passes over three frames, a
gust draws out one, somebody knocks the tripod in another, the lamps of a car shine into one, and
near the end the focus slips over two frames before it is put right.
"""

from pathlib import Path

import numpy as np

from starwinnow_sim.camera import Camera, draw_hot_pixels
from starwinnow_sim.events import bump, gust, passing_cloud, passing_light, slipping_focus
from starwinnow_sim.field import Galaxies, StarField, draw_star_field
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.nights import Weather, ordinary_night, with_temperature
from starwinnow_sim.write import write_night

__all__ = ["sample_camera", "sample_field", "sample_night", "write_sample_night"]

OBJECT_NAME = "demo field"
FEWEST_FRAMES = 14

_SHAPE = (324, 432)
_SEED = 314159
_SUFFIXES = {4: ".fits.gz", 7: ".fits.gz", 11: ".fits.fz"}


def write_sample_night(folder: Path, *, frames: int = 24) -> list[Path]:
    """Render the sample night into `folder`; the same every time.

    Parameters
    ----------
    folder : Path
        Where to; made if missing.
    frames : int
        Number of frames, at least 14.

    Returns
    -------
    list of Path
        The files, in time order. Two are gzipped and one is Rice-compressed.

    Raises
    ------
    ValueError
        Fewer than 14 frames asked for.
    """
    chance = _streams()
    return write_night(
        folder,
        field=sample_field(chance["field"]),
        night=sample_night(chance["night"], frames=frames),
        camera=sample_camera(chance["camera"]),
        rng=chance["noise"],
        object_name=OBJECT_NAME,
        suffixes=_SUFFIXES,
    )


def sample_camera(rng: np.random.Generator) -> Camera:
    """Make the telescope of the sample night: 80 mm, f/6, 3.76 um, a part of the sensor read."""
    return Camera(
        shape=_SHAPE,
        filter_name="L",
        hot_pixels=draw_hot_pixels(_SHAPE, part=5e-4, rng=rng),
    )


def sample_field(rng: np.random.Generator) -> StarField:
    """Make the field: about 300 stars in the frame, and two faint galaxies."""
    stars = draw_star_field(_SHAPE, count=300, rng=rng, margin_px=30.0, faintest_e=400.0)
    return StarField(
        x_px=stars.x_px,
        y_px=stars.y_px,
        flux_e=stars.flux_e,
        colour_mag=stars.colour_mag,
        galaxies=Galaxies(
            x_px=np.array([236.0, 90.0]),
            y_px=np.array([148.0, 260.0]),
            flux_e=np.array([60_000.0, 6_000.0]),
            scale_px=np.array([11.0, 4.0]),
            axis_ratio=np.array([0.45, 0.8]),
            angle_deg=np.array([35.0, 110.0]),
        ),
    )


def sample_night(rng: np.random.Generator, *, frames: int) -> list[FrameTruth]:
    """Make up the evening; raises ValueError for fewer than 14 frames."""
    if frames < FEWEST_FRAMES:
        raise ValueError(
            f"sample night: {frames} frames asked for, at least {FEWEST_FRAMES} are needed"
        )
    weather = Weather(
        seeing_px=2.35,
        seeing_scatter=0.05,
        transparency_scatter=0.015,
        background_scatter=0.03,
        gradient=0.06,
        drift_x_px=0.35,
        drift_y_px=-0.2,
        rotation_deg=0.002,
        dither_px=4.0,
        tracking_trail_px=0.3,
    )
    night = ordinary_night(weather, frames=frames, rng=rng)
    night = with_temperature(night, sensor_temperature_c=-5.0, focuser_position=12_480.0)
    half, end = frames // 2, frames - 1
    night = passing_cloud(night, first=half - 3, frames=3, light_kept=0.35, background_factor=1.2)
    night = gust(night, index=2, trail_px=7.0, angle_deg=25.0)
    night = passing_light(night, index=half + 1, background_factor=3.0, gradient_x=0.5)
    night = bump(night, index=end - 4, distance_px=5.0, angle_deg=110.0, before=0.6)
    return slipping_focus(night, first=end - 2, last=end - 1, defocus_px=7.0)


def _streams() -> dict[str, np.random.Generator]:
    """Independent sources of chance, so that a change of one part leaves the others alone."""
    names = ("camera", "field", "night", "noise")
    streams = np.random.default_rng(_SEED).spawn(len(names))
    return dict(zip(names, streams, strict=True))
