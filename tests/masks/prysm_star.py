"""A star through a focus mask by prysm, an independent optics library.

Dube 2019, JOSS 4(37), 1352.

The mask is drawn here by other code than the simulator's: as yes or no on a fine grid, averaged.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from prysm.fttools import mdft
from prysm.propagation import Wavefront
from scipy.ndimage import gaussian_filter

__all__ = ["Telescope", "ray_offset_px", "star_image"]

FloatImage = NDArray[np.float64]

_SUBGRID = 4


@dataclass(frozen=True, kw_only=True)
class Telescope:
    """Telescope, mask, defocus and sensor; lengths in mm or um as named."""

    focal_length_mm: float = 480.0
    aperture_mm: float = 80.0
    obstruction: float = 0.0
    centre_deg: float = 0.0
    outer_deg: float = 20.0
    lean: int = 1
    period_mm: float = 3.0
    defocus_um: float = 0.0
    pixel_um: float = 3.76


def ray_offset_px(scope: Telescope) -> float:
    """Spike offset by the formula d = delta / (p N) 2 / (3 pi) (2 +- tan phi) kappa.

    Derived from ray optics: a part of the aperture with centroid c sends its light to
    -c delta / f, half discs and quarters have theirs 2 D / (3 pi) from their straight edges.
    """
    ratio = scope.focal_length_mm / scope.aperture_mm
    eps = scope.obstruction
    arms = 2 + scope.lean * np.tan(np.radians(scope.outer_deg))
    widening = (1 - eps**3) / (1 - eps**2)
    return float(scope.defocus_um / scope.pixel_um / ratio * 2 / (3 * np.pi) * arms * widening)


def _open(scope: Telescope, samples: int) -> FloatImage:
    """Part of each grid cell that lets light through, shape (samples, samples)."""
    fine = samples * _SUBGRID
    axis = ((np.arange(fine) + 0.5) / fine - 0.5) * scope.aperture_mm
    x, y = np.meshgrid(axis, axis)
    turn = np.radians(scope.centre_deg)
    u, v = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    phi = np.radians(scope.outer_deg) * scope.lean
    straight = np.floor(2 * u / scope.period_mm) % 2 == 0
    # A spike lies along the direction in which its slits repeat.
    right = np.floor(2 * (u * np.cos(phi) - v * np.sin(phi)) / scope.period_mm) % 2 == 0
    left = np.floor(2 * (u * np.cos(phi) + v * np.sin(phi)) / scope.period_mm) % 2 == 0
    slits = np.where(v < 0, straight, np.where(u > 0, right, left))
    radius = np.hypot(x, y) / (scope.aperture_mm / 2)
    through = slits & (radius < 1) & (radius >= scope.obstruction)
    return through.reshape(samples, _SUBGRID, samples, _SUBGRID).mean(axis=(1, 3))


def star_image(
    scope: Telescope,
    wavelengths_um: NDArray[np.float64],
    *,
    half_px: int,
    seeing_px: float = 0.0,
    points: int = 4,
    shift_px: tuple[float, float] = (0.0, 0.0),
) -> FloatImage:
    """Light of a star of unit flux on the pixels, shape (2 half + 1, 2 half + 1).

    Seeing is a Gaussian of FWHM `seeing_px`; a pixel is the sum of points x points samples.
    """
    samples = 320
    step_mm = scope.aperture_mm / samples
    amplitude = _open(scope, samples)
    axis = (np.arange(samples) + 0.5 - samples / 2) * step_mm
    r2_mm2 = axis**2 + axis[:, None] ** 2
    # Moving the sensor by delta changes the path from radius r by delta r^2 / (2 f^2).
    path_nm = -1000 * scope.defocus_um * r2_mm2 / (2 * scope.focal_length_mm**2)
    side = (2 * half_px + 1) * points
    total = np.zeros((side, side))
    # prysm centres odd grids on a sample and even ones half a sample below the middle.
    centre = 0.0 if side % 2 else 0.5 * scope.pixel_um / points
    for wavelength_um in wavelengths_um:
        front = Wavefront.from_amp_and_phase(amplitude, path_nm, wavelength_um, step_mm)
        image = front.focus_fixed_sampling(
            scope.focal_length_mm,
            scope.pixel_um / points,
            side,
            shift=(
                -shift_px[0] * scope.pixel_um - centre,
                -shift_px[1] * scope.pixel_um - centre,
            ),
        )
        intensity = np.abs(image.data) ** 2
        total += intensity / intensity.sum()
    # Kept for each place of a star, they would fill the memory.
    mdft.clear()
    if seeing_px > 0:
        total = gaussian_filter(total, seeing_px / 2.354820 * points)
    pixels = total.reshape(2 * half_px + 1, points, 2 * half_px + 1, points).sum(axis=(1, 3))
    return pixels / len(wavelengths_um)
