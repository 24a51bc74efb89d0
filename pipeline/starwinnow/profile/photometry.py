"""Place, flux and shape of every object, with the frame's star profile."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.flags import StarFlag, raise_flag
from starwinnow.frame import Frame
from starwinnow.profile.cutouts import cut
from starwinnow.profile.equations import FitView, kernel_shape, own_step, starting_values
from starwinnow.profile.figures import StarFigures
from starwinnow.profile.joint_fit import JointFit
from starwinnow.sources import Sources
from starwinnow.stars import Stars

__all__ = ["star_columns"]

# Fluxes come from the core, where nearly all of a faint star's signal is; neighbours and
# slopes of the background then matter little.
_RADIUS_PER_FWHM = 1.25
# Squares of more pixels are not cut at a time: large images of many objects would fill the memory.
_PIXELS_TOGETHER = 1_000_000


def star_columns(
    frame: Frame, background: Background, sources: Sources, fit: JointFit, figures: StarFigures
) -> Stars:
    """Fit every object's brightness and place with the frame's profile held.

    Parameters
    ----------
    frame : Frame
    background : Background
    sources : Sources
    fit : JointFit
    figures : StarFigures

    Returns
    -------
    Stars
        Brightest first. Shape columns are NaN for objects the joint fit did not take in.
    """
    own, variance = _fit_places(frame, background, sources, fit)
    flags = fit.flags.copy()
    lost = ~np.isfinite(own).all(axis=1) | (
        np.hypot(own[:, 1] - sources.x_px, own[:, 2] - sources.y_px) > 2 * figures.fwhm_px
    )
    raise_flag(flags, lost, StarFlag.NO_FIT)
    own[lost, 1], own[lost, 2] = sources.x_px[lost], sources.y_px[lost]
    flux_per_peak = figures.flux_per_peak / _core_to_disc(own[fit.index, 0], fit)
    flux = own[:, 0] * flux_per_peak
    flux_variance = variance[:, 0] * flux_per_peak**2
    gain = frame.capture.egain_e_per_adu
    if gain is not None:
        # The star's own photons, on top of the noise between the stars.
        flux_variance = flux_variance + np.maximum(flux, 0) / gain
    stretch, width, width_err = _own_shapes(len(sources), fit)
    length = np.hypot(stretch[:, 0], stretch[:, 1])
    order = np.argsort(-flux, kind="stable")
    columns = {
        "x_px": own[:, 1],
        "y_px": own[:, 2],
        "x_err_px": np.sqrt(variance[:, 1]),
        "y_err_px": np.sqrt(variance[:, 2]),
        "flux_adu": flux,
        "flux_err_adu": np.sqrt(flux_variance),
        "peak_adu": sources.peak_adu,
        "fwhm_px": figures.fwhm_px * np.exp(figures.size_gain * width),
        "fwhm_err_px": figures.fwhm_px * figures.size_gain * width_err,
        "hfr_px": figures.hfr_px * np.exp(figures.hfr_gain * width),
        "hfr_err_px": figures.hfr_px * figures.hfr_gain * width_err,
        "axis_ratio": np.exp(-figures.size_gain * length),
        "axis_ratio_err": np.exp(-figures.size_gain * length) * width_err * np.sqrt(2.0),
        "trail_deg": np.degrees(0.5 * np.arctan2(stretch[:, 1], stretch[:, 0])) % 180.0,
    }
    return Stars(
        **{name: values[order] for name, values in columns.items()},
        flags=flags[order].astype(np.int32),
    )


def _fit_places(
    frame: Frame, background: Background, sources: Sources, fit: JointFit
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Peak, x, y, level (n, 4) of every object and the variances of the first three (n, 3)."""
    radius = _RADIUS_PER_FWHM * float(np.exp(fit.shape[0])) + 1.0
    shape = kernel_shape(fit.shape)
    own = starting_values(sources)
    # The joint fit has placed its stars already.
    own[fit.index] = fit.own
    variance = np.empty((len(own), 4))
    together = max(1, int(_PIXELS_TOGETHER / (2 * radius) ** 2))
    for start in range(0, len(own), together):
        part = slice(start, start + together)
        here = own[part]
        cutouts = cut(frame.pixels, background, here[:, 1:3], radius, fit.neighbours[part])
        view = FitView(cutouts=cutouts, background=background, radius_px=radius)
        # Everything counts at first; then what is far off the model found so is left out.
        for common in (None, fit.common):
            variance[part] = own_step(view, here, shape, common)
    return own, variance[:, :3] * background.noise_adu**2


def _core_to_disc(peaks: NDArray[np.float64], fit: JointFit) -> float:
    """Brightness of the joint fit's stars from their cores over that from its wider discs.

    1 for stars that follow the profile; trails and discs do not, and would be misjudged alike.
    """
    weight = fit.weight * fit.own[:, 0]
    return float(np.sum(weight * peaks) / np.sum(weight * fit.own[:, 0]))


def _own_shapes(
    count: int, fit: JointFit
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Stretch (n, 2), ln-size deviation (n,) and its error (n,); NaN where not fitted."""
    stretch = np.full((count, 2), np.nan)
    width, error = np.full(count, np.nan), np.full(count, np.nan)
    # One linear step says little of objects far from the frame's shape; it is bounded.
    bounded = np.clip(fit.deviation, -1.0, 1.0)
    stretch[fit.index] = fit.shape[1:3] + bounded[:, 1:]
    width[fit.index], error[fit.index] = bounded[:, 0], fit.deviation_err[:, 0]
    return stretch, width, error
