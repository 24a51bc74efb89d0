"""The least error photons allow: Cramer-Rao bounds computed from noiseless star images."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from .sky_frames import Sky
from .star_shapes import StarShape, imaged
from .true_figures import true_figures

__all__ = ["PhotonBound", "flux_for_snr", "photon_bound"]

Array = NDArray[np.float64]

# The bound is averaged over the star's place within the pixel on the grid of these shifts; by
# symmetry they stand for -3/8, -1/8, 1/8 and 3/8 of a pixel.
_SHIFTS_PX = (-0.375, 0.125)
# Half the difference for numerical derivatives: px, or of a logarithm.
_STEP = 0.02


@dataclass(frozen=True)
class PhotonBound:
    """Relative standard errors of one star's figures at best, with the background known.

    Attributes
    ----------
    fwhm, hfr : float
        Place, flux, size and how strong the wings are unknown.
    fwhm_known, hfr_known : float
        The wings known.
    """

    fwhm: float
    hfr: float
    fwhm_known: float
    hfr_known: float


@lru_cache(maxsize=1024)
def flux_for_snr(shape: StarShape, sky: Sky, snr: float) -> float:
    """Flux in electrons of a star that a matched filter sees with `snr`, its own photons counted.

    (S/N)^2 = sum (F P)^2 / (F P + variance), averaged over places within the pixel.
    """
    stars, _ = _stars_and_slopes(shape)

    def excess(log_flux: float) -> float:
        light = np.exp(log_flux) * stars
        squared = np.sum(light**2 / (np.maximum(light, 0) + sky.variance), axis=1)
        return float(np.log(np.mean(squared)) - 2 * np.log(snr))

    return float(np.exp(brentq(excess, 0.0, 30.0, xtol=1e-6)))


@lru_cache(maxsize=1024)
def photon_bound(shape: StarShape, sky: Sky, flux_e: float) -> PhotonBound:
    """Cramer-Rao bounds of FWHM and HFR (as imaged) of one star of `flux_e` electrons.

    The Fisher matrix is the sum over pixels of the products of the noiseless image's derivatives
    over the pixel's variance; the figures' errors follow from their slopes in its parameters.
    """
    stars, derivatives = _stars_and_slopes(shape)
    scaled = np.concatenate([derivatives * flux_e, stars[None] * flux_e])
    variance = np.maximum(stars * flux_e, 0) + sky.variance
    fisher = np.einsum("aij,bij->ab", scaled / variance, scaled) / len(stars)
    # Order: size, wings, x, y, ln(flux).
    free = np.linalg.inv(fisher)[:2, :2]
    known_profile = np.delete(np.delete(fisher, 1, axis=0), 1, axis=1)
    size_variance = np.linalg.inv(known_profile)[0, 0]
    fwhm, hfr = _figure_slopes(shape)
    return PhotonBound(
        fwhm=float(np.sqrt(fwhm @ free @ fwhm)),
        hfr=float(np.sqrt(hfr @ free @ hfr)),
        fwhm_known=float(abs(fwhm[0]) * np.sqrt(size_variance)),
        hfr_known=float(abs(hfr[0]) * np.sqrt(size_variance)),
    )


@lru_cache(maxsize=64)
def _stars_and_slopes(shape: StarShape) -> tuple[Array, Array]:
    """Unit-flux images, shape (4, pixels), and slopes by size, wings, x, y, (4, 4, pixels)."""
    places = [(x_px, y_px) for x_px in _SHIFTS_PX for y_px in _SHIFTS_PX]
    side = 2 * int(np.ceil(6 * shape.fwhm_px + 8)) + 1

    def images(drawn: StarShape, dx_px: float = 0.0, dy_px: float = 0.0) -> Array:
        star = imaged(drawn.psf())
        stamps = [
            star.drawImage(
                nx=side,
                ny=side,
                scale=1.0,
                offset=(x + dx_px, y + dy_px),
                method="no_pixel",
                dtype=float,
            ).array.ravel()
            for x, y in places
        ]
        return np.asarray(stamps)

    wider, narrower = _size_pair(shape)
    wings_up, wings_down = _wing_pair(shape)
    differences = [
        images(wider) - images(narrower),
        images(wings_up) - images(wings_down),
        images(shape, dx_px=_STEP) - images(shape, dx_px=-_STEP),
        images(shape, dy_px=_STEP) - images(shape, dy_px=-_STEP),
    ]
    return images(shape), np.stack(differences) / (2 * _STEP)


def _size_pair(shape: StarShape) -> tuple[StarShape, StarShape]:
    return (
        replace(shape, fwhm_px=shape.fwhm_px * np.exp(_STEP)),
        replace(shape, fwhm_px=shape.fwhm_px * np.exp(-_STEP)),
    )


def _wing_pair(shape: StarShape) -> tuple[StarShape, StarShape]:
    """Two neighbours of `shape` of equal FWHM that differ in how strong their wings are.

    Kolmogorov borrows those of the Moffat most like it, beta 4.765 (Trujillo et al. 2001,
    MNRAS 328, 977); the Gaussian, the limit of large beta, has a neighbour on one
    side only: beta 12, as GalSim cannot stretch a Moffat of much larger beta. The pair's
    distance cancels from the bounds.
    """
    if shape.profile == "gaussian":
        return replace(shape, profile="moffat12"), shape
    beta = 4.765 if shape.profile == "kolmogorov" else float(shape.profile.removeprefix("moffat"))
    return (
        replace(shape, profile=f"moffat{beta * np.exp(-_STEP)}"),
        replace(shape, profile=f"moffat{beta * np.exp(_STEP)}"),
    )


@lru_cache(maxsize=64)
def _figure_slopes(shape: StarShape) -> tuple[Array, Array]:
    """Slopes of ln FWHM and ln HFR as imaged by size and by wings, shape (2,) each."""
    fwhm, hfr = [], []
    for upper, lower in (_size_pair(shape), _wing_pair(shape)):
        more, less = true_figures(upper.psf()), true_figures(lower.psf())
        fwhm.append(np.log(more.fwhm_px / less.fwhm_px) / (2 * _STEP))
        hfr.append(np.log(more.hfr_px / less.hfr_px) / (2 * _STEP))
    return np.array(fwhm), np.array(hfr)
