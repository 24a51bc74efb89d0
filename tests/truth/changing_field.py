"""Frames whose stars change over the sensor by a known amount, drawn with GalSim."""

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import galsim
import numpy as np

from starwinnow.frame import Capture, Frame

__all__ = ["FieldTruth", "draw_frame", "imaged_fwhm_px"]

SHAPE = (900, 1200)
HALF_PX = math.hypot(*SHAPE) / 2
FWHM_PX = 3.0
_COLUMNS, _ROWS = 17, 14
_BACKGROUND = 400.0
_STAMP_PX = 48
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


def draw_frame(truth: FieldTruth, rng: np.random.Generator, name: str = "field.fits") -> Frame:
    """Draw 238 stars with photon noise, their peaks 20 to 500 noises high."""
    image = galsim.ImageF(SHAPE[1], SHAPE[0], xmin=0, ymin=0)
    cell_x, cell_y = SHAPE[1] / _COLUMNS, SHAPE[0] / _ROWS
    for i in range(_COLUMNS):
        for j in range(_ROWS):
            x = (i + 0.5 + rng.uniform(-0.2, 0.2)) * cell_x
            y = (j + 0.5 + rng.uniform(-0.2, 0.2)) * cell_y
            u, v = (x - (SHAPE[1] - 1) / 2) / HALF_PX, (y - (SHAPE[0] - 1) / 2) / HALF_PX
            star = truth.star(u, v) * float(10 ** rng.uniform(4.0, 5.2))
            stamp = star.drawImage(
                nx=_STAMP_PX, ny=_STAMP_PX, scale=1.0, center=galsim.PositionD(x, y)
            )
            shared = stamp.bounds & image.bounds
            image[shared] += stamp[shared]
    pixels = rng.poisson(np.clip(image.array, 0, None) + _BACKGROUND) + 300.0
    return Frame(
        path=Path(name),
        pixels=np.clip(pixels, 0, 65535).astype(np.uint16),
        capture=Capture(egain_e_per_adu=1.0),
    )
