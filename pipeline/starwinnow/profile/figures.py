"""The frame's star figures with their errors, from the joint fit and what it left over."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.flags import FEW_STARS
from starwinnow.frame import Pixels
from starwinnow.frame_measures import StarProfile
from starwinnow.profile.cutouts import cut
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.joint_fit import JointFit
from starwinnow.profile.moffat import ImagedFigures
from starwinnow.profile.remainders import aperture_residuals
from starwinnow.profile.star_pixels import disc_of, expected_on
from starwinnow.sources import Sources, lights_nearby

__all__ = ["StarFigures", "star_figures"]

# The curve of growth is taken from the pixels out to here.
_MEASURED_PER_FWHM = 1.5
# Kolmogorov seeing through a small round aperture holds 2 to 3.5 % more light between 1.5 FWHM
# and R than the Moffat that fits it best, Moffats and Gaussians none (computed from the
# published profiles). Expected before looking at the pixels there, and its uncertainty:
_OUTER_EXPECTED, _OUTER_SPREAD = 0.011, 0.02
# Stars so crowded that they show less of their surroundings than this are taken to show it all.
_LEAST_SEEN = 0.02
# The background between masked stars is right to this part of the noise.
_LEVEL_ACCURACY = 0.005
# Kolmogorov seeing through a small round aperture is 1 to 1.7 % wider at half maximum than the
# Moffat that fits it best, Moffats and Gaussians not at all (computed as above).
_WIDTH_EXPECTED, _WIDTH_SPREAD = 0.01, 0.01
# Of a change of width this part shows in the rings of pixels about half maximum and center that
# are looked at (.82 to .93 for Moffats and Gaussians of 1.3 to 5 px, computed as above).
_WIDTH_SEEN = 0.86
# Table, pixel integrals and half-maximum weights are good to this part of a size.
_NUMERICAL_ACCURACY = 7e-4
# Below this FWHM as imaged it matters how each star falls on the pixels: .3 % at 1.55 px (drawn
# stars of 1.3 px).
_NARROW_PX, _NARROW_SLOPE = 1.9, 0.0075
# The noise's variance is right to 1 %.
_NOISE_ACCURACY = 0.1
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


def star_figures(
    pixels: Pixels, background: Background, sources: Sources, fit: JointFit
) -> StarFigures:
    """Size, shape and noise-equivalent area of the frame's average star.

    FWHM is that of the fitted profile as imaged, corrected by what the pixels leave over at the
    half maximum, as far as the noise lets them. The HFR takes the curve of growth from the
    pixels out to 1.5 FWHM; between there and R, where the pixels of faint stars hold more noise
    than light, profile and pixels are joined by their variances. The NEA is the profile's
    1 / sum(P^2) for the flux so found. Errors come from how far each star pulls the result
    (infinitesimal jackknife), so they hold for noise that is not what one assumed.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    sources : Sources
    fit : JointFit

    Returns
    -------
    StarFigures
    """
    figures = fit.figures
    by_width, by_beta = _gradients(fit, figures)
    lights = lights_nearby(sources, background, figures.radius_px, fit.index)
    growth = _measure_growth(pixels, background, fit, figures, lights)
    hfr, hfr_err = _half_flux_radius(fit, figures, growth, by_width, by_beta)
    fwhm = figures.fwhm_px * (1.0 + growth.width)
    formal = _error(fit, by_width.fwhm, by_beta.fwhm)
    # As far as the half maximum is read from the pixels the fitted shape does not move it.
    by_shape = np.array([by_width.fwhm, 0.0, 0.0, by_beta.fwhm]) * (1.0 - growth.width_trust)
    scatter = _scatter(fit.influence @ by_shape + fwhm * growth.width_pull)
    accuracy = _NUMERICAL_ACCURACY + _NARROW_SLOPE * max(_NARROW_PX - fwhm, 0.0)
    fwhm_err = float(np.hypot(scatter, accuracy * fwhm))
    flux = growth.inner_flux * (1.0 + growth.outer)
    nea = figures.nea_px * (flux / figures.flux) ** 2 / max(1.0 + growth.power, 0.1)
    if int(fit.used.sum()) < FEW_STARS:
        # So few stars cannot tell their own scatter; the fit's error bounds it from below.
        fwhm_err = max(fwhm_err, formal)
        hfr_err = max(hfr_err, float(np.sqrt(max(fit.covariance[0, 0], 0.0))) * hfr)
    ratio, ratio_err, angle, angle_err = _shape(fit, figures)
    width, s1, s2, inverse_beta = (float(value) for value in fit.shape)
    return StarFigures(
        star_count=int(fit.used.sum()),
        fwhm_px=fwhm,
        fwhm_err_px=fwhm_err,
        hfr_px=hfr,
        hfr_err_px=hfr_err,
        axis_ratio=ratio,
        axis_ratio_err=ratio_err,
        trail_deg=angle,
        trail_err_deg=angle_err,
        nea_px=nea,
        nea_err_px=float(
            np.hypot(
                _error(fit, by_width.nea, by_beta.nea),
                nea * np.hypot(2 * growth.outer_err / (1.0 + growth.outer), growth.power_err),
            )
        ),
        profile=StarProfile(
            fwhm_px=float(np.exp(width)),
            stretch1=s1,
            stretch2=s2,
            beta=1.0 / inverse_beta,
            radius_px=figures.radius_px,
        ),
        flux_per_peak=flux,
        size_gain=by_width.fwhm / figures.fwhm_px,
        hfr_gain=by_width.hfr / figures.hfr_px,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gradient:
    fwhm: float
    hfr: float
    nea: float
    outer: float


def _growth_at(figures: ImagedFigures, radius_px: float) -> float:
    return float(np.interp(radius_px**2, figures.radii_px**2, figures.growth))


def _outer_part(figures: ImagedFigures, measured_px: float, radius_px: float) -> float:
    """Flux between the measured radius and R over the flux inside the measured radius."""
    inner = _growth_at(figures, measured_px)
    return _growth_at(figures, radius_px) / inner - 1.0


def _gradients(fit: JointFit, figures: ImagedFigures) -> tuple[_Gradient, _Gradient]:
    """Change of the figures with ln FWHM and with 1 / beta, by differences."""
    measured, radius = _MEASURED_PER_FWHM * figures.fwhm_px, figures.radius_px

    def difference(step: float, change: tuple[float, float, float, float]) -> _Gradient:
        moved = fit.figures_at(change)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Growth:
    """What the pixels add to the profile's curve of growth.

    `outer` is the flux between the measured radius and R over that inside the measured radius,
    `trust` how far it was taken from the pixels, and `outer_pull` (n,) and `outer_err` what
    the stars and the background contribute to it. `excess_pull` (n,) is each star's light
    inside the half-flux radius beyond half of its total, for a peak of 1. `power` is the
    relative correction of sum(P^2), `width` that of the FWHM, `width_trust` how far it was
    taken from the pixels and `width_pull` (n,) what the stars contribute to it.
    """

    outer: float
    trust: float
    outer_pull: NDArray[np.float64]
    level_err: float
    inner_flux: float
    excess_pull: NDArray[np.float64]
    half_px: float
    power: float
    power_err: float
    width: float
    width_trust: float
    width_pull: NDArray[np.float64]

    @property
    def outer_err(self) -> float:
        return float(np.hypot(_scatter(self.outer_pull), self.level_err))


def _measure_growth(
    pixels: Pixels,
    background: Background,
    fit: JointFit,
    figures: ImagedFigures,
    lights: NDArray[np.float64],
) -> _Growth:
    measured = _MEASURED_PER_FWHM * figures.fwhm_px
    modelled = _outer_part(figures, measured, figures.radius_px)
    inner = modelled_inner = _growth_at(figures, measured)
    half = figures.radius_enclosing(0.5 * (1.0 + modelled) * inner)
    radii = np.array([half, measured, figures.radius_px])
    # Half a pixel is seen of one whose centre is that much further; a star lies within its own.
    reach = figures.radius_px + 0.5 + math.sqrt(0.5)
    cutouts = cut(pixels, background, fit.own[:, 1:3], reach, lights)
    disc = disc_of(reach)
    left = aperture_residuals(
        cutouts, background.noise_adu, fit.own, kernel_shape(fit.shape), disc,
        expected_on(fit.common, disc), radii, 0.5 * figures.fwhm_px,
    )  # fmt: skip
    left[np.isnan(left)] = 0.0
    # Joined with weights peak^2, as the fit joins the stars.
    peak = fit.own[:, 0]
    norm = float(np.sum(fit.weight * peak**2))
    # Of each zone other objects' light and pixels without value leave a part; the whole is as
    # bright as that, on average.
    areas = np.pi * (radii**2 - np.array([0.0, *radii[:-1]]) ** 2)
    seen = np.minimum(left[:, 8:11] / areas, 1.0)
    norms = np.maximum((fit.weight * peak**2) @ seen, _LEAST_SEEN * norm)
    shares = (fit.weight * peak)[:, np.newaxis] * left[:, :3] / norms
    ring = shares[:, 2] / inner
    level = np.hypot(background.level_err_adu, _LEVEL_ACCURACY * background.noise_adu)
    level_err = areas[2] * level * float((fit.weight * peak) @ seen[:, 2]) / norms[2] / inner
    ring_pull = _centered(ring, fit.weight * peak**2 * seen[:, 2] / norms[2])
    variance = _scatter(ring_pull) ** 2 + level_err**2
    trust = _OUTER_SPREAD**2 / (_OUTER_SPREAD**2 + variance)
    outer = modelled + (1 - trust) * _OUTER_EXPECTED + trust * float(np.sum(ring))
    # Light inside the measured radius that the profile lacks (trails and discs fit it poorly),
    # again as far as the noise lets one tell.
    core = (shares[:, 0] + shares[:, 1]) / inner
    core_variance = _scatter(_centered(core, fit.weight * peak**2 / norm)) ** 2
    beyond = float(np.sum(core))
    inner *= 1 + beyond * _trust(beyond, core_variance)
    excess = shares[:, 0] - 0.5 * (1.0 + outer) * (shares[:, 0] + shares[:, 1])
    power, power_err = _power_correction(
        background, fit, figures, left[:, 7] * norm / float(norms[0])
    )
    width, width_trust, width_pull = _width_correction(fit, figures, left[:, 3:7])
    return _Growth(
        power=power,
        power_err=power_err,
        width=width,
        width_trust=width_trust,
        width_pull=width_pull,
        outer=outer,
        trust=trust,
        outer_pull=trust * ring_pull,
        level_err=trust * level_err,
        inner_flux=inner,
        excess_pull=excess,
        half_px=figures.radius_enclosing(0.5 * (1.0 + outer) * modelled_inner),
    )


def _trust(beyond: float, variance: float) -> float:
    """How far to follow the pixels where they differ from the profile.

    Stars that follow it differ by their expected spread; where the pixels show clearly more, as
    in doubled images, that is the spread (the empirical form of the same weighting).
    """
    spread2 = max(_OUTER_SPREAD**2, beyond**2 - variance)
    return spread2 / (spread2 + variance)


def _power_correction(
    background: Background, fit: JointFit, figures: ImagedFigures, left: NDArray[np.float64]
) -> tuple[float, float]:
    """Relative correction of the profile's sum of squares by the pixels', and its error.

    Trails, discs and doubled images have other sharpness than the Moffat that fits them best.
    """
    power = figures.flux**2 / figures.nea_px
    peak2 = fit.weight * fit.own[:, 0] ** 2
    shares = fit.weight * left / (float(np.sum(peak2)) * power)
    # The noise's own squares, taken off, are known to a part of their sum over the disc.
    squares = np.pi * figures.radius_px**2 * (background.noise_adu * _NOISE_ACCURACY) ** 2
    noise_err = squares * float(np.sum(fit.weight)) / (float(np.sum(peak2)) * power)
    error = float(np.hypot(_scatter(_centered(shares, peak2 / float(np.sum(peak2)))), noise_err))
    beyond = float(np.sum(shares))
    trust = _trust(beyond, error**2)
    return trust * beyond, trust * error


def _width_correction(
    fit: JointFit, figures: ImagedFigures, left: NDArray[np.float64]
) -> tuple[float, float, NDArray[np.float64]]:
    """Relative correction of the FWHM, its trust, and each star's pull on it, shape (n,).

    The half maximum lies where profile and remainder together fall to half of their central
    value: a remainder h there and c at the center move it by (h - c / 2) over the slope.
    """
    half = 0.5 * figures.fwhm_px
    step = 0.1 * half
    slope = (figures.value_at(half - step) - figures.value_at(half + step)) / (2 * step)
    peak2 = fit.weight * fit.own[:, 0] ** 2
    weight = fit.weight * fit.own[:, 0]
    pulls = []
    for k in (0, 2):
        norm = float(np.sum(peak2 * left[:, k + 1])) or 1.0
        pulls.append(weight * left[:, k] / norm)
    shift = (pulls[0] - 0.5 * pulls[1]) / (slope * half * _WIDTH_SEEN)
    pull = _centered(shift, peak2 / float(np.sum(peak2)))
    trust = _WIDTH_SPREAD**2 / (_WIDTH_SPREAD**2 + _scatter(pull) ** 2)
    width = (1 - trust) * _WIDTH_EXPECTED + trust * float(np.sum(shift))
    return width, trust, trust * pull


def _centered(shares: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Each star's share less what its weight gives it of the sum: its pull on the mean."""
    return shares - weight * np.sum(shares)


def _half_flux_radius(
    fit: JointFit, figures: ImagedFigures, growth: _Growth, by_width: _Gradient, by_beta: _Gradient
) -> tuple[float, float]:
    """HFR and its error; NaN where no light is left inside R."""
    half = growth.half_px
    if not half > 0:
        return float("nan"), float("nan")
    step = 0.05 * half
    slope = (_growth_at(figures, half + step) - _growth_at(figures, half - step)) / (2 * step)
    hfr = half - float(np.sum(growth.excess_pull)) / slope
    # The shape moves the HFR only through the part beyond the measured radius that is not
    # taken from the pixels.
    by_outer = 0.5 * growth.inner_flux / slope
    slopes = np.array([by_width.outer, 0.0, 0.0, by_beta.outer]) * by_outer * (1 - growth.trust)
    peak2 = fit.weight * fit.own[:, 0] ** 2
    pull = (
        fit.influence @ slopes
        - _centered(growth.excess_pull, peak2 / np.sum(peak2)) / slope
        + by_outer * growth.outer_pull
    )
    return hfr, float(
        np.hypot(_scatter(np.where(fit.used, pull, 0.0)), by_outer * growth.level_err)
    )


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
