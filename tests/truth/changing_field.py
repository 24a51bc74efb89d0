"""Frames whose stars change over the sensor by a known amount, drawn with GalSim."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Capture, Frame

__all__ = ["EvenField", "FieldTruth", "draw_frame", "imaged_fwhm_px", "third_moment"]

SHAPE = (900, 1200)
HALF_PX = math.hypot(*SHAPE) / 2
FWHM_PX = 3.0
_COLUMNS, _ROWS = 17, 14
_BACKGROUND = 400.0
_STAMP_PX = 48
_STEPS = 5
# The reference rig in waves: lambda / D, px.
_LAMBDA_D_PX = 550e-9 / 0.080 * 0.480 / 3.76e-6


@dataclass(frozen=True)
class FieldTruth:
    """What changes over the sensor, FWHM of the Moffat in px, from the middle in half diagonals.

    Attributes
    ----------
    tilt_px : float
        Difference from corner to corner along `towards_deg`.
    curvature_px : float
        Corner over middle.
    stretch : float
        ln(long / short axis) in the corners, along the line to the middle where positive.
    coma_waves : float
        Third-order coma in the corners, waves; it grows with the distance from the middle.
    """

    tilt_px: float = 0.0
    towards_deg: float = 30.0
    curvature_px: float = 0.0
    stretch: float = 0.0
    coma_waves: float = 0.0

    def star(self, u: float, v: float) -> Any:
        """Star of unit flux at a place, before the pixel."""
        angle = math.radians(self.towards_deg)
        fwhm = FWHM_PX + self.tilt_px / 2 * (u * math.cos(angle) + v * math.sin(angle))
        fwhm += self.curvature_px * (u * u + v * v)
        star: Any = galsim.Moffat(beta=3.0, fwhm=fwhm)
        square, line = u * u + v * v, math.atan2(v, u)
        if self.stretch:
            size = math.exp(-abs(self.stretch) * square)
            line += 0.0 if self.stretch > 0 else math.pi / 2
            star = star.shear(q=size, beta=line * galsim.radians)
        if self.coma_waves:
            part = self.coma_waves * math.sqrt(square)
            optics = galsim.OpticalPSF(
                lam_over_diam=_LAMBDA_D_PX, coma1=part * math.sin(line), coma2=part * math.cos(line)
            )
            star = galsim.Convolve(star, optics)
        return star


def imaged_fwhm_px(star: Any) -> float:
    """FWHM with one pixel, px."""
    return float(galsim.Convolve(star, galsim.Pixel(1.0)).calculateFWHM())


def third_moment(star: Any, fwhm_px: float) -> float:
    """Third moment along x of a noiseless star, as the definition in the report says it."""
    image = star.drawImage(nx=_STAMP_PX, ny=_STAMP_PX, scale=1.0).array.astype(float)
    y, x = np.indices(image.shape) - (_STAMP_PX - 1) / 2
    reach2 = (1.25 * fwhm_px) ** 2
    center = 0.0
    for _ in range(30):
        weight = np.clip(1 - ((x - center) ** 2 + y**2) / reach2, 0, None) ** 2
        center += 2 * float(np.average(x - center, weights=image * weight))
    x = x - center
    square = x**2 + y**2
    slope = np.gradient(image, axis=1) * weight * x
    odd = square - np.sum(slope * square) / np.sum(slope)
    return float(np.sum(image * weight * odd * x) / np.sum(image * weight * square) / fwhm_px * 2)


def draw_frame(truth: FieldTruth, rng: np.random.Generator, name: str = "field.fits") -> Frame:
    """Draw 238 stars with photon noise, their peaks 20 to 500 noises high."""
    image = galsim.ImageF(SHAPE[1], SHAPE[0], xmin=0, ymin=0)
    for x, y, flux in _places(rng):
        u, v = (x - (SHAPE[1] - 1) / 2) / HALF_PX, (y - (SHAPE[0] - 1) / 2) / HALF_PX
        star = truth.star(u, v) * flux
        stamp = star.drawImage(nx=_STAMP_PX, ny=_STAMP_PX, scale=1.0, center=galsim.PositionD(x, y))
        shared = stamp.bounds & image.bounds
        image[shared] += stamp[shared]
    return _exposed(image.array, rng, name)


class EvenField:
    """Draws frames whose stars are all alike, quickly: from one image in steps of 1/5 px."""

    def __init__(self) -> None:
        star = galsim.Convolve(FieldTruth().star(0.0, 0.0), galsim.Pixel(1.0))
        side = _STAMP_PX * _STEPS
        drawn = star.drawImage(nx=side + 1, ny=side + 1, scale=1 / _STEPS, method="no_pixel")
        self.fine = drawn.array * _STEPS**2

    def draw(self, rng: np.random.Generator) -> Frame:
        half = _STAMP_PX // 2
        image = np.zeros((SHAPE[0] + 2 * _STAMP_PX, SHAPE[1] + 2 * _STAMP_PX))
        for x, y, flux in _places(rng):
            (column, dx), (row, dy) = (divmod(round(one * _STEPS), _STEPS) for one in (x, y))
            stamp = self.fine[_STEPS - dy :: _STEPS, _STEPS - dx :: _STEPS]
            top, left = (one + _STAMP_PX - half + 1 for one in (row, column))
            image[top : top + stamp.shape[0], left : left + stamp.shape[1]] += flux * stamp
        inside = image[_STAMP_PX:-_STAMP_PX, _STAMP_PX:-_STAMP_PX]
        return _exposed(inside, rng, "even.fits")


def _places(rng: np.random.Generator) -> Iterator[tuple[float, float, float]]:
    """Place and flux of each star."""
    cell_x, cell_y = SHAPE[1] / _COLUMNS, SHAPE[0] / _ROWS
    for i in range(_COLUMNS):
        for j in range(_ROWS):
            x = (i + 0.5 + rng.uniform(-0.2, 0.2)) * cell_x
            y = (j + 0.5 + rng.uniform(-0.2, 0.2)) * cell_y
            yield x, y, float(10 ** rng.uniform(4.0, 5.2))


def _exposed(light: NDArray[np.floating[Any]], rng: np.random.Generator, name: str) -> Frame:
    pixels = rng.poisson(np.clip(light, 0, None) + _BACKGROUND) + 300.0
    return Frame(
        path=Path(name),
        pixels=np.clip(pixels, 0, 65535).astype(np.uint16),
        capture=Capture(egain_e_per_adu=1.0),
    )
