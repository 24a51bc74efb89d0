"""Average stars drawn by GalSim: Kolmogorov air, a clear pupil, a move, a film of dew."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray

__all__ = ["OPTICS_MM", "PIXEL_UM", "SIDE_PX", "DrawnStar", "noise_equivalent_area"]

Image = NDArray[np.float64]

SIDE_PX = 33
PIXEL_UM = 3.76
OPTICS_MM = 80.0, 480.0
"""Aperture and focal length."""

_SCALE_ARCSEC = 206.264806 * PIXEL_UM / OPTICS_MM[1]
# FWHM of the lobes that patches of water 10, 5 and 2.5 mm wide scatter into, lambda / d, and how
# the halo's light is parted among them (order of magnitude of diffraction, no source).
_DEW_LOBES_PX = tuple(206.264806 * 0.55 / (patch_mm * _SCALE_ARCSEC) for patch_mm in (10, 5, 2.5))
_DEW_PARTS = (0.3, 0.4, 0.3)


@dataclass(frozen=True, kw_only=True)
class DrawnStar:
    """What shapes a star.

    Attributes
    ----------
    seeing_px : float
        FWHM of the Kolmogorov seeing.
    waves : float
        Defocus at the pupil's edge.
    astigmatism_waves : float
        Zernike coefficient (Noll), waves rms.
    trail_px : tuple of float
        Vector (x, y) that the image ran along evenly.
    knock : tuple of float
        Part f of the light that lies (x, y) px from the rest: (x, y, f).
    dew_part : float
        Part of the light in the lobes of dew.
    halo : tuple of float
        Part of the light in a Gaussian of this sigma, px.
    """

    seeing_px: float = 2.2
    waves: float = 0.0
    astigmatism_waves: float = 0.0
    trail_px: tuple[float, float] = (0.0, 0.0)
    knock: tuple[float, float, float] = (0.0, 0.0, 0.0)
    dew_part: float = 0.0
    halo: tuple[float, float] = (0.0, 7.0)

    def pieces(self) -> list[Any]:
        """Kernels beside the pixel."""
        return [
            _pupil(self.waves, self.astigmatism_waves),
            galsim.Kolmogorov(fwhm=self.seeing_px),
            *self._moves(),
            *self._halos(),
        ]

    def _moves(self) -> list[Any]:
        moves = []
        length = math.hypot(*self.trail_px)
        if length > 0:
            way = math.atan2(self.trail_px[1], self.trail_px[0]) * galsim.radians
            moves.append(galsim.Box(length, 0.05).rotate(way))
        x, y, part = self.knock
        if part > 0:
            near = galsim.DeltaFunction(flux=1 - part).shift(-part * x, -part * y)
            far = galsim.DeltaFunction(flux=part).shift((1 - part) * x, (1 - part) * y)
            moves.append(near + far)
        return moves

    def _halos(self) -> list[Any]:
        halos = []
        part, sigma_px = self.halo
        if part > 0:
            wide = galsim.Gaussian(sigma=sigma_px, flux=part)
            halos.append(galsim.DeltaFunction(flux=1 - part) + wide)
        if self.dew_part > 0:
            lobes = [
                galsim.Gaussian(fwhm=width, flux=lobe * self.dew_part)
                for width, lobe in zip(_DEW_LOBES_PX, _DEW_PARTS, strict=True)
            ]
            halos.append(galsim.Add([galsim.DeltaFunction(flux=1 - self.dew_part), *lobes]))
        return halos

    def image(self) -> Image:
        """Light in each pixel, centred; what falls outside the square is missing."""
        array: Image = _drawn(self).array
        return array

    def fwhm_px(self) -> float:
        """FWHM of the Gaussian that weighs the star best: halo and wings count for little."""
        return float(2.3548 * _moments(self).moments_sigma)

    def stretch(self) -> tuple[float, float]:
        """Log-stretch vector: GalSim's conformal shear eta is just that."""
        shape = _moments(self).observed_shape
        return float(shape.eta1), float(shape.eta2)


@lru_cache(maxsize=4000)
def _moments(star: DrawnStar) -> Any:
    """Adaptive moments (Hirata & Seljak 2003, MNRAS 343, 459)."""
    return galsim.hsm.FindAdaptiveMom(_drawn(star), guess_sig=2.0)


@lru_cache(maxsize=4000)
def _drawn(star: DrawnStar) -> Any:
    whole = galsim.Convolve([*star.pieces(), galsim.Pixel(1.0)])
    image = whole.drawImage(nx=SIDE_PX, ny=SIDE_PX, scale=1.0, method="no_pixel", dtype=float)
    image.array.setflags(write=False)
    return image


@lru_cache(maxsize=100)
def _pupil(waves: float, astigmatism_waves: float) -> Any:
    # W r^2 is 2 sqrt(3) times Noll's Zernike coefficient of defocus (Noll 1976, JOSA 66, 207).
    return galsim.OpticalPSF(
        lam=550,
        diam=OPTICS_MM[0] / 1000,
        defocus=waves / (2 * math.sqrt(3)),
        astig1=astigmatism_waves,
        scale_unit=galsim.arcsec,
        oversampling=1.5,
        pad_factor=1.0,
        suppress_warning=True,
    ).dilate(1 / _SCALE_ARCSEC)


def noise_equivalent_area(image: Image) -> float:
    """1 / sum(P^2) of an image brought to unit flux, px."""
    return float(image.sum() ** 2 / np.sum(image**2))
