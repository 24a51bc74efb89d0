"""Frame to MaskReading: finds the masked stars and joins what they say."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from starwinnow.background import measure_background
from starwinnow.focus_mask.acceptance import evidence_of, is_hopeful, is_mask, what_lacks
from starwinnow.focus_mask.bright_places import bright_places
from starwinnow.focus_mask.joined_stars import FoundStar, join_stars
from starwinnow.focus_mask.reading import MaskReading
from starwinnow.focus_mask.spike_fit import (
    Fit,
    Pixels,
    fit_spikes,
    near_lines,
    pixels_around,
    settle,
)
from starwinnow.focus_mask.spike_search import RingMap, ring_map
from starwinnow.focus_mask.star_window import StarWindow, cut_window, is_mosaic
from starwinnow.focus_mask.starts import start_single, start_three_fold
from starwinnow.frame import Capture, Frame

__all__ = ["read_mask"]

_Start = Callable[[list[RingMap], Pixels, float | None], Fit | None]
_STARTS: tuple[_Start, ...] = (start_three_fold, start_single)

# All stars of a frame are seen through the mask, so the brightest tell; more in case some are no
# stars. Three-fold masks take longest to try, so they are looked for at the first few only.
_MOST_PLACES, _THREE_FOLD_PLACES = 8, 3
_MOST_STARS = 4
# Once a masked star is found, stars with less than this part of its light add nothing.
_LEAST_LIGHT = 0.05
_LEAST_SIDE_PX = 64
_SMOOTHINGS_PX = (1.0, 2.5)
# A larger saturated core leaves too little of the first order to see.
_LARGEST_CORE_PX = 25.0
# Outer end of the first diffraction order: lambda f / period with the longest visible wavelength
# and a period of 1/170 of the focal length, about what makers use (common practice, no source).
_FIRST_ORDER_UM = 0.65 * 170
_WAVELENGTH_UM = 0.55
# Neighbouring pixels of a mosaic's running mean share noise; the sums along spikes then have
# more variance than the pixels tell (found on simulated stars).
_SHARED_NOISE = 2.0


def read_mask(frame: Frame) -> MaskReading:
    """Find the stars seen through a focus mask and measure their spikes.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    MaskReading
        Without stars, and with the reason, where no mask is seen.
    """
    if min(frame.pixels.shape) < _LEAST_SIDE_PX:
        ny, nx = frame.pixels.shape
        return _nothing(
            f"the frame is {nx}x{ny} px, too small for a star's spikes: at least "
            f"{_LEAST_SIDE_PX}x{_LEAST_SIDE_PX} px are needed"
        )
    background = measure_background(frame.pixels)
    limit = frame.capture.saturation_adu
    if limit is not None and background.level_adu > 0.95 * limit:
        return _nothing("the whole frame is at the sensor's upper limit: expose shorter")
    if not np.isfinite(background.noise_adu) or background.noise_adu <= 0:
        return _nothing("the frame holds no usable light, every pixel has the same value or none")
    mosaic = is_mosaic(frame)
    places = bright_places(frame.pixels, background, _MOST_PLACES)
    if len(places) == 0:
        return _nothing("no star stands out of the noise: expose longer or point at a brighter one")
    found: list[FoundStar] = []
    brightest = 0.0
    doubts: list[str] = []
    for number, (x_px, y_px, light) in enumerate(places):
        if len(found) == _MOST_STARS or light < _LEAST_LIGHT * brightest:
            break
        if not _on_spikes(found, x_px, y_px):
            starts = _STARTS if number < _THREE_FOLD_PLACES else _STARTS[1:]
            star = _look(frame, x_px, y_px, starts, mosaic=mosaic)
            if isinstance(star, FoundStar):
                found.append(star)
                brightest = max(brightest, light)
            else:
                doubts.append(star)
    if found:
        found.sort(key=lambda star: star.window.core_light, reverse=True)
        return join_stars(found, frame)
    # The brightest star is the one the observer pointed at.
    if doubts and doubts[0]:
        return _cannot_tell(doubts[0])
    return _nothing("no bright star shows the three crossing spikes of a focus mask")


def _cannot_tell(reason: str) -> MaskReading:
    nan = float("nan")
    return MaskReading(kind="single", stars=(), offset_px=nan, offset_err_px=nan, reason=reason)


def _nothing(reason: str) -> MaskReading:
    nan = float("nan")
    return MaskReading(kind=None, stars=(), offset_px=nan, offset_err_px=nan, reason=reason)


def _on_spikes(found: list[FoundStar], x_px: float, y_px: float) -> bool:
    """Whether a place belongs to a star already found: its spikes make maxima of their own."""
    for star in found:
        x = star.window.x_px + star.window.left + star.window.shift_px
        y = star.window.y_px + star.window.top + star.window.shift_px
        if np.hypot(x_px - x, y_px - y) < 70:
            return True
    return False


def _look(
    frame: Frame, x_px: float, y_px: float, starts: Sequence[_Start], *, mosaic: bool
) -> FoundStar | str:
    """Fit a mask to one bright place; what hinders telling where there may be one, or ''."""
    window = cut_window(frame, x_px, y_px, mosaic=mosaic)
    if window is None:
        return _hindrance(window, frame, x_px, y_px)
    pixels = pixels_around(window)
    if len(pixels.first) < 4:
        return _hindrance(window, frame, x_px, y_px)
    rings = [ring_map(window, smoothing_px) for smoothing_px in _SMOOTHINGS_PX]
    detail_px = _detail_px(frame.capture)
    lacking = ""
    for begin in starts:
        start = begin(rings, pixels, detail_px)
        star = None if start is None else _fitted(start, window, pixels, frame.capture)
        if star is not None:
            if is_mask(star.evidence):
                return star
            lacking = lacking or what_lacks(star.evidence)
    return lacking or _hindrance(window, frame, x_px, y_px)


def _fitted(start: Fit, window: StarWindow, pixels: Pixels, capture: Capture) -> FoundStar | None:
    """Take a rough fit to its end with both leans; None where it is no mask's."""
    pixels = near_lines(start, pixels)
    settle(start, pixels, 4)
    if not is_hopeful(evidence_of(start, window)):
        return None
    gain = None
    if capture.egain_e_per_adu:
        gain = 1 / capture.egain_e_per_adu / window.pixels_per_sample
    ends = []
    for chevron in (1, -1):
        copy = replace(start, params=start.params.copy(), chevron=chevron)
        ends.append(fit_spikes(copy, pixels, gain))
    ends.sort(key=lambda fit: fit.chi2)
    if window.pixels_per_sample > 1:
        for fit in ends:
            fit.amplitude_var = fit.amplitude_var * _SHARED_NOISE
            fit.covariance = fit.covariance * _SHARED_NOISE
    evidence = evidence_of(ends[0], window)
    return FoundStar(window=window, fit=ends[0], other=ends[1], evidence=evidence)


def _hindrance(window: StarWindow | None, frame: Frame, x_px: float, y_px: float) -> str:
    """Say what would hide a mask's spikes at this place; '' where they would be seen."""
    ny, nx = frame.pixels.shape
    edge_px = min(x_px, y_px, nx - 1 - x_px, ny - 1 - y_px)
    if edge_px < _LEAST_SIDE_PX / 2:
        return (
            f"the brightest star is {edge_px:.0f} px from the frame's edge, which cuts its "
            "spikes: move the star towards the middle"
        )
    if window is None:
        return ""
    if window.saturated_px and window.core_px > _LARGEST_CORE_PX:
        return (
            f"the star's saturated core hides its surroundings to {window.core_px:.0f} px: "
            "expose shorter"
        )
    pixel_um = frame.capture.pixel_um
    if pixel_um is not None and window.core_px > _FIRST_ORDER_UM / pixel_um:
        return (
            f"the star's core fills {window.core_px:.0f} px, where a mask's spikes begin: "
            "focus roughly on the stars first, or expose shorter"
        )
    return ""


def _detail_px(capture: Capture) -> float | None:
    """Wavelength times focal ratio in pixels, where the cards tell."""
    f, d, p = capture.focal_length_mm, capture.aperture_mm, capture.pixel_um
    return _WAVELENGTH_UM * f / d / p if f and d and p else None
