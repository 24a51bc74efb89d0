"""Colour mosaics: the pixels of one colour, which see a star of any colour alike."""

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Frame, Pixels

__all__ = ["green_only"]

# Pixels of each phase of the 2x2 cell that are looked at, and the length of the pieces of rows
# they are taken from.
_SAMPLE, _PIECE_PX = 20_000, 16
_FEWEST, _THINNED = 100, 8
# Phases that differ by so many standard errors have filters of different colour. An eighth of the
# pixels then shows a difference of 7 of its own larger errors, and hardly ever less than 4.
_DIFFERENT, _ALIKE, _LIKELY = 20.0, 5.0, 4.0
_SIDES: tuple[Literal["left", "right"], ...] = ("left", "right")


def green_only(frame: Frame) -> Frame:
    """Leave only the green pixels of a colour mosaic, the others without value.

    Seen through one filter a star has one profile, whatever its colour, and green, on half of
    the pixels, samples it at the sensor's own pitch. All measures of a colour frame are green.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    Frame
        The same for a frame that is no mosaic: none is stated, and the pixels show none.
    """
    pattern = frame.capture.bayer_pattern
    diagonal = _shown_diagonal(frame.pixels) if pattern is None else int(pattern[0] != "G")
    if diagonal is None:
        return frame
    pixels = frame.pixels.astype(np.float32)
    # On the main diagonal of the cell x + y is even.
    for y in (0, 1):
        pixels[y::2, (y + diagonal + 1) % 2 :: 2] = np.nan
    return replace(frame, pixels=pixels)


def _shown_diagonal(pixels: Pixels) -> int | None:
    """On which diagonal of the cell the green pixels lie: 0 where x + y is even, 1 odd.

    Two phases on one diagonal have one background and the others have another: rows or columns
    that differ make no such pattern. None where the sky shows no colour.
    """
    # Pieces of pairs of rows: what is read together lies together.
    whole, rare = pixels.size / 4 / _SAMPLE, np.sqrt(pixels.size * _PIECE_PX / 8 / _SAMPLE)
    step = 2 * max(1, int(min(whole, rare)))
    high, wide = pixels.shape[0] // step, pixels.shape[1] // step
    pieces = pixels[: high * step, : wide * step].reshape(high, step, wide, step)
    pieces = pieces[:, :2, :, :_PIECE_PX]
    # A part of them nearly always tells that there is no colour.
    few = _levels_and_error(pieces[::_THINNED])
    if few is None or _between_diagonals(few[0]) < _LIKELY * few[1]:
        return None
    found = _levels_and_error(pieces)
    if found is None or _between_diagonals(found[0]) < _DIFFERENT * found[1]:
        return None
    levels, error = found
    gaps = np.array([levels[0, 0] - levels[1, 1], levels[0, 1] - levels[1, 0]])
    means = np.array([levels[0, 0] + levels[1, 1], levels[0, 1] + levels[1, 0]])
    # Red and blue may be alike too; the sky is brightest in green.
    both = bool(np.all(np.abs(gaps) < _ALIKE * error))
    green = int(np.argmax(means)) if both else int(np.argmin(np.abs(gaps)))
    return None if abs(gaps[green]) > _ALIKE * error else green


def _between_diagonals(levels: NDArray[np.float64]) -> float:
    """By how much the mean level of one diagonal of the cell differs from the other's."""
    return float(abs(levels[0, 0] + levels[1, 1] - levels[0, 1] - levels[1, 0])) / 2


def _levels_and_error(
    pieces: NDArray[np.float32] | NDArray[np.uint16],
) -> tuple[NDArray[np.float64], float] | None:
    """Median level of each phase, shape (2, 2), and the error of differences between them.

    None where a phase has few pixels with a value.
    """
    levels, errors = np.empty((2, 2)), np.empty((2, 2))
    for y in (0, 1):
        for x in (0, 1):
            known = pieces[:, y, :, x::2].ravel()
            if known.dtype.kind == "f":
                known = known[np.isfinite(known)]
            if len(known) < _FEWEST:
                return None
            levels[y, x], errors[y, x] = _median_and_error(known)
    return levels, float(np.max(errors)) * float(np.sqrt(2))


def _median_and_error(values: NDArray[np.float32] | NDArray[np.uint16]) -> tuple[float, float]:
    """Median and its standard error, 1.2533 sigma / sqrt(n).

    Whole numbers of a dark sky are alike by the thousand: each stands for all values within half a
    step of it, and the median lies as far in there as it has to (the median of grouped data).
    """
    # Whole, which is faster than to sort partly.
    ranked = np.sort(values)
    low, middle, high = (float(ranked[int(part * len(ranked))]) for part in (0.1587, 0.5, 0.8413))
    first, end = (int(np.searchsorted(ranked, ranked[len(ranked) // 2], side)) for side in _SIDES)
    if end - first > 1:
        below, above = float(ranked[max(first - 1, 0)]), float(ranked[min(end, len(ranked) - 1)])
        part = (0.5 * len(ranked) - first) / (end - first)
        middle += 0.5 * (above - below) * (part - 0.5)
    sigma = max((high - low) / 2, 0.5)
    return middle, 1.253314 * sigma / float(np.sqrt(len(values)))
