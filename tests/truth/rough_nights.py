"""Nights of GalSim frames in which a part of the frames is bad, each by its own physics."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Frame

from .sky_frames import Layout, Sky, expose, paint
from .star_shapes import double_image, imaged, trail

__all__ = [
    "TROUBLES",
    "Conditions",
    "Field",
    "draw_conditions",
    "draw_field",
    "render",
    "star_image",
]

TROUBLES = ("cloud", "bright-sky", "out-of-focus", "soft-seeing", "trailed", "jolted")

# 80 mm aperture, 480 mm focal length, 3.76 um pixels, 550 nm.
_AIRY_PX = 550e-9 / 0.080 * 0.480 / 3.76e-6
_EXPOSURE_S, _GAP_S = 8.0, 2.0
_START = datetime(2031, 3, 9, 20, 15, tzinfo=UTC)
_MEMORY = 0.8
_SKY_E = 300.0
# Cells of the field hold one star or none, so that blank places stay blank.
_CELL_PX, _SWAY_PX = 36, 6.0
_BRIGHT_E = (1500.0, 20_000.0)
# About S/N 5 in a good frame, at the edge of what it shows.
_FAINT_E = 400.0
_REACH_PX = {"bright": 40, "faint": 18}


@dataclass(frozen=True)
class Field:
    """The sky on the plane of frame shape (ny, nx), px: bright stars, faint ones, blank places."""

    shape: tuple[int, int]
    bright_px: NDArray[np.float64]
    bright_e: NDArray[np.float64]
    faint_px: NDArray[np.float64]
    blank_px: NDArray[np.float64]


@dataclass(frozen=True)
class Conditions:
    """What happened during one exposure; lengths in px, direction from +x towards +y.

    Attributes
    ----------
    seeing_px : float
        FWHM of Kolmogorov seeing alone.
    defocus_waves : float
        Defocus of the pupil, waves rms as GalSim counts them (Noll 4).
    trail_px, jolt_px : float
        Even trail; distance of the two images that a jolt makes.
    jolt_part : float
        Part of the light before the jolt.
    angle_deg : float
        Direction of trail or jolt.
    transparency, sky_e : float
        Light of the stars; background, electrons a pixel.
    turn_deg, shift_x_px, shift_y_px : float
        How the field lies: turn about the middle, then shift.
    trouble : str
        One of `TROUBLES`, '' for an unblemished frame.
    """

    seeing_px: float
    transparency: float
    sky_e: float
    defocus_waves: float = 0.0
    trail_px: float = 0.0
    jolt_px: float = 0.0
    jolt_part: float = 0.5
    angle_deg: float = 0.0
    turn_deg: float = 0.0
    shift_x_px: float = 0.0
    shift_y_px: float = 0.0
    trouble: str = ""

    def psf(self) -> Any:
        """The star before the pixel: a GalSim object of unit flux."""
        pupil = galsim.OpticalPSF(lam_over_diam=_AIRY_PX, defocus=self.defocus_waves)
        star = galsim.Convolve(pupil, galsim.Kolmogorov(fwhm=self.seeing_px))
        if self.trail_px:
            star = trail(star, self.trail_px, self.angle_deg)
        if self.jolt_px:
            star = double_image(star, self.jolt_px, self.jolt_part, self.angle_deg)
        return star

    def place(self, xy: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
        """Where places (n, 2) of the field lie on the frame, px."""
        middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        angle = np.radians(self.turn_deg)
        turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
        shift = np.array([self.shift_x_px, self.shift_y_px])
        return np.asarray((xy - middle) @ turn.T + middle + shift)


def draw_field(
    shape: tuple[int, int],
    rng: np.random.Generator,
    *,
    bright_part: float = 0.16,
    faint_part: float = 0.44,
) -> Field:
    """Scatter bright and faint stars over parts of the cells; the others stay blank."""
    ny, nx = shape
    rows, columns = np.mgrid[0 : ny // _CELL_PX, 0 : nx // _CELL_PX]
    middle = (np.column_stack([columns.ravel(), rows.ravel()]) + 0.5) * _CELL_PX
    kind = rng.choice(3, len(middle), p=[bright_part, faint_part, 1 - bright_part - faint_part])
    place = middle + rng.uniform(-_SWAY_PX, _SWAY_PX, middle.shape)
    bright = int(np.count_nonzero(kind == 0))
    low, high = _BRIGHT_E
    # numbers go with flux^-0.75, about as in the Milky Way
    part = rng.uniform((high / low) ** -0.75, 1.0, bright)
    # places farther apart than a star is wide: what a filter makes of them is independent
    steps = np.array([-12.0, -6.0, 0.0, 6.0, 12.0])
    offsets = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    blank = (middle[kind == 2][:, np.newaxis] + offsets).reshape(-1, 2)
    return Field(
        shape=shape,
        bright_px=place[kind == 0],
        bright_e=low * part ** (-1 / 0.75),
        faint_px=place[kind == 1],
        blank_px=blank + rng.uniform(-1, 1, blank.shape),
    )


def draw_conditions(
    frames: int, bad_part: float, troubles: tuple[str, ...], rng: np.random.Generator
) -> list[Conditions]:
    """Seeing and transparency wander with a memory; troubles come in episodes of a few frames."""
    seeing_px = rng.uniform(1.8, 2.4) * np.exp(0.06 * _wander(frames, rng))
    light = np.exp(0.02 * _wander(frames, rng)) * (1 - 0.06 * np.arange(frames) / frames)
    sky_e = _SKY_E * np.exp(0.03 * _wander(frames, rng))
    drift = rng.uniform(-0.25, 0.25, 2)
    shift = np.arange(frames)[:, np.newaxis] * drift + rng.uniform(-3, 3, (frames, 2))
    flipped = np.arange(frames) >= (frames // 2 if rng.random() < 0.4 else frames)
    night = [
        Conditions(
            seeing_px=float(seeing_px[k]),
            transparency=float(light[k]),
            sky_e=float(sky_e[k]),
            turn_deg=float(0.01 * k + 180 * flipped[k]),
            shift_x_px=float(shift[k, 0]),
            shift_y_px=float(shift[k, 1]),
        )
        for k in range(frames)
    ]
    for number, members in enumerate(_episodes(frames, round(bad_part * frames), rng)):
        trouble = troubles[number % len(troubles)]
        for k in members:
            night[k] = _spoil(night[k], trouble, rng)
    return night


def _wander(frames: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """Series of mean 0 and variance 1 in which neighbours correlate: AR(1)."""
    series = rng.standard_normal(frames)
    for k in range(1, frames):
        series[k] = _MEMORY * series[k - 1] + np.sqrt(1 - _MEMORY**2) * series[k]
    return series


def _episodes(frames: int, bad: int, rng: np.random.Generator) -> Iterator[list[int]]:
    """Part `bad` frames of the night into runs of one to four neighbours."""
    free = list(range(frames))
    while bad > 0:
        length = int(min(rng.integers(1, 5), bad))
        start = int(rng.integers(0, len(free) - length + 1))
        yield free[start : start + length]
        del free[start : start + length]
        bad -= length


def _spoil(frame: Conditions, trouble: str, rng: np.random.Generator) -> Conditions:
    """Let one thing go wrong."""
    angle_deg = float(rng.uniform(0, 180))
    changes: dict[str, float] = {
        "cloud": {
            "transparency": frame.transparency * rng.uniform(0.25, 0.75),
            "sky_e": frame.sky_e * rng.uniform(1.0, 1.5),
        },
        "bright-sky": {"sky_e": frame.sky_e * rng.uniform(2.0, 5.0)},
        "out-of-focus": {"defocus_waves": rng.uniform(0.15, 0.4)},
        "soft-seeing": {"seeing_px": frame.seeing_px * rng.uniform(1.4, 2.4)},
        "trailed": {"trail_px": rng.uniform(3, 8), "angle_deg": angle_deg},
        "jolted": {
            "jolt_px": rng.uniform(0.6, 1.4) * frame.seeing_px,
            "jolt_part": rng.uniform(0.3, 0.7),
            "angle_deg": angle_deg,
        },
    }[trouble]
    return replace(frame, trouble=trouble, **{key: float(v) for key, v in changes.items()})


def render(field: Field, conditions: Conditions, number: int, rng: np.random.Generator) -> Frame:
    """Draw one exposure with photon and read noise."""
    psf = conditions.psf()
    stars_e = np.zeros(field.shape)
    faint_e = np.full(len(field.faint_px), _FAINT_E)
    for kind, places, fluxes in (
        ("bright", field.bright_px, field.bright_e),
        ("faint", field.faint_px, faint_e),
    ):
        here = conditions.place(places, field.shape)
        near = np.all((here > -8) & (here < np.array(field.shape[::-1]) + 7), axis=1)
        layout = Layout(field.shape, here[near, 0], here[near, 1], _REACH_PX[kind])
        stars_e += paint(psf, layout, conditions.transparency * fluxes[near])
    frame = expose(stars_e, Sky(conditions.sky_e), rng)
    start = _START + timedelta(seconds=number * (_EXPOSURE_S + _GAP_S))
    capture = replace(frame.capture, start_utc=start, exposure_s=_EXPOSURE_S)
    return replace(frame, path=Path(f"night_{number:03d}.fits"), capture=capture)


def star_image(psf: Any, side_px: int) -> NDArray[np.float64]:
    """The star as imaged on the middle of a pixel, shape (side, side)."""
    image = imaged(psf).drawImage(nx=side_px, ny=side_px, scale=1.0, method="no_pixel", dtype=float)
    return np.asarray(image.array)
