"""Star images of known shape, built from GalSim objects; lengths are in pixels, flux is 1."""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import galsim
from scipy.optimize import brentq

__all__ = ["PROFILES", "StarShape", "disc", "double_image", "imaged", "trail"]

PROFILES: tuple[str, ...] = (
    "gaussian",
    "moffat2.5",
    "moffat3",
    "moffat3.5",
    "moffat4.765",
    "kolmogorov",
)

# Finer than GalSim's defaults, so that drawing errors stay far below the photon noise of a
# whole frame (checked in test_harness.py against direct integration).
_DRAWING = galsim.GSParams(
    folding_threshold=5e-4,
    maxk_threshold=2e-4,
    kvalue_accuracy=1e-6,
    xvalue_accuracy=1e-6,
    maximum_fft_size=16384,
)

# Airy wings fall so slowly that the finer folding limit would need images of 24,000 px a side.
# What is folded back is 0.5 % of the light, spread evenly over more than 70 px a side: against a
# limit of 1e-3 the truth changes by 0.0005 % in FWHM, 0.02 % in HFR and 0.04 % in NEA.
_DRAWING_AIRY = galsim.GSParams(maxk_threshold=2e-4, kvalue_accuracy=1e-6)

# The reference rig: 80 mm aperture, 480 mm focal length, 3.76 um pixels, 550 nm.
# lambda/D in pixels = 550e-9 / 0.080 * 0.480 / 3.76e-6.
_AIRY_PX = 550e-9 / 0.080 * 0.480 / 3.76e-6


@lru_cache(maxsize=64)
def _kolmogorov_through_aperture(fwhm_px: float) -> Any:
    """Kolmogorov seeing convolved with the Airy pattern, scaled so that both have `fwhm_px`."""
    airy = galsim.Airy(lam_over_diam=_AIRY_PX, gsparams=_DRAWING_AIRY)

    def convolved(seeing_px: float) -> Any:
        return galsim.Convolve(airy, galsim.Kolmogorov(fwhm=seeing_px, gsparams=_DRAWING_AIRY))

    seeing_px = brentq(
        lambda width: convolved(width).calculateFWHM() - fwhm_px, 0.2 * fwhm_px, fwhm_px, xtol=1e-5
    )
    return convolved(float(seeing_px))


@dataclass(frozen=True)
class StarShape:
    """A star before the pixel: its profile, its FWHM and, when it is not round, its stretch.

    Attributes
    ----------
    profile : str
        One of `PROFILES`.
    fwhm_px : float
        FWHM before convolution with the pixel, geometric mean of both axes, px.
    axis_ratio : float
        Minor over major axis before convolution with the pixel.
    angle_deg : float
        Direction of the major axis, from +x towards +y.
    """

    profile: str
    fwhm_px: float
    axis_ratio: float = 1.0
    angle_deg: float = 0.0

    def psf(self) -> Any:
        """The GalSim object, unit flux, without the pixel."""
        if self.profile == "gaussian":
            star = galsim.Gaussian(fwhm=self.fwhm_px, gsparams=_DRAWING)
        elif self.profile == "kolmogorov":
            star = _kolmogorov_through_aperture(self.fwhm_px)
        else:
            beta = float(self.profile.removeprefix("moffat"))
            star = galsim.Moffat(beta=beta, fwhm=self.fwhm_px, gsparams=_DRAWING)
        if self.axis_ratio == 1.0:
            return star
        return star.shear(q=self.axis_ratio, beta=self.angle_deg * galsim.degrees)


def imaged(psf: Any) -> Any:
    """The star as a camera with square pixels of 1 px sees it: convolved with one whole pixel."""
    return galsim.Convolve(psf, galsim.Pixel(1.0), gsparams=psf.gsparams)


def trail(psf: Any, length_px: float, angle_deg: float) -> Any:
    """Draw a star out evenly along a line of `length_px`."""
    line = galsim.Box(length_px, 1e-3, gsparams=psf.gsparams).rotate(angle_deg * galsim.degrees)
    return galsim.Convolve(psf, line)


def double_image(psf: Any, separation_px: float, first_part: float, angle_deg: float) -> Any:
    """Split a star in two: `first_part` of its light and the rest, `separation_px` apart."""
    angle = angle_deg * galsim.degrees
    dx, dy = separation_px * angle.cos(), separation_px * angle.sin()
    first = psf.withFlux(first_part).shift(-dx * (1 - first_part), -dy * (1 - first_part))
    second = psf.withFlux(1 - first_part).shift(dx * first_part, dy * first_part)
    return first + second


def disc(seeing: Any, diameter_px: float, inner_part: float = 0.0) -> Any:
    """Draw a star far out of focus: the image of the aperture, seen through `seeing`.

    An obstruction of `inner_part` of the aperture's diameter makes it a ring.
    """
    full = galsim.TopHat(diameter_px / 2, gsparams=seeing.gsparams)
    if inner_part > 0:
        # Both of the same brightness, so that their difference is empty inside.
        hole = galsim.TopHat(diameter_px * inner_part / 2, flux=inner_part**2)
        full = (full - hole).withFlux(1.0)
    return galsim.Convolve(full, seeing, gsparams=seeing.gsparams)
