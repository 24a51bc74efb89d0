"""What goes wrong in a night, each by its own physics: a change of the conditions, frame by frame.

Sizes are drawn over what such things do, weak and strong; nothing here knows how the causes are
told apart. Every function gives one change for each frame of an episode.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from .cloud_screen import cloud_screen
from .conditions import Conditions, Line
from .obstacles import edge_in_view
from .star_images import OVERSAMPLING, Path
from .weather import EXPOSURE_S, Weather, remembering

__all__ = ["EPISODES", "SINGLES", "Change", "Setting"]

Array = NDArray[np.float64]
Change = Callable[[Conditions], Conditions]


class Setting:
    """What an episode is drawn from.

    Attributes
    ----------
    weather : Weather
        The night.
    shape : tuple of int
        (ny, nx) of the frames, px.
    rng : numpy.random.Generator
        Source of chance.
    """

    def __init__(self, weather: Weather, shape: tuple[int, int], rng: np.random.Generator) -> None:
        self.weather = weather
        self.shape = shape
        self.rng = rng


def cloud(setting: Setting, count: int) -> list[Change]:
    """Blow a patchy screen past; the sky brightens where it is lit from below, else dims."""
    rng = setting.rng
    depths = cloud_screen(
        count,
        depth=float(np.exp(rng.uniform(np.log(0.12), np.log(1.2)))),
        steps=float(rng.uniform(0.4, 2.0)),
        rng=rng,
    )
    lit = rng.uniform(-0.35, 1.0)

    def change(i: int) -> Change:
        depth = depths[i]
        return lambda old: replace(
            old,
            light=(*old.light, lambda x, y: np.exp(-depth(x, y))),
            glow=(*old.glow, lambda x, y: 1 + lit * (1 - np.exp(-depth(x, y)))),
        )

    return [change(i) for i in range(count)]


def haze(setting: Setting, count: int) -> list[Change]:
    """Dim evenly and slowly; aerosols scatter over degrees: no halo."""
    rng = setting.rng
    depth = rng.uniform(0.12, 0.6) * _slow_hump(count)
    depth *= 1 + 0.03 * remembering(count, 0.9, rng)
    lit = rng.uniform(0.0, 0.5)
    return [_veil(float(np.exp(-d)), 1 + lit * float(1 - np.exp(-d))) for d in depth]


def dew(setting: Setting, count: int) -> list[Change]:
    """Grow a film on the lens: light goes to a halo and farther; wiped off at the end."""
    rng = setting.rng
    amount = rng.uniform(0.25, 0.8) * (np.arange(1, count + 1) / count) ** rng.uniform(0.8, 1.6)
    near = rng.uniform(0.3, 0.65)

    def change(covered: float) -> Change:
        lost = covered * (1 - near)
        part = covered * near / (1 - lost)
        return lambda old: replace(
            old,
            transparency=old.transparency * (1 - lost),
            star=replace(old.star, dew_part=part),
        )

    return [change(float(covered)) for covered in amount]


def bright_sky(setting: Setting, count: int) -> list[Change]:
    """Light the sky by moonrise, twilight or a lamp: uneven, and the stars as before."""
    rng = setting.rng
    kind = rng.choice(["moonrise", "dawn", "lamp"])
    number = np.arange(1, count + 1)
    most = float(np.exp(rng.uniform(np.log(0.4), np.log(5.0))))
    if kind == "moonrise":
        extra = most * (1 - np.exp(-3 * number / count))
    elif kind == "dawn":
        extra = most * np.exp(3 * (number / count - 1))
    else:
        extra = most * np.exp(0.04 * rng.standard_normal(count))
    slope, bearing = rng.uniform(0, 0.15), rng.uniform(0, 2 * np.pi)

    def change(more: float) -> Change:
        part = slope * more / (1 + more)
        return lambda old: replace(
            old,
            sky_e=old.sky_e * (1 + more),
            slope_x=old.slope_x + part * np.cos(bearing),
            slope_y=old.slope_y + part * np.sin(bearing),
        )

    return [change(float(more)) for more in extra]


def out_of_focus(setting: Setting, count: int) -> list[Change]:
    """Let the tube cool out of focus until focused again, or the focuser slip."""
    rng = setting.rng
    travel_um = float(rng.choice([-1, 1]) * np.exp(rng.uniform(np.log(40), np.log(140))))
    number = np.arange(1, count + 1)
    if rng.random() < 0.6:
        way = travel_um * (number / count) ** rng.uniform(0.7, 1.5)
    else:
        way = travel_um * (1 + 0.1 * number / count)

    def change(um: float) -> Change:
        return lambda old: replace(
            old,
            star=replace(old.star, defocus_um=old.star.defocus_um + um),
            # A metal tube of 480 mm shrinks by 11 um for each degree (aluminium, 23e-6 / K).
            ambient_c=old.ambient_c - abs(um) / 25.0,
        )

    return [change(float(um)) for um in way]


def soft_seeing(setting: Setting, count: int) -> list[Change]:
    """Worsen the air: wider Kolmogorov, quick and scattered."""
    rng = setting.rng
    wider = np.exp(rng.uniform(0.12, 0.5) * (1 + 0.25 * remembering(count, 0.3, rng)))

    def change(factor: float) -> Change:
        return lambda old: replace(
            old, star=replace(old.star, seeing_px=old.star.seeing_px * factor)
        )

    return [change(float(factor)) for factor in wider]


def trailed(setting: Setting, count: int) -> list[Change]:
    """Run at a wrong rate: a line of steady direction, its length a slow wave."""
    rng = setting.rng
    angle = rng.uniform(0, np.pi)
    wave = np.sin(np.linspace(0.15, 0.85, count) * np.pi) if count > 1 else np.ones(1)
    length_px = (
        rng.uniform(2.2, 6.0) * (0.6 + 0.4 * wave) * np.exp(0.04 * rng.standard_normal(count))
    )
    angles = angle + np.radians(2.0) * rng.standard_normal(count)
    step_s = min(setting.weather.step_s, 2 * EXPOSURE_S)
    # The field moves on between the frames, until the observer or the mount brings it back.
    moved_px = np.cumsum(length_px) * step_s / EXPOSURE_S
    moved_px = (moved_px + 20) % 40 - 20
    return [
        _moving(_line_path(float(length), float(a)), float(way * np.cos(a)), float(way * np.sin(a)))
        for length, a, way in zip(length_px, angles, moved_px, strict=True)
    ]


def knocked(setting: Setting, count: int) -> list[Change]:
    """Hit each frame by wind or foot: the image jumps, swings and stays elsewhere."""
    rng = setting.rng
    places = np.cumsum(rng.normal(0, 1.5, (count, 2)), axis=0)
    return [_moving(_knock_path(rng), float(place[0]), float(place[1])) for place in places]


def blocked_view(setting: Setting, count: int) -> list[Change]:
    """Sink the field behind a roof, or a tree's leaves."""
    edges = edge_in_view(setting.shape, count, setting.rng)

    def change(i: int) -> Change:
        light, glow = edges[i]
        return lambda old: replace(old, light=(*old.light, light), glow=(*old.glow, glow))

    return [change(i) for i in range(count)]


def streak(setting: Setting, count: int) -> list[Change]:
    """Draw a satellite, or an aircraft with its flashes, across."""
    rng, (ny, nx) = setting.rng, setting.shape

    def change() -> Change:
        aircraft = rng.random() < 0.25
        line = Line(
            x_px=rng.uniform(0.15, 0.85) * nx,
            y_px=rng.uniform(0.15, 0.85) * ny,
            angle_deg=rng.uniform(0, 180),
            light_e_per_px=float(np.exp(rng.uniform(np.log(150), np.log(3000)))),
            width_px=2.0 if aircraft else 1.1,
            blink_px=float(rng.uniform(60, 150)) if aircraft else 0.0,
        )
        return lambda old: replace(old, lines=(*old.lines, line))

    return [change() for _ in range(count)]


def overexposed(setting: Setting, count: int) -> list[Change]:
    """Shine a lamp into the tube until the sensor is full."""
    bright = float(setting.rng.uniform(6e4, 2e5))
    return [lambda old: replace(old, sky_e=old.sky_e + bright)] * count


def _veil(light: float, glow: float) -> Change:
    return lambda old: replace(old, transparency=old.transparency * light, sky_e=old.sky_e * glow)


def _slow_hump(count: int) -> Array:
    """Rise over a third, stay, fall over a third."""
    number = (np.arange(count) + 0.5) / count
    return np.asarray(np.sin(np.pi / 2 * np.minimum(1, 3 * np.minimum(number, 1 - number))) ** 2)


def _moving(path: Path, x_px: float, y_px: float) -> Change:
    return lambda old: replace(
        old,
        star=replace(old.star, path=path),
        x_px=old.x_px + x_px,
        y_px=old.y_px + y_px,
    )


def _line_path(length_px: float, angle: float) -> Path:
    count = 2 + int(np.ceil(OVERSAMPLING * length_px))
    along = (np.arange(count) + 0.5) / count - 0.5
    points = length_px * along[:, None] * np.array([np.cos(angle), np.sin(angle)])
    return Path(points, np.full(count, 1 / count))


def _knock_path(rng: np.random.Generator) -> Path:
    """Jump at a moment, swing about the new place, and die down.

    A damped swing in two dimensions with its own frequencies, as a tripod has; sometimes a
    second hit. Sampled in time, centred on the light.
    """
    time_s = np.linspace(0, EXPOSURE_S, 400)
    points = np.zeros((400, 2))
    for _ in range(rng.choice([1, 1, 2])):
        begin = rng.uniform(0.12, 0.88) * EXPOSURE_S
        after = np.maximum(time_s - begin, 0.0)
        angle = rng.uniform(0, 2 * np.pi)
        jump = rng.uniform(0.0, 5.0) * np.array([np.cos(angle), np.sin(angle)])
        swing = rng.uniform(1.5, 5.0, 2) * np.exp(-after[:, None] / rng.uniform(0.3, 1.5))
        phase = 2 * np.pi * rng.uniform(1.5, 5.0, 2) * after[:, None]
        points += np.where(time_s[:, None] > begin, jump + swing * np.sin(phase), 0.0)
    places, counts = np.unique(np.round(points * OVERSAMPLING), axis=0, return_counts=True)
    parts = counts / counts.sum()
    places = places / OVERSAMPLING
    return Path(places - parts @ places, parts)


EPISODES: dict[str, tuple[Callable[[Setting, int], Sequence[Change]], int, int]] = {
    "cloud": (cloud, 6, 16),
    "haze": (haze, 18, 34),
    "dew": (dew, 18, 34),
    "bright-sky": (bright_sky, 8, 24),
    "out-of-focus": (out_of_focus, 8, 24),
    "soft-seeing": (soft_seeing, 6, 16),
    "trailed": (trailed, 5, 14),
    "knocked": (knocked, 4, 9),
    "blocked-view": (blocked_view, 4, 8),
}
"""Causes that last: how they are drawn, and the fewest and most frames of an episode."""

SINGLES: dict[str, Callable[[Setting, int], Sequence[Change]]] = {
    "cloud": cloud,
    "bright-sky": bright_sky,
    "soft-seeing": soft_seeing,
    "trailed": trailed,
    "knocked": knocked,
    "streak": streak,
    "overexposed": overexposed,
}
"""Causes that hit one frame alone."""
