"""Frame to FrameMeasures: the one composition of background, detection, fit and figures."""

from dataclasses import dataclass, replace

import numpy as np

from starwinnow.background import Background, measure_background
from starwinnow.detection import detect
from starwinnow.doubling import Doubling, find_doubling, measure_doubling, without_seconds
from starwinnow.flags import FEW_STARS, FrameFlag, StarFlag
from starwinnow.focus_mask.forgotten import is_mask_on
from starwinnow.frame import Frame
from starwinnow.frame_measures import FrameMeasures, Streak
from starwinnow.mosaic import green_only
from starwinnow.profile import (
    UNKNOWN_TAILS,
    Disc,
    JointFit,
    StarFigures,
    add_second_image,
    average_star,
    both_fluxes,
    centered_on_disc,
    corner_tails,
    disc_of,
    figures_of_both,
    figures_of_disc,
    first_images_alone,
    fit_stars,
    sources_of_discs,
    star_columns,
    star_figures,
)
from starwinnow.sources import Sources, cover, find_sources
from starwinnow.stars import Stars
from starwinnow.streaks import find_streak, is_thin_line
from starwinnow.thumbnail import thumbnail

__all__ = ["measure", "measure_stars"]

_CLEANINGS = 4
# A few objects wider than this are knots of a nebula or a galaxy: no seeing makes such stars, and
# what is far out of focus shows as a disc.
_WIDEST_OF_FEW_PX = 15.0


def measure(frame: Frame) -> FrameMeasures:
    """Measure one frame: background, stars, and the frame's star figures.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    FrameMeasures
        Figures that cannot be measured are NaN, with a flag that says why.
    """
    # A rough background serves to find the objects; the final one is measured between them.
    rough = measure_background(frame.pixels)
    sources = find_sources(frame, rough, detect(frame.pixels, rough))
    measures = _measure_sources(frame, rough, sources)
    if is_mask_on(frame.pixels, rough, sources):
        return replace(measures, flags=measures.flags | FrameFlag.MASK_ON)
    return measures


def _measure_sources(frame: Frame, rough: Background, sources: Sources) -> FrameMeasures:
    covered = cover(sources, rough, frame.pixels.shape)
    # All pixels serve to find the objects, those of one colour to measure them.
    frame = green_only(frame)
    background = measure_background(frame.pixels, covered)
    if not background.noise_adu > 0:
        return _without_stars(frame, background, sources)
    return measure_stars(frame, background, sources)


def measure_stars(frame: Frame, background: Background, sources: Sources) -> FrameMeasures:
    """Measure the stars of a frame whose objects were found.

    Parameters
    ----------
    frame : Frame
    background : Background
        Between the objects; with noise.
    sources : Sources

    Returns
    -------
    FrameMeasures
    """
    sources, streak = _streak(frame, background, sources)
    sources, vector = find_doubling(sources)
    fitted = _fit(frame, background, sources)
    if fitted is None:
        return replace(_without_stars(frame, background, sources), streak=streak)
    doubling = None if vector is None else measure_doubling(fitted.stars, vector)
    if doubling is not None:
        fitted = _first_images(frame, background, fitted, doubling) or fitted
    fitted = _stars_or_discs(background, fitted)
    if fitted is None:
        return _without_stars(frame, background, sources)
    return replace(_with_stars(frame, background, fitted, doubling), streak=streak)


def _streak(
    frame: Frame, background: Background, sources: Sources
) -> tuple[Sources, Streak | None]:
    flagged, streak = find_streak(sources, frame.pixels.shape)
    if streak is None or not is_thin_line(frame.pixels, background.noise_adu, streak):
        return sources, None
    return flagged, streak


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fitted:
    """A frame's stars fitted, and the frame they were fitted on."""

    frame: Frame
    sources: Sources
    fit: JointFit
    figures: StarFigures
    stars: Stars


def _fit(frame: Frame, background: Background, sources: Sources) -> _Fitted | None:
    fit = fit_stars(frame.pixels, background, sources)
    if fit is None:
        return None
    figures = star_figures(frame.pixels, background, sources, fit)
    if np.isnan(figures.hfr_px):
        # A dark place about a knot of a nebula, but no star.
        return None
    stars = star_columns(frame, background, sources, fit, figures)
    return _Fitted(frame=frame, sources=sources, fit=fit, figures=figures, stars=stars)


def _first_images(
    frame: Frame, background: Background, both: _Fitted, doubling: Doubling
) -> _Fitted | None:
    """Fit the first images of a doubled frame without the light of the second ones.

    Again and again, as the profile that is taken off is the better the less light of both it
    holds: images two FWHM apart settle within 1 % after four times.
    """
    fitted: _Fitted | None = both
    for _ in range(_CLEANINGS):
        if fitted is not None:
            alone = first_images_alone(frame.pixels, fitted.stars, fitted.figures, doubling)
            cleaned = replace(frame, pixels=alone)
            fitted = _fit(cleaned, background, without_seconds(both.sources))
    return fitted


def _stars_or_discs(background: Background, first: _Fitted) -> _Fitted | None:
    """Fit stars that prove to be discs once more, from their centres.

    None for a few objects too wide to be stars, which are no discs either.
    """
    fitted, disc = first, _disc(background, first)
    if disc is not None:
        sources = sources_of_discs(first.frame.pixels, background, first.sources, disc)
        fitted = _fit(first.frame, background, sources) or first
        disc = _disc(background, fitted)
    few = fitted.figures.star_count < FEW_STARS
    wide = few and disc is None and fitted.figures.fwhm_px > _WIDEST_OF_FEW_PX
    return None if wide else fitted


def _disc(background: Background, fitted: _Fitted) -> Disc | None:
    return disc_of(
        fitted.frame.pixels, background, fitted.sources, fitted.fit, fitted.figures.fwhm_px
    )


def _frame_flags(frame: Frame, background: Background) -> FrameFlag:
    flags = FrameFlag(0)
    if frame.capture.start_utc is None:
        flags |= FrameFlag.NO_TIME
    limit = frame.capture.saturation_adu
    if limit is None and frame.pixels.dtype == np.uint16:
        limit = float(np.iinfo(np.uint16).max)
    if limit is not None and background.level_adu > 0.95 * limit:
        flags |= FrameFlag.OVEREXPOSED
    return flags


def _with_stars(
    frame: Frame, background: Background, fitted: _Fitted, doubling: Doubling | None
) -> FrameMeasures:
    figures, stars, pixels = fitted.figures, fitted.stars, fitted.frame.pixels
    image, error = average_star(
        pixels, background, fitted.fit, figures.profile, figures.flux_per_peak
    )
    flags = _frame_flags(frame, background)
    if doubling is not None:
        figures, stars = figures_of_both(figures, doubling), both_fluxes(stars, doubling)
        image = add_second_image(image, doubling)
        flags |= FrameFlag.DOUBLED
    disc = disc_of(pixels, background, fitted.sources, fitted.fit, figures.fwhm_px)
    if disc is not None:
        figures = figures_of_disc(figures, disc)
        stars = centered_on_disc(pixels, background, stars, figures, disc)
        flags |= FrameFlag.DISCS
    if figures.star_count < FEW_STARS:
        flags |= FrameFlag.FEW_STARS
    tails = UNKNOWN_TAILS
    if doubling is None and disc is None:
        tails = corner_tails(pixels.shape, background, fitted.fit, figures.fwhm_px)
    return FrameMeasures(
        file_name=frame.path.name,
        shape=(frame.pixels.shape[0], frame.pixels.shape[1]),
        capture=frame.capture,
        background_adu=background.level_adu,
        background_err_adu=background.level_err_adu,
        noise_adu=background.noise_adu,
        star_count=figures.star_count,
        fwhm_px=figures.fwhm_px,
        fwhm_err_px=figures.fwhm_err_px,
        hfr_px=figures.hfr_px,
        hfr_err_px=figures.hfr_err_px,
        axis_ratio=figures.axis_ratio,
        axis_ratio_err=figures.axis_ratio_err,
        trail_deg=figures.trail_deg,
        trail_err_deg=figures.trail_err_deg,
        nea_px=figures.nea_px,
        nea_err_px=figures.nea_err_px,
        profile=figures.profile,
        stars=stars,
        average_star=image,
        average_star_err=error,
        thumbnail=thumbnail(frame.pixels, background),
        flags=flags,
        corner_tails=tails[0],
        corner_tails_err=tails[1],
    )


def _without_stars(frame: Frame, background: Background, sources: Sources) -> FrameMeasures:
    nan = float("nan")
    empty = np.empty((0, 0), np.float32)
    return FrameMeasures(
        file_name=frame.path.name,
        shape=(frame.pixels.shape[0], frame.pixels.shape[1]),
        capture=frame.capture,
        background_adu=background.level_adu,
        background_err_adu=background.level_err_adu,
        noise_adu=background.noise_adu,
        star_count=0,
        fwhm_px=nan,
        fwhm_err_px=nan,
        hfr_px=nan,
        hfr_err_px=nan,
        axis_ratio=nan,
        axis_ratio_err=nan,
        trail_deg=nan,
        trail_err_deg=nan,
        nea_px=nan,
        nea_err_px=nan,
        profile=None,
        stars=_positions_only(sources),
        average_star=empty,
        average_star_err=empty,
        thumbnail=thumbnail(frame.pixels, background),
        flags=_frame_flags(frame, background) | FrameFlag.NO_STARS | FrameFlag.FEW_STARS,
    )


def _positions_only(sources: Sources) -> Stars:
    """Objects of which only place and peak are known."""
    nan = np.full(len(sources), np.nan)
    names = (
        "x_err_px", "y_err_px", "flux_adu", "flux_err_adu", "fwhm_px", "fwhm_err_px", "hfr_px",
        "hfr_err_px", "axis_ratio", "axis_ratio_err", "trail_deg",
    )  # fmt: skip
    return Stars(
        x_px=sources.x_px,
        y_px=sources.y_px,
        peak_adu=sources.peak_adu,
        flags=(sources.flags | np.int32(StarFlag.NO_FIT)).astype(np.int32),
        **dict.fromkeys(names, nan),
    )
