"""Flag bits of stars and frames, each registered once with its meaning."""

from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FEW_STARS",
    "FRAME_FLAG_MEANINGS",
    "STAR_FLAG_MEANINGS",
    "FrameFlag",
    "StarFlag",
    "raise_flag",
]


# Fewer usable stars than this and the figures' own scatter is poorly known.
FEW_STARS = 8


class StarFlag(IntFlag):
    """Why a detected object was not used for the star figures; 0 means it was used."""

    SATURATED = 1
    EDGE = 2
    BLENDED = 4
    HOT_PIXEL = 8
    FAINT = 16
    NOT_A_STAR = 32
    NO_FIT = 64
    SECOND_IMAGE = 128
    STREAK = 256


STAR_FLAG_MEANINGS: dict[StarFlag, str] = {
    StarFlag.SATURATED: "a pixel of the core is at the sensor's upper limit",
    StarFlag.EDGE: "the image of the star is cut by the frame's edge or by pixels without value",
    StarFlag.BLENDED: "another object is too close to tell their light apart",
    StarFlag.HOT_PIXEL: "a single bright pixel, not a star",
    StarFlag.FAINT: "too faint to add to the star figures",
    StarFlag.NOT_A_STAR: "its size or shape is not that of the frame's stars",
    StarFlag.NO_FIT: "the star profile could not be fitted",
    StarFlag.STREAK: "on the streak of a satellite or an aircraft",
    StarFlag.SECOND_IMAGE: "the second image of a star in a frame doubled by a jolt",
}


class FrameFlag(IntFlag):
    """What limits the figures of one frame; 0 means nothing does."""

    FEW_STARS = 1
    NO_STARS = 2
    OVEREXPOSED = 4
    NO_TIME = 8
    DOUBLED = 16
    DISCS = 32
    MASK_ON = 64


FRAME_FLAG_MEANINGS: dict[FrameFlag, str] = {
    FrameFlag.FEW_STARS: "fewer than eight usable stars: figures have larger errors",
    FrameFlag.NO_STARS: "no usable star: no star figures",
    FrameFlag.OVEREXPOSED: "the background is at the sensor's upper limit",
    FrameFlag.NO_TIME: "the file says no start time",
    FrameFlag.DOUBLED: "each star shows twice: the telescope was jolted",
    FrameFlag.DISCS: "stars are discs or rings, far out of focus: no FWHM",
    FrameFlag.MASK_ON: "the stars show the spikes of a focus mask left on",
}


def raise_flag(flags: NDArray[np.int32], where: NDArray[np.bool_], flag: StarFlag) -> None:
    """Add a flag where a condition holds.

    Parameters
    ----------
    flags : ndarray of int32, shape (n,)
        Changed in place.
    where : ndarray of bool, shape (n,)
    flag : StarFlag
    """
    # By an index it takes ten times as long.
    np.bitwise_or(flags, int(flag), out=flags, where=where)
