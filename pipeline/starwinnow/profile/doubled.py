"""Where stars do not follow their profile (trails, discs, jolts): figures from the average star."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.frame import Pixels
from starwinnow.profile.equations import shape_arrays
from starwinnow.profile.figures import LEVEL_ACCURACY, StarFigures
from starwinnow.profile.joint_fit import JointFit
from starwinnow.profile.kernel import aperture_residuals, node_counts
from starwinnow.sources import Sources, lights_nearby

__all__ = ["doubled_figures", "is_doubled"]

_LOOKED_AT, _LEAST_STARS = 40, 5
# Part of a star's light beyond its profile that no seeing leaves there (at most 3.5 %, see
# starwinnow.profile.figures), and how many of its errors it must exceed.
_TELLING_PART, _TELLING_SIGMA = 0.06, 5.0

# The average star is cut at its frame and its noise is smoothed by nothing: no better than this.
_ACCURACY = 0.02


def is_doubled(
    pixels: Pixels,
    background: Background,
    sources: Sources,
    fit: JointFit,
    figures: StarFigures,
) -> bool:
    """Whether most stars hold light inside R that their common profile does not.

    The median over the brightest stars of what the pixels hold beyond the profile, nothing
    clipped, so hot pixels and chance neighbours of single stars do not decide.
    """
    chosen = np.flatnonzero(fit.used)[:_LOOKED_AT]
    if len(chosen) < _LEAST_STARS:
        return False
    radius = figures.profile.radius_px
    matrices, table = shape_arrays(fit.shape, radius)
    lights = lights_nearby(sources, background, radius)[fit.index[chosen]]
    left = aperture_residuals(
        pixels, background.mesh_adu, background.cells_per_px, float("inf"), fit.own[chosen],
        matrices, table, lights, fit.common, np.array([0.5 * radius, 0.8 * radius, radius]), radius,
        *node_counts(matrices),
    )  # fmt: skip
    flux = fit.own[chosen, 0] * figures.flux_per_peak
    part = left[:, 2] / flux
    middle = float(np.median(part))
    spread = 1.482602 * float(np.median(np.abs(part - middle)))
    level = np.pi * radius**2 * LEVEL_ACCURACY * background.noise_adu / float(np.median(flux))
    error = float(np.hypot(spread / np.sqrt(len(part)), level))
    return middle > _TELLING_PART + _TELLING_SIGMA * error


def doubled_figures(
    figures: StarFigures, image: NDArray[np.float32], error: NDArray[np.float32]
) -> StarFigures:
    """Replace the figures of one half of a doubled star by those of the whole image.

    Flux, HFR about the common centroid and NEA = 1 / sum(P^2) (less the noise's own part) are
    taken from the pixels inside R; axis ratio and direction from second moments. There is no
    one FWHM: it is NaN.

    Parameters
    ----------
    figures : StarFigures
        Of the brighter half.
    image, error : ndarray of float32, shape (side, side)
        Average star, in units of the brighter half's flux, with nothing clipped.

    Returns
    -------
    StarFigures
    """
    half = image.shape[0] // 2
    y, x = np.indices(image.shape) - half
    light, noise = image.astype(np.float64), np.nan_to_num(error.astype(np.float64))
    radius = min(figures.profile.radius_px, half - 1.0)
    cx = cy = 0.0
    for _ in range(5):
        inside = np.clip(radius + 0.5 - np.hypot(x - cx, y - cy), 0, 1)
        total = float(np.sum(light * inside))
        cx, cy = (
            float(np.sum(light * inside * x)) / total,
            float(np.sum(light * inside * y)) / total,
        )
    dx, dy = x - cx, y - cy
    distance = np.hypot(dx, dy)
    relative = float(np.hypot(np.sqrt(np.sum((noise * inside) ** 2)) / total, _ACCURACY))
    power = float(np.sum(inside * (light**2 - noise**2)))
    xx, yy, xy = (float(np.sum(light * inside * m)) / total for m in (dx * dx, dy * dy, dx * dy))
    # Moments to axes: chi and q of a second-moment ellipse.
    chi = min(np.hypot(xx - yy, 2 * xy) / (xx + yy), 0.99)
    hfr = _half_flux_radius(light, distance, total)
    nea = total**2 / power
    return dataclasses.replace(
        figures,
        fwhm_px=float("nan"),
        fwhm_err_px=float("nan"),
        hfr_px=hfr,
        hfr_err_px=hfr * relative,
        axis_ratio=float(np.sqrt((1 - chi) / (1 + chi))),
        axis_ratio_err=relative,
        trail_deg=float(np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180.0),
        trail_err_deg=float(np.degrees(0.5 * relative / max(chi, 0.02))),
        nea_px=nea,
        nea_err_px=2 * nea * relative,
        flux_per_peak=figures.flux_per_peak * total,
    )


def _half_flux_radius(
    light: NDArray[np.float64], distance: NDArray[np.float64], total: float
) -> float:
    """Radius that encloses half of the light, pixels counting by the part of them inside."""
    low, high = 0.0, float(distance.max())
    for _ in range(40):
        middle = 0.5 * (low + high)
        if np.sum(light * np.clip(middle + 0.5 - distance, 0, 1)) < 0.5 * total:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
