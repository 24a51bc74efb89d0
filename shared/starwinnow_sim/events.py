"""What can happen in a night: each function returns the night with one thing more in it.

Positions in the night are indices, as in a list; frames outside the episode stay as they are.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from starwinnow_sim.frame_truth import FrameTruth

__all__ = [
    "brightening_sky",
    "bump",
    "gust",
    "passing_cloud",
    "passing_light",
    "slipping_focus",
]

Night = Sequence[FrameTruth]


def passing_cloud(
    night: Night, *, first: int, frames: int, light_kept: float, background_factor: float = 1.0
) -> list[FrameTruth]:
    """Let a cloud pass, thickest half-way.

    Parameters
    ----------
    night : sequence of FrameTruth
        The night so far.
    first, frames : int
        First frame of the cloud, and how many it covers.
    light_kept : float
        Part of the stars' light that comes through at the middle of the cloud.
    background_factor : float
        Background behind the middle relative to clear: above 1 over a town, below 1 far from
        any.
    """
    cloudy = list(night)
    for i in range(first, first + frames):
        thickness = np.sin(np.pi * (i - first + 1) / (frames + 1))
        cloudy[i] = replace(
            cloudy[i],
            transparency=cloudy[i].transparency * float(light_kept**thickness),
            background_e=cloudy[i].background_e * float(background_factor**thickness),
        )
    return cloudy


def slipping_focus(night: Night, *, first: int, last: int, defocus_px: float) -> list[FrameTruth]:
    """Let the focus slip evenly from good before `first` to `defocus_px` at `last`, then refocus.

    `defocus_px` is the outer diameter of the disc of light. Where the frames carry a focuser
    position it stays: the focuser does not know.
    """
    slipped = list(night)
    for i in range(first, last + 1):
        diameter_px = defocus_px * (i - first + 1) / (last - first + 1)
        slipped[i] = replace(slipped[i], star=replace(slipped[i].star, defocus_px=diameter_px))
    return slipped


def gust(night: Night, *, index: int, trail_px: float, angle_deg: float) -> list[FrameTruth]:
    """Draw out the stars of one frame along a line, from +x towards +y."""
    trail_x_px, trail_y_px = _vector(trail_px, angle_deg)
    shaken = list(night)
    star = replace(shaken[index].star, trail_x_px=trail_x_px, trail_y_px=trail_y_px)
    shaken[index] = replace(shaken[index], star=star)
    return shaken


def bump(
    night: Night, *, index: int, distance_px: float, angle_deg: float, before: float
) -> list[FrameTruth]:
    """Knock the mount once in one frame: part `before` of the light falls before the knock.

    The frames after it stay displaced.
    """
    bump_x_px, bump_y_px = _vector(distance_px, angle_deg)
    knocked = list(night)
    star = replace(knocked[index].star, bump_x_px=bump_x_px, bump_y_px=bump_y_px, bump_part=before)
    # The shift of a frame is that of the centroid: part 1 - before of the way in this frame.
    knocked[index] = _moved(
        replace(knocked[index], star=star), (1 - before) * bump_x_px, (1 - before) * bump_y_px
    )
    for i in range(index + 1, len(knocked)):
        knocked[i] = _moved(knocked[i], bump_x_px, bump_y_px)
    return knocked


def passing_light(
    night: Night, *, index: int, background_factor: float, gradient_x: float = 0.0
) -> list[FrameTruth]:
    """Let a lamp shine into one frame, such as those of a passing car."""
    lit = list(night)
    lit[index] = replace(
        lit[index],
        background_e=lit[index].background_e * background_factor,
        gradient_x=lit[index].gradient_x + gradient_x,
    )
    return lit


def brightening_sky(night: Night, *, first: int, factor_at_end: float) -> list[FrameTruth]:
    """Let dawn brighten the background exponentially from `first` to the last frame."""
    dawn = list(night)
    steps = max(1, len(dawn) - 1 - first)
    for i in range(first, len(dawn)):
        factor = float(factor_at_end ** ((i - first) / steps))
        dawn[i] = replace(dawn[i], background_e=dawn[i].background_e * factor)
    return dawn


def _vector(length_px: float, angle_deg: float) -> tuple[float, float]:
    """(x, y) of a vector of given length and direction."""
    angle = np.radians(angle_deg)
    return float(length_px * np.cos(angle)), float(length_px * np.sin(angle))


def _moved(truth: FrameTruth, by_x_px: float, by_y_px: float) -> FrameTruth:
    """Shift the field of one frame."""
    return replace(
        truth,
        shift_x_px=truth.shift_x_px + by_x_px,
        shift_y_px=truth.shift_y_px + by_y_px,
    )
