"""Stars through air, optics and an unsteady mount, drawn by GalSim.

Seeing is Kolmogorov's, the telescope a clear pupil with its aberrations, dew a mixture of lobes,
the mount's path across the sensor is summed point by point in Fourier space.
"""

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray

__all__ = ["OVERSAMPLING", "STILL", "Optics", "Path", "StarImage", "noise_equivalent_area"]

Image = NDArray[np.float32]
OVERSAMPLING = 8
_REACH_PX = 36
_FOCAL_MM = 480.0
_PIXEL_UM = 3.76
SCALE_ARCSEC = 206.264806 * _PIXEL_UM / _FOCAL_MM
# A film of dew is patches of water of many widths d; each scatters into a lobe of FWHM about
# lambda / d. Patches of 10, 5 and 2.5 mm, and how the light that stays near is parted among them
# (order of magnitude from diffraction; no source for the mixture).
_DEW_PATCHES_MM = (10.0, 5.0, 2.5)
_DEW_PARTS = (0.3, 0.4, 0.3)


@dataclass(frozen=True, kw_only=True)
class Optics:
    """The telescope as it is, which need not be what the header says.

    Attributes
    ----------
    aperture_mm : float
        True aperture.
    colours : tuple of (float, float, float)
        Wavelength (nm), part of the light, and how far that colour's focus lies off (um).
    spherical, coma, astigmatism : float
        Zernike coefficients (Noll), waves rms.
    curvature_um : float
        How far the focus of the corners lies from that of the middle, um.
    """

    aperture_mm: float = 80.0
    colours: tuple[tuple[float, float, float], ...] = ((550.0, 1.0, 0.0),)
    spherical: float = 0.0
    coma: float = 0.0
    astigmatism: float = 0.0
    curvature_um: float = 0.0


@dataclass(frozen=True, eq=False)
class Path:
    """Where the image of a star is while the shutter is open, px, and for which part of it."""

    points_px: NDArray[np.float64]
    parts: NDArray[np.float64]


STILL = Path(np.zeros((1, 2)), np.ones(1))


@dataclass(frozen=True, kw_only=True)
class StarImage:
    """What shapes a star in one frame.

    Attributes
    ----------
    seeing_px : float
        FWHM of the Kolmogorov seeing.
    defocus_um : float
        Focuser travel from the best focus of the middle.
    jitter_px : float
        Rms of a Gaussian shake.
    dew_part : float
        Part of the light that dew scatters within the drawn star.
    path : Path
        Motion of the image.
    """

    seeing_px: float
    defocus_um: float = 0.0
    jitter_px: float = 0.0
    dew_part: float = 0.0
    path: Path = field(default=STILL)

    def draw(self, optics: Optics, radius: float = 0.0) -> Image:
        """Light per px^2 at points 1 / OVERSAMPLING px apart, convolved with the pixel.

        `radius` is the distance from the middle of the frame, 1 in the corners. The star's
        centre is the middle point of the square; what falls outside it is lost to the drawing.
        """
        still = _still(
            optics,
            round(self.seeing_px, 4),
            round(self.defocus_um + optics.curvature_um * radius**2, 2),
            round(self.jitter_px, 4),
            round(self.dew_part, 4),
        )
        if self.path is STILL:
            return still
        return _moved(still, self.path)


def noise_equivalent_area(image: Image) -> float:
    """1 / sum(P^2) for P of unit flux, averaged over the star's place within the pixel, px."""
    return float(OVERSAMPLING**2 / np.sum(np.square(image, dtype=np.float64)))


def _pupil(optics: Optics, defocus_um: float) -> Any:
    """Image of a point through the telescope, without air."""
    ratio = _FOCAL_MM / optics.aperture_mm
    parts = []
    for wavelength_nm, part, offset_um in optics.colours:
        # W = z / (8 N^2) at the edge of the pupil, 2 sqrt(3) times the Zernike coefficient.
        edge_nm = 1000 * (defocus_um + offset_um) / (8 * ratio**2)
        star = galsim.OpticalPSF(
            lam=wavelength_nm,
            diam=optics.aperture_mm / 1000,
            defocus=edge_nm / wavelength_nm / (2 * np.sqrt(3)),
            spher=optics.spherical * 550 / wavelength_nm,
            coma1=optics.coma * 550 / wavelength_nm,
            astig1=optics.astigmatism * 550 / wavelength_nm,
            scale_unit=galsim.arcsec,
            oversampling=1.5,
            pad_factor=1.0,
            suppress_warning=True,
        )
        parts.append(star.withFlux(part))
    return galsim.Add(parts).dilate(1 / SCALE_ARCSEC)


# A night's worth: the truth and the pixels need the same images.
@lru_cache(maxsize=200)
def _still(
    optics: Optics, seeing_px: float, defocus_um: float, jitter_px: float, dew_part: float
) -> Image:
    pieces = [_pupil(optics, defocus_um), galsim.Kolmogorov(fwhm=seeing_px), galsim.Pixel(1.0)]
    if jitter_px > 0:
        pieces.append(galsim.Gaussian(sigma=jitter_px))
    if dew_part > 0:
        widths_px = [206.264806 * 0.55 / (patch * SCALE_ARCSEC) for patch in _DEW_PATCHES_MM]
        halo = galsim.Add(
            [
                galsim.Gaussian(fwhm=width, flux=part * dew_part)
                for width, part in zip(widths_px, _DEW_PARTS, strict=True)
            ]
        )
        pieces.append(galsim.DeltaFunction(flux=1 - dew_part) + halo)
    side = 2 * _REACH_PX * OVERSAMPLING
    bounds = galsim.BoundsI(-side // 2, side // 2 - 1, -side // 2, side // 2 - 1)
    image = galsim.ImageD(bounds, scale=1 / OVERSAMPLING)
    galsim.Convolve(pieces).drawImage(image=image, center=galsim.PositionD(0, 0), method="sb")
    array = image.array.astype(np.float32)
    array.setflags(write=False)
    return array


def _moved(image: Image, path: Path) -> Image:
    """Smear an image along a path, exactly, in Fourier space."""
    ny, nx = image.shape
    kx, ky = np.fft.rfftfreq(nx), np.fft.fftfreq(ny)
    points = path.points_px * OVERSAMPLING
    waves_x = np.exp(-2j * np.pi * points[:, :1] * kx)
    waves_y = np.exp(-2j * np.pi * points[:, 1:] * ky)
    transfer = (waves_y * path.parts[:, None]).T @ waves_x
    return np.fft.irfft2(np.fft.rfft2(image) * transfer, s=image.shape).astype(np.float32)
