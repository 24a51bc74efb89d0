"""Frame to MaskReading: finds the masked stars and joins what they say."""

from dataclasses import dataclass

import numpy as np

from starwinnow.background import measure_background
from starwinnow.focus_mask.acceptance import Evidence, evidence_of, is_faint, is_hopeful, is_mask
from starwinnow.focus_mask.bright_places import bright_places
from starwinnow.focus_mask.reading import MaskReading, SpikedStar, SpikeTriple
from starwinnow.focus_mask.spike_fit import (
    Fit,
    Pixels,
    fit_spikes,
    near_lines,
    pixels_around,
    settle,
    start_at,
    thinned,
)
from starwinnow.focus_mask.spike_search import Guess, find_guesses, ring_map
from starwinnow.focus_mask.star_window import StarWindow, cut_window, is_mosaic
from starwinnow.frame import Capture, Frame

__all__ = ["read_mask"]

_MOST_PLACES = 12
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
_MOST_GUESSES = 4
_MOST_STARTS = 3
# Neighbouring pixels of a mosaic's running mean share noise; the sums along spikes then have
# more variance than the pixels tell (found on simulated stars).
_SHARED_NOISE = 2.0
# What the model itself gets wrong, found on simulated stars: px, and part of the offset, which
# grows with it.
_FLOOR_PX = 0.006
_MODEL_PART, _MODEL_PART_PER_PX = 0.008, 0.004
# Aberrations off the axis move the zero; at the corner by about this.
_CORNER_PX = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """A masked star before it is put into words."""

    window: StarWindow
    fit: Fit
    other: Fit
    evidence: Evidence


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
    found: list[_Found] = []
    brightest = 0.0
    doubts: list[str] = []
    for x_px, y_px, light in places:
        if len(found) == _MOST_STARS or light < _LEAST_LIGHT * brightest:
            break
        if not _on_spikes(found, x_px, y_px):
            star = _look(frame, x_px, y_px, mosaic=mosaic)
            if isinstance(star, _Found):
                found.append(star)
                brightest = max(brightest, light)
            else:
                doubts.append(star)
    if found:
        found.sort(key=lambda star: star.window.core_light, reverse=True)
        return _join(found, frame)
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


def _on_spikes(found: list[_Found], x_px: float, y_px: float) -> bool:
    """Whether a place belongs to a star already found: its spikes make maxima of their own."""
    for star in found:
        x = star.window.x_px + star.window.left + star.window.shift_px
        y = star.window.y_px + star.window.top + star.window.shift_px
        if np.hypot(x_px - x, y_px - y) < 70:
            return True
    return False


def _look(frame: Frame, x_px: float, y_px: float, *, mosaic: bool) -> _Found | str:
    """Fit a mask to one bright place; what hinders telling where there may be one, or ''."""
    window = cut_window(frame, x_px, y_px, mosaic=mosaic)
    if window is None:
        return _hindrance(window, frame, x_px, y_px)
    pixels = pixels_around(window)
    if len(pixels.first) < 4:
        return _hindrance(window, frame, x_px, y_px)
    best = _start(window, pixels, detail_of(frame.capture))
    if best is None:
        return _hindrance(window, frame, x_px, y_px)
    pixels = near_lines(best, pixels)
    settle(best, pixels, 4)
    if not is_hopeful(evidence_of(best, window)):
        return _hindrance(window, frame, x_px, y_px)
    gain = None
    if frame.capture.egain_e_per_adu:
        gain = 1 / frame.capture.egain_e_per_adu / window.pixels_per_sample
    ends = []
    for chevron in (1, -1):
        start = Fit(params=best.params.copy(), chevron=chevron, detail_px=best.detail_px)
        ends.append(fit_spikes(start, pixels, gain))
    ends.sort(key=lambda fit: fit.chi2)
    if window.pixels_per_sample > 1:
        for fit in ends:
            fit.amplitude_var = fit.amplitude_var * _SHARED_NOISE
            fit.covariance = fit.covariance * _SHARED_NOISE
    evidence = evidence_of(ends[0], window)
    if is_mask(evidence):
        return _Found(window=window, fit=ends[0], other=ends[1], evidence=evidence)
    if is_faint(evidence):
        return "the spikes are too faint to tell: expose longer or point at a brighter star"
    return _hindrance(window, frame, x_px, y_px)


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


def detail_of(capture: Capture) -> float | None:
    """Wavelength times focal ratio in pixels, where the cards tell."""
    f, d, p = capture.focal_length_mm, capture.aperture_mm, capture.pixel_um
    return _WAVELENGTH_UM * f / d / p if f and d and p else None


def _start(window: StarWindow, pixels: Pixels, detail_px: float | None) -> Fit | None:
    """Rough fit from the best guess; None where no guess is better than chance."""
    guesses: list[Guess] = []
    for smoothing_px in _SMOOTHINGS_PX:
        guesses += find_guesses(ring_map(window, smoothing_px), _MOST_GUESSES)
    thin = thinned(pixels)
    fits = [start_at(guess, 1, detail_px) for guess in guesses]
    for fit in fits:
        settle(fit, thin, 0)
    fits = sorted(fits, key=lambda fit: fit.chi2)[:_MOST_STARTS]
    for fit in fits:
        settle(fit, thin, 4)
    return min(fits, key=lambda fit: fit.chi2, default=None)


def _star(found: _Found) -> SpikedStar:
    window, fit, evidence = found.window, found.fit, found.evidence
    total = float(evidence.light.sum() / np.sqrt((evidence.error**2).sum()))
    return SpikedStar(
        x_px=float(fit.params[0] + window.x_px + window.left + window.shift_px),
        y_px=float(fit.params[1] + window.y_px + window.top + window.shift_px),
        triples=(_triple(found),),
        spike_snr=total,
        saturated_px=window.saturated_px,
    )


def _triple(found: _Found) -> SpikeTriple:
    fit = found.fit
    _, _, turn, outer, skew, offset, _ = fit.params
    variance = fit.covariance[5, 5]
    # The two shapes tried differ by what the model does not know.
    doubt = (offset - found.other.params[5]) / 3 * np.exp(-abs(fit.chi2 - found.other.chi2) / 50)
    model = (_MODEL_PART + _MODEL_PART_PER_PX * abs(offset)) * offset
    error = np.sqrt(variance + _FLOOR_PX**2 + model**2 + doubt**2)
    half_turns = int(np.floor(turn / np.pi))
    sign = -1 if half_turns % 2 else 1
    lean, lean_err = _lean(found)
    return SpikeTriple(
        offset_px=float(sign * offset),
        offset_err_px=float(error),
        centre_deg=float(np.degrees(turn - half_turns * np.pi)),
        outer_deg=(
            float(np.degrees(turn + outer + skew) % 180),
            float(np.degrees(turn - outer + skew) % 180),
        ),
        lean=lean,
        lean_err=lean_err,
    )


def _lean(found: _Found) -> tuple[float, float]:
    """Distance from the light centre to the centre spike over that to the crossing."""
    fit = found.fit
    x, y, turn, _, _, offset, _ = fit.params
    crossing = float(y * np.cos(turn) - x * np.sin(turn))
    spike = crossing + float(offset)
    # The core's own centre is good to this when not saturated, and worse when it is.
    centre_err = 0.1 if found.window.saturated_px == 0 else 0.4
    error = np.hypot(centre_err + 0.03 * abs(offset), np.sqrt(fit.covariance[5, 5]))
    if abs(offset) < 6 * error or crossing == 0 or crossing * spike > 0:
        return float("nan"), float("nan")
    ratio = abs(spike / crossing)
    return float(ratio), float(ratio * error * abs(offset) / abs(spike * crossing))


def _join(found: list[_Found], frame: Frame) -> MaskReading:
    """Mean of the stars that see the same mask, stars near the axis counting most."""
    stars = [_star(star) for star in found]
    ny, nx = frame.pixels.shape
    corner = np.hypot(nx, ny) / 2
    turn = np.radians(stars[0].triples[0].centre_deg)
    offsets, variances = [], []
    for star in stars:
        triple = star.triples[0]
        # Directions are known up to half a turn, and the offset's sign goes with it.
        flip = np.sign(np.cos(np.radians(triple.centre_deg) - turn))
        away = np.hypot(star.x_px - (nx - 1) / 2, star.y_px - (ny - 1) / 2) / corner
        offsets.append(flip * triple.offset_px)
        extra = (_CORNER_PX * away**2) ** 2 if len(stars) > 1 else 0.0
        variances.append(triple.offset_err_px**2 + extra)
    weight = 1 / np.array(variances)
    mean = float(np.sum(weight * offsets) / weight.sum())
    error = float(np.sqrt(1 / weight.sum()))
    return MaskReading(
        kind="single", stars=tuple(stars), offset_px=mean, offset_err_px=error, reason=""
    )
