"""Figures a perfect measurement of one frame would give."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.star_shape import StarShape
from starwinnow_sim.star_stamps import fine_image

__all__ = ["StarFigures", "TrueFigures", "star_figures", "true_figures"]

FloatImage = NDArray[np.float64]

# Variance of rounding to whole ADU: that of an even spread over 1 ADU.
_ROUNDING_ADU2 = 1 / 12


@dataclass(frozen=True, slots=True, kw_only=True)
class StarFigures:
    """Figures of a noiseless star as imaged (one whole pixel included), good to 0.2 %.

    Attributes
    ----------
    fwhm_px : float
        2 sqrt(A / pi), A the area above half of the maximum, px: for an ellipse the geometric
        mean of both full widths.
    radius_px : float
        Measuring radius R = max(8 px, 3 FWHM).
    flux_in_radius : float
        Part of the light inside R.
    hfr_px : float
        Radius about the centroid that encloses half of the light inside R, px.
    nea_px : float
        1 / sum(P^2), P normalised to unit flux inside R, px.
    """

    fwhm_px: float
    radius_px: float
    flux_in_radius: float
    hfr_px: float
    nea_px: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueFigures:
    """Figures of a frame without its noise.

    Attributes
    ----------
    star : StarFigures
        Figures of its stars.
    background_adu : float
        Level between the stars in the middle of the frame, ADU.
    noise_adu : float
        Standard deviation of a pixel there, ADU. On a colour sensor: of green pixels.
    transparency : float
        Flux of the stars relative to the reference.
    information : float
        T^2 / (s^2 NEA), 1/(ADU^2 px), with T and NEA for all of a star's light: what the frame
        adds to the squared S/N of a stack for faint stars (Zackay & Ofek 2017, ApJ 836, 187,
        equation from memory). Worth is its ratio to the reference frame's, times exposure.
    """

    star: StarFigures
    background_adu: float
    noise_adu: float
    transparency: float
    information: float


def true_figures(truth: FrameTruth, camera: Camera) -> TrueFigures:
    """Figures of the frame that `truth` and `camera` make.

    The noise is that of Poisson counts, read noise and rounding:
    s^2 = (background + read noise^2) / gain^2 + 1/12 (Howell, Handbook of CCD Astronomy, ch. 4,
    from memory). Gradients and vignetting are left aside.
    """
    star = star_figures(truth.star)
    gain = camera.egain_e_per_adu
    variance_e2 = truth.background_e + camera.read_noise_e**2
    noise_adu = float(np.sqrt(variance_e2 / gain**2 + _ROUNDING_ADU2))
    whole_nea_px = star.nea_px / star.flux_in_radius**2
    return TrueFigures(
        star=star,
        background_adu=camera.offset_adu + truth.background_e / gain,
        noise_adu=noise_adu,
        transparency=truth.transparency,
        information=truth.transparency**2 / (noise_adu**2 * whole_nea_px),
    )


@lru_cache(maxsize=1024)
def star_figures(shape: StarShape) -> StarFigures:
    """Figures of one star, from a noiseless image of 20 points or more a FWHM."""
    points = max(2, int(np.ceil(20 / shape.fwhm_px)))
    half_px = int(np.ceil(max(20.0, 7 * shape.fwhm_px / np.sqrt(shape.axis_ratio))))
    half_px += int(np.ceil(5 * shape.reach_px))
    image = fine_image(shape, points, half_px)
    fwhm_px = 2 * np.sqrt(_area_above(image, float(image.max()) / 2) / np.pi) / points
    radius_px = max(8.0, 3 * fwhm_px)

    # From here on lengths are grid steps, and only points inside R matter.
    axis = np.arange(len(image)) - half_px * points
    distance = np.hypot(axis[None, :], axis[:, None])
    within = distance < radius_px * points + 1
    light, distance = image[within], distance[within]
    inside = _inside(distance, radius_px * points)
    flux = float((light * inside).sum()) / points**2
    squares = float((light**2 * inside).sum()) / points**2
    half_flux = _radius_enclosing(light, distance, float((light * inside).sum()) / 2)
    return StarFigures(
        fwhm_px=float(fwhm_px),
        radius_px=float(radius_px),
        flux_in_radius=flux,
        hfr_px=half_flux / points,
        nea_px=flux**2 / squares,
    )


def _inside(distance: FloatImage, radius: float) -> FloatImage:
    """Part of each grid cell inside a circle, whose edge is taken as straight within a cell."""
    return np.clip(radius - distance + 0.5, 0.0, 1.0)


def _area_above(image: FloatImage, level: float) -> float:
    """Area where the image exceeds `level`, grid cells; cells on the edge count in part."""
    slope_y, slope_x = np.gradient(image)
    slope = np.maximum(np.hypot(slope_x, slope_y), np.finfo(float).tiny)
    return float(np.clip((image - level) / slope + 0.5, 0.0, 1.0).sum())


def _radius_enclosing(light: FloatImage, distance: FloatImage, flux: float) -> float:
    """Radius about the centroid that encloses `flux`, grid steps, by halving an interval."""
    low, high = 0.0, float(distance.max())
    while high - low > 1e-3:
        middle = (low + high) / 2
        enclosed = float((light * _inside(distance, middle)).sum())
        low, high = (middle, high) if enclosed < flux else (low, middle)
    return (low + high) / 2
