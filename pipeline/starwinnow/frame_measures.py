"""What measuring one frame gives: small, picklable, all that later steps need."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.stars import Stars

__all__ = ["FrameMeasures", "Recall", "StarProfile", "Streak"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Streak:
    """A straight streak across the frame.

    Attributes
    ----------
    start_px, end_px : tuple of float
        (x, y) of both ends as seen, px.
    """

    start_px: tuple[float, float]
    end_px: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class StarProfile:
    """The frame's star profile: an elliptical Moffat, before convolution with the pixel.

    Attributes
    ----------
    fwhm_px : float
        FWHM of the Moffat alone, geometric mean of its two axes, px.
    stretch1, stretch2 : float
        Log-stretch vector: ln(major/minor) = hypot(stretch1, stretch2) and the major axis lies
        at atan2(stretch2, stretch1) / 2 from +x towards +y.
    beta : float
        Moffat exponent.
    radius_px : float
        Measuring radius R: the profile is normalised to unit flux inside it, px.
    second_part : float
        Light of the second image over that of the first in a frame doubled by a jolt, else 0.
    second_x_px, second_y_px : float
        Where the second image lies from the first, px.
    """

    fwhm_px: float
    stretch1: float
    stretch2: float
    beta: float
    radius_px: float
    second_part: float = 0.0
    second_x_px: float = 0.0
    second_y_px: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameMeasures:
    """Everything measured on one frame, without reference to any other frame.

    A figure that cannot be measured is NaN. Errors are standard errors (1 sigma).

    Attributes
    ----------
    file_name : str
        Name of the file inside its folder.
    shape : tuple of int
        (ny, nx), px.
    capture : Capture
        What the header says.
    background_adu, noise_adu : float
        Level between the stars and per-pixel standard deviation, ADU.
    background_err_adu : float
        Standard error of the level, ADU.
    star_count : int
        Stars behind the star figures.
    fwhm_px, fwhm_err_px, hfr_px, hfr_err_px : float
        Star size as imaged, px.
    axis_ratio, axis_ratio_err, trail_deg, trail_err_deg : float
        Minor over major axis of the average star; direction of its major axis.
    nea_px, nea_err_px : float
        Noise-equivalent area, px.
    profile : StarProfile or None
        The fitted profile; None when there was no star.
    stars : Stars
        All detected objects.
    average_star, average_star_err : ndarray of float32, shape (33, 33)
        Image of the average star, centred, unit flux inside R, and its error; empty (0, 0)
        without stars.
    thumbnail : ndarray of uint8, shape (h, w), at most 80 x 120
        A small stretched picture.
    flags : FrameFlag
        What limits the figures.
    streak : Streak or None
        The line of a satellite or an aircraft, where one was seen.
    corner_tails, corner_tails_err : float
        Third moment of the stars in the corners along the line to the middle, in units of half
        the FWHM; positive where tails point outwards. See `profile.asymmetry`.
    """

    file_name: str
    shape: tuple[int, int]
    capture: Capture
    background_adu: float
    background_err_adu: float
    noise_adu: float
    star_count: int
    fwhm_px: float
    fwhm_err_px: float
    hfr_px: float
    hfr_err_px: float
    axis_ratio: float
    axis_ratio_err: float
    trail_deg: float
    trail_err_deg: float
    nea_px: float
    nea_err_px: float
    profile: StarProfile | None
    stars: Stars
    average_star: NDArray[np.float32]
    average_star_err: NDArray[np.float32]
    thumbnail: NDArray[np.uint8]
    flags: FrameFlag
    streak: Streak | None = None
    corner_tails: float = math.nan
    corner_tails_err: float = math.nan


Recall = Callable[[str], FrameMeasures | None]
"""Gives a frame's measures by its name, None when they are not there."""
