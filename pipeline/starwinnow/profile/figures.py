"""The frame's star figures with their errors, from the joint fit and what it left over."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.frame import Pixels
from starwinnow.frame_measures import StarProfile
from starwinnow.profile.joint_fit import JointFit, shape_arrays
from starwinnow.profile.kernel import aperture_residuals, node_sets
from starwinnow.profile.moffat import ImagedFigures

__all__ = ["StarFigures", "star_figures"]

# The curve of growth is taken from the pixels out to 1.5 FWHM and from the profile beyond,
# where the pixels of faint stars hold more noise than light.
_MEASURED_PER_FWHM = 1.5
# Standard deviation of a direction of which nothing is known: 180 / sqrt(12) degrees.
_UNKNOWN_DIRECTION_DEG = 51.96


@dataclass(frozen=True, slots=True, kw_only=True)
class StarFigures:
    """Star figures of one frame; sizes in px, angles in degrees, errors one sigma.

    `size_gain` is d ln(FWHM as imaged) / d ln(FWHM of the Moffat), and `hfr_gain` the same for
    the HFR: they carry each star's own deviation over.
    """

    star_count: int
    fwhm_px: float
    fwhm_err_px: float
    hfr_px: float
    hfr_err_px: float
    axis_ratio: float
    axis_ratio_err: float
    trail_deg: float
    trail_err_deg: float
    nea_px: float
    nea_err_px: float
    profile: StarProfile
    flux_per_peak: float
    size_gain: float
    hfr_gain: float


def star_figures(pixels: Pixels, background: Background, fit: JointFit) -> StarFigures:
    """Size, shape and noise-equivalent area of the frame's average star.

    FWHM and NEA are those of the fitted profile as imaged. The HFR takes the curve of growth
    from the pixels out to 1.5 FWHM and from the profile between there and R. Errors come from
    how far each star pulls the result (infinitesimal jackknife), so they hold for noise that
    is not what one assumed.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    fit : JointFit

    Returns
    -------
    StarFigures
    """
    figures = fit.figures()
    by_width, by_beta = _gradients(fit, figures)
    fwhm_err = _error(fit, by_width.fwhm, by_beta.fwhm)
    nea_err = _error(fit, by_width.nea, by_beta.nea)
    hfr, hfr_pull = _half_flux_radius(pixels, background, fit, figures, by_width, by_beta)
    formal = float(np.sqrt(max(fit.covariance[0, 0], 0.0)) * figures.hfr_px)
    hfr_err = _scatter(hfr_pull) if int(fit.used.sum()) >= 8 else max(_scatter(hfr_pull), formal)
    ratio, ratio_err, angle, angle_err = _shape(fit, figures)
    width, s1, s2, inverse_beta = (float(value) for value in fit.shape)
    return StarFigures(
        star_count=int(fit.used.sum()),
        fwhm_px=figures.fwhm_px,
        fwhm_err_px=fwhm_err,
        hfr_px=hfr,
        hfr_err_px=hfr_err,
        axis_ratio=ratio,
        axis_ratio_err=ratio_err,
        trail_deg=angle,
        trail_err_deg=angle_err,
        nea_px=figures.nea_px,
        nea_err_px=nea_err,
        profile=StarProfile(
            fwhm_px=float(np.exp(width)),
            stretch1=s1,
            stretch2=s2,
            beta=1.0 / inverse_beta,
            radius_px=figures.radius_px,
        ),
        flux_per_peak=figures.flux,
        size_gain=by_width.fwhm / figures.fwhm_px,
        hfr_gain=by_width.hfr / figures.hfr_px,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gradient:
    fwhm: float
    hfr: float
    nea: float
    outer: float


def _measured_radius(figures: ImagedFigures) -> float:
    return _MEASURED_PER_FWHM * figures.fwhm_px


def _growth_at(figures: ImagedFigures, radius_px: float) -> float:
    return float(np.interp(radius_px**2, figures.radii_px**2, figures.growth))


def _outer_part(figures: ImagedFigures, measured_px: float, radius_px: float) -> float:
    """Flux between the measured radius and R over the flux inside the measured radius."""
    inner = _growth_at(figures, measured_px)
    return _growth_at(figures, radius_px) / inner - 1.0


def _gradients(fit: JointFit, figures: ImagedFigures) -> tuple[_Gradient, _Gradient]:
    """Change of the figures with ln FWHM and with 1 / beta, by differences."""
    measured, radius = _measured_radius(figures), figures.radius_px

    def difference(step: float, change: tuple[float, float, float, float]) -> _Gradient:
        moved = fit.figures(change)
        outer = _outer_part(moved, measured, min(radius, moved.radius_px))
        here = _outer_part(figures, measured, min(radius, moved.radius_px))
        return _Gradient(
            fwhm=(moved.fwhm_px - figures.fwhm_px) / step,
            hfr=(moved.hfr_px - figures.hfr_px) / step,
            nea=(moved.nea_px - figures.nea_px) / step,
            outer=(outer - here) / step,
        )

    step = 0.02
    # 1/beta may sit at the lower end of its range: step upward.
    return difference(-step, (-step, 0, 0, 0)), difference(step, (0, 0, 0, step))


def _error(fit: JointFit, by_width: float, by_beta: float) -> float:
    slope = np.array([by_width, 0.0, 0.0, by_beta])
    return float(np.sqrt(max(slope @ fit.covariance @ slope, 0.0)))


def _scatter(pull: NDArray[np.float64]) -> float:
    used = int(np.count_nonzero(pull))
    return float(np.sqrt(np.sum(pull**2) * used / max(used - 1, 1)))


def _half_flux_radius(
    pixels: Pixels,
    background: Background,
    fit: JointFit,
    figures: ImagedFigures,
    by_width: _Gradient,
    by_beta: _Gradient,
) -> tuple[float, NDArray[np.float64]]:
    """HFR and each star's pull on it, shape (n,)."""
    measured = _measured_radius(figures)
    outer = _outer_part(figures, measured, figures.radius_px)
    half = figures.hfr_px
    matrices, table = shape_arrays(fit.shape)
    core, wings = node_sets(matrices)
    left = aperture_residuals(
        pixels, background.mesh_adu, background.cells_per_px, background.noise_adu, fit.own,
        matrices, table.values, fit.neighbours[fit.index], np.array([half, measured]), core, wings,
    )  # fmt: skip
    peak = fit.own[:, 0]
    # What the pixels hold inside the half-flux radius beyond half of the total, star by star,
    # joined with weights peak^2, as the fit joins them.
    excess = left[:, 0] - 0.5 * (1.0 + outer) * left[:, 1]
    weight = np.where(np.isfinite(excess), fit.weight, 0.0)
    norm = float(np.sum(weight * peak * peak))
    share = weight * peak * np.nan_to_num(excess) / norm
    step = 0.05 * half
    slope = (_growth_at(figures, half + step) - _growth_at(figures, half - step)) / (2 * step)
    hfr = half - float(np.sum(share)) / slope
    # The shape moves the HFR only through the part beyond the measured radius.
    inner = _growth_at(figures, measured)
    by_outer = 0.5 * inner / slope
    slopes = np.array([by_width.outer, 0.0, 0.0, by_beta.outer]) * by_outer
    pull = fit.influence @ slopes - (share - weight * peak**2 / norm * np.sum(share)) / slope
    return hfr, np.where(fit.used, pull, 0.0)


def _shape(fit: JointFit, figures: ImagedFigures) -> tuple[float, float, float, float]:
    """Axis ratio and direction from the mean stretch vector, freed of the noise's bias.

    The length of a noisy vector is too long on average; its squared error is taken off
    (Wardle & Kronberg 1974, from memory), so round stars read 1.
    """
    s1, s2 = float(fit.shape[1]), float(fit.shape[2])
    variance = 0.5 * float(fit.covariance[1, 1] + fit.covariance[2, 2])
    error = float(np.sqrt(max(variance, 0.0)))
    length = float(np.hypot(s1, s2))
    kept = float(np.sqrt(max(length**2 - variance, 0.0)))
    # The pixel rounds the image a little: the imaged stretch is a fixed part of the fitted one.
    part = -np.log(figures.axis_ratio) / length if length > 1e-4 else 1.0
    ratio = float(np.exp(-part * kept))
    angle = float(np.degrees(0.5 * np.arctan2(s2, s1)) % 180.0)
    angle_err = np.degrees(0.5 * error / kept) if kept > 0 else _UNKNOWN_DIRECTION_DEG
    return ratio, ratio * float(part) * error, angle, min(float(angle_err), _UNKNOWN_DIRECTION_DEG)
