"""Stacks made from frames, and what they show."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, map_coordinates
from scipy.signal import fftconvolve

from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.relate import Relation

__all__ = ["Places", "faint_star_snr", "measure_stack", "registered"]

Image = NDArray[np.float64]

_SPLINE_ORDER = 3


@dataclass(frozen=True)
class Places:
    """Where faint stars and blank places lie on a stack, (n, 2) each, px."""

    faint_px: NDArray[np.float64]
    blank_px: NDArray[np.float64]


def registered(frame: Frame, relation: Relation) -> Image:
    """Resample a frame to the pixels of its reference by cubic splines; NaN where it has none."""
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    origin, along_x, along_y = relation.to_frame(corners)
    # scipy counts (row, column)
    matrix = np.column_stack([along_y - origin, along_x - origin])[::-1]
    return np.asarray(
        affine_transform(
            frame.pixels.astype(np.float64),
            matrix,
            origin[::-1],
            order=_SPLINE_ORDER,
            cval=np.nan,
        )
    )


def faint_star_snr(stack: Image, star: Image, places: Places) -> float:
    """Matched-filter S/N of the faint stars: their mean over the scatter at blank places.

    Resampling correlates the noise of neighbouring pixels, so it is never taken from pixels,
    but from what the filter makes of places without a star.

    Parameters
    ----------
    stack : ndarray, shape (ny, nx)
    star : ndarray, shape (side, side)
        The star of this stack, centred.
    places : Places
    """
    level = float(np.median(stack))
    filtered = fftconvolve(stack - level, star[::-1, ::-1], mode="same")
    stars = _read(filtered, places.faint_px)
    blanks = _read(filtered, places.blank_px)
    ground = _quadratic(places.blank_px, stack.shape)
    surface, *_ = np.linalg.lstsq(ground, blanks, rcond=None)
    scatter = np.std(blanks - ground @ surface, ddof=ground.shape[1])
    light = stars - _quadratic(places.faint_px, stack.shape) @ surface
    return float(np.mean(light) / scatter)


def measure_stack(stack: Image) -> FrameMeasures:
    """Measure the stars of a stack like those of any frame."""
    pixels = stack.astype(np.float32)
    return measure(Frame(path=Path("stack.fits"), pixels=pixels, capture=Capture()))


def _read(image: Image, places_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values between pixels, by cubic splines."""
    return np.asarray(map_coordinates(image, places_px.T[::-1], order=_SPLINE_ORDER))


def _quadratic(places_px: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Terms of a quadratic surface at places, shape (n, 6): a background gradient."""
    x, y = (2 * places_px / np.array(shape[::-1]) - 1).T
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
