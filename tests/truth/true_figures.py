"""Star figures of a noiseless, finely sampled image: the truth frames are compared with.

Nothing here fits a profile and nothing is shared with the code under test.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_simpson
from scipy.ndimage import map_coordinates

from .star_shapes import imaged

__all__ = ["TrueFigures", "true_figures"]

_ANGLES = 360


@dataclass(frozen=True)
class TrueFigures:
    """Figures of a star as imaged (convolved with one whole pixel).

    Attributes
    ----------
    fwhm_px : float
        Geometric mean of the full widths at half maximum along the two axes, px; those of a
        round star lie along the pixel's sides.
    fwhm_area_px : float
        2 sqrt(A / pi), A the area above half maximum, px. The square pixel makes small stars a
        little square: at 1.5 px the two differ by up to 0.25 %, at 4 px by 0.01 %.
    axis_ratio, angle_deg : float
        Of the half-maximum contour, from the second moments of the area it encloses.
    radius_px : float
        R = max(8 px, 3 FWHM), or the part of the FWHM asked for.
    hfr_px : float
        Radius about the centroid enclosing half of the flux inside R, px.
    nea_px : float
        1 / sum(P^2), averaged over the star's place within the pixel, P of unit flux inside R.
    nea_total_px : float
        The same for P of unit total flux.
    flux_in_radius : float
        Part of the total flux inside R.
    """

    fwhm_px: float
    fwhm_area_px: float
    axis_ratio: float
    angle_deg: float
    radius_px: float
    hfr_px: float
    nea_px: float
    nea_total_px: float
    flux_in_radius: float


def true_figures(psf: Any, radius_per_fwhm: float = 3.0) -> TrueFigures:
    """Figures of `psf` (a GalSim object of unit flux, before the pixel) as imaged.

    The half-maximum contour is looked for along rays from the centroid, which must lie at the
    object's origin; it is the outermost. R is `radius_per_fwhm` FWHM, 3 at most and 8 px at
    least.
    """
    star = imaged(psf)
    coarse = _drawn(star, half_px=40.0, step_px=0.2)
    guess_px = 2 * np.sqrt((coarse > coarse.max() / 2).sum() * 0.2**2 / np.pi)
    reach_px = max(8.0, 3.3 * guess_px)
    step_px = float(np.clip(guess_px / 40, 0.04, 0.3))
    image = _drawn(star, half_px=1.05 * reach_px, step_px=step_px)

    angles = np.arange(_ANGLES) * 2 * np.pi / _ANGLES
    radii_px = np.arange(0.0, reach_px, step_px / 2)
    light = _on_rays(image, step_px, radii_px, angles)
    contour_px = _half_maximum_radius(light, radii_px, float(image.max()) / 2)
    ratio, angle = _ellipse_inside(contour_px, angles)
    fwhm_px = np.sqrt(
        _width(contour_px, angles, angle) * _width(contour_px, angles, angle + np.pi / 2)
    )
    radius_px = max(8.0, radius_per_fwhm * fwhm_px)
    hfr_px, flux = _half_flux_radius(light.mean(axis=0), radii_px, radius_px)
    squares = np.interp(radius_px, radii_px, _enclosed((light**2).mean(axis=0), radii_px))
    return TrueFigures(
        fwhm_px=float(fwhm_px),
        fwhm_area_px=float(2 * np.sqrt(np.mean(contour_px**2))),
        axis_ratio=ratio,
        angle_deg=float(np.degrees(angle)) % 180,
        radius_px=float(radius_px),
        hfr_px=hfr_px,
        nea_px=float(flux**2 / squares),
        nea_total_px=float(1 / squares),
        flux_in_radius=flux,
    )


def _drawn(star: Any, half_px: float, step_px: float) -> NDArray[np.float64]:
    """Light per square pixel of `star` at points `step_px` apart; the origin is the middle one."""
    side = 2 * int(np.ceil(half_px / step_px)) + 1
    image = star.drawImage(nx=side, ny=side, scale=step_px, method="sb", dtype=float)
    return np.asarray(image.array)


def _on_rays(
    image: NDArray[np.float64],
    step_px: float,
    radii_px: NDArray[np.float64],
    angles: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Light at `radii_px` from the middle along `angles`, shape (angles, radii)."""
    middle = image.shape[0] // 2
    rows = middle + np.sin(angles)[:, None] * radii_px / step_px
    columns = middle + np.cos(angles)[:, None] * radii_px / step_px
    return np.asarray(map_coordinates(image, [rows, columns], order=3))


def _half_maximum_radius(
    light: NDArray[np.float64], radii_px: NDArray[np.float64], half: float
) -> NDArray[np.float64]:
    """Outermost radius at which each ray falls through `half`, shape (angles,), px."""
    last_above = light.shape[1] - 1 - np.argmax(light[:, ::-1] >= half, axis=1)
    rays = np.arange(len(light))
    above, below = light[rays, last_above], light[rays, last_above + 1]
    step_px = radii_px[1] - radii_px[0]
    return np.asarray(radii_px[last_above] + (above - half) / (above - below) * step_px)


def _ellipse_inside(
    contour_px: NDArray[np.float64], angles: NDArray[np.float64]
) -> tuple[float, float]:
    """Axis ratio and direction (radians) from the second moments of the area in a contour."""
    quartic = contour_px**4
    moments = np.array(
        [
            [np.mean(quartic * np.cos(angles) ** 2), np.mean(quartic * np.sin(2 * angles)) / 2],
            [np.mean(quartic * np.sin(2 * angles)) / 2, np.mean(quartic * np.sin(angles) ** 2)],
        ]
    )
    values, vectors = np.linalg.eigh(moments)
    major = vectors[:, 1]
    return float(np.sqrt(values[0] / values[1])), float(np.arctan2(major[1], major[0]))


def _width(contour_px: NDArray[np.float64], angles: NDArray[np.float64], angle: float) -> float:
    """Full width of the contour through the centroid in direction `angle`, px."""
    ahead, behind = np.interp([angle, angle + np.pi], angles, contour_px, period=2 * np.pi)
    return float(ahead + behind)


def _enclosed(ring_mean: NDArray[np.float64], radii_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integral over the disc inside each radius of a function given by its ring means."""
    return np.asarray(cumulative_simpson(2 * np.pi * radii_px * ring_mean, x=radii_px, initial=0.0))


def _half_flux_radius(
    ring_mean: NDArray[np.float64], radii_px: NDArray[np.float64], radius_px: float
) -> tuple[float, float]:
    """Radius that encloses half of the flux inside `radius_px`, px, and that flux."""
    enclosed = _enclosed(ring_mean, radii_px)
    flux = float(np.interp(radius_px, radii_px, enclosed))
    return float(np.interp(flux / 2, enclosed, radii_px)), flux
