"""A bright star's surroundings, ready for looking for spikes: colour-neutral light about a core."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.smoothing import smoothed
from starwinnow.frame import Frame

__all__ = ["WINDOW_HALF_PX", "StarWindow", "cut_window", "is_mosaic"]

FloatImage = NDArray[np.float32]

# Spikes are followed this far. The first diffraction orders of the usual slit masks, whose period
# is 1/150 to 1/200 of the focal length, lie 60 to 140 um from the star (lambda f / period).
WINDOW_HALF_PX = 72
# Light this close to the core is the core's own; found on simulated stars.
_LEAST_CUT_PX = 5.0
_SATURATION_PILE = 3
# A bright place is good to this.
_SEARCH_PX = 8.0
# First orders of a saturated core come up to it; a fainter neighbour is none. So far around a core
# its own pattern rules.
_AS_BRIGHT = 0.5
_EVEN_PX = 20
_HOT_RATIO = 2.5
_HOT_SIGMA = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StarWindow:
    """Square of pixels about a star.

    Attributes
    ----------
    light : ndarray of float32, shape (n, n)
        ADU above the sky, averaged over 2x2 pixels on a colour mosaic; NaN where unusable.
    x_px, y_px : float
        The star's light centre, in the window's pixels.
    left, top : int
        Column and row of the window's first pixel in the frame (fractional shift of a mosaic's
        averaging is `shift_px`).
    shift_px : float
        Where a window pixel's centre lies from the frame pixel's centre, both ways, px.
    core_px : float
        Radius of the core cut, px.
    noise_adu : float
        Standard deviation of a pixel far from the star.
    pixels_per_sample : float
        Pixels that share one independent piece of noise: 1, or 4 on a mosaic.
    core_light : float
        Light inside 8 px of the centre, ADU.
    saturated_px : int
        Pixels of the core at the sensor's upper limit.
    """

    light: FloatImage
    x_px: float
    y_px: float
    left: int
    top: int
    shift_px: float
    core_px: float
    noise_adu: float
    pixels_per_sample: float
    core_light: float
    saturated_px: int


def is_mosaic(frame: Frame) -> bool:
    """Whether the frame is a colour mosaic: by its card, or by its four pixel phases' levels.

    A mosaic's colours see different skies; on a grey sensor the medians of the four phases agree
    to their errors.
    """
    if frame.capture.bayer_pattern is not None:
        return True
    thin = frame.pixels[: frame.pixels.shape[0] // 2 * 2, : frame.pixels.shape[1] // 2 * 2]
    step = max(1, int(np.sqrt(thin.size / 400_000)))
    levels, errors = [], []
    for j in (0, 1):
        for i in (0, 1):
            phase = thin[j :: 2 * step, i :: 2 * step].astype(np.float32)
            phase = phase[np.isfinite(phase)]
            if len(phase) < 100:
                return False
            # Medians of whole numbers are whole: the mean inside the quartiles is finer.
            low, middle, high = np.percentile(phase, [5, 50, 80])
            inside = phase[(phase >= low) & (phase <= 2 * middle - low)]
            levels.append(inside.mean())
            errors.append((high - low) / np.sqrt(len(inside)))
    spread = max(levels) - min(levels)
    return bool(spread > 8 * max(errors))


def cut_window(frame: Frame, x_px: float, y_px: float, *, mosaic: bool) -> StarWindow | None:
    """Cut out the surroundings of a bright place and centre on its core.

    Returns
    -------
    StarWindow or None
        None where there is no core to centre on.
    """
    ny, nx = frame.pixels.shape
    left = int(np.rint(x_px)) - WINDOW_HALF_PX
    top = int(np.rint(y_px)) - WINDOW_HALF_PX
    x0, y0 = max(left, 0), max(top, 0)
    x1 = min(left + 2 * WINDOW_HALF_PX + 1, nx)
    y1 = min(top + 2 * WINDOW_HALF_PX + 1, ny)
    raw = frame.pixels[y0:y1, x0:x1].astype(np.float32)
    if min(raw.shape) < 24:
        return None
    highest = float(np.nanmax(raw))
    stated = frame.capture.saturation_adu
    limit = min(stated, highest) if stated is not None else highest
    saturated = raw >= limit
    if np.count_nonzero(saturated) < _SATURATION_PILE:
        saturated[:] = False
    light, noise = _above_sky(raw, mosaic=mosaic)
    hot = _hot_pixels(light, noise, step=2 if mosaic else 1)
    light[hot & ~saturated] = np.nan
    if mosaic:
        pairs = light[:-1] + light[1:]
        light = ((pairs[:, :-1] + pairs[:, 1:]) / 4).astype(np.float32)
        noise = noise / 2
    centre = _centre(light, x_px - x0, y_px - y0, noise)
    if centre is None:
        return None
    x, y, width = centre
    yy, xx = np.indices(light.shape)
    radius = np.hypot(xx - x, yy - y)
    count = int(np.count_nonzero(saturated[: light.shape[0], : light.shape[1]] & (radius < 30)))
    core = max(_LEAST_CUT_PX, 2.0 * width)
    if count:
        core = max(core, 1.3 * np.sqrt(count / np.pi) + 3.0)
    return StarWindow(
        light=light, x_px=x, y_px=y, left=x0, top=y0, shift_px=0.5 if mosaic else 0.0,
        core_px=float(core), noise_adu=noise, pixels_per_sample=4.0 if mosaic else 1.0,
        core_light=float(np.nansum(light[radius < 8])), saturated_px=count,
    )  # fmt: skip


def _above_sky(raw: FloatImage, *, mosaic: bool) -> tuple[FloatImage, float]:
    """Light above each pixel phase's own level, and the noise."""
    light = np.empty_like(raw)
    variances = []
    step = 2 if mosaic else 1
    for j in range(step):
        for i in range(step):
            phase = raw[j::step, i::step]
            low, middle = np.nanpercentile(phase, [15.8655, 40.0])
            # The darker part of the pixels tells sky and noise: 40 % lie 0.253 sigma below.
            sigma = max(float(middle - low) / (1.0 - 0.2533), 1e-6)
            light[j::step, i::step] = phase - (middle + 0.2533 * sigma)
            variances.append(sigma**2)
    return light, float(np.sqrt(np.mean(variances)))


def _hot_pixels(light: FloatImage, noise: float, *, step: int) -> NDArray[np.bool_]:
    """Single pixels that stand out of their eight neighbours (of the same colour) alone.

    A median test would eat narrow spikes; the second brightest of the 3x3 does not.
    """
    ny, nx = light.shape
    padded = np.pad(light, step, mode="reflect")
    second = np.full(light.shape, -np.inf, np.float32)
    for j in range(3):
        for i in range(3):
            if (j, i) != (1, 1):
                near = padded[j * step : j * step + ny, i * step : i * step + nx]
                np.fmax(second, near, out=second)
    hot: NDArray[np.bool_] = (light > _HOT_RATIO * second) & (light > _HOT_SIGMA * noise)
    return hot


def _middle_blob(smooth: NDArray[np.floating], x_px: float, y_px: float) -> tuple[int, int]:
    """Find the brightest spot near a place; of several, the one that light lies evenly about.

    Large pixels see a bright star's first orders right beside its core, and as bright as that
    where all of them are saturated.
    """
    # It takes a sixth of a second to load, and most nights hold no frame through a mask.
    from scipy.ndimage import maximum_filter  # noqa: PLC0415

    yy, xx = np.indices(smooth.shape)
    away = np.hypot(xx - x_px, yy - y_px)
    near = np.where(away < _SEARCH_PX, smooth, -np.inf)
    y, x = np.unravel_index(int(near.argmax()), near.shape)
    tops = (away < 2 * _SEARCH_PX) & (smooth > _AS_BRIGHT * near.max())
    tops &= smooth == maximum_filter(smooth, 5)
    spots = [(int(i), int(j)) for j, i in zip(*np.nonzero(tops), strict=True)]
    spots.sort(key=lambda spot: -smooth[spot[1], spot[0]])
    return min(spots, key=lambda spot: _unevenness(smooth, *spot), default=(int(x), int(y)))


def _unevenness(smooth: NDArray[np.floating], x: int, y: int) -> float:
    """Light that has no like on the other side of a pixel, as a part of all light around it.

    Infinite too near the edge to tell.
    """
    ny, nx = smooth.shape
    reach = min(x, y, nx - 1 - x, ny - 1 - y, _EVEN_PX)
    if reach < _SEARCH_PX:
        return math.inf
    square = smooth[y - reach : y + reach + 1, x - reach : x + reach + 1]
    return float(np.abs(square - square[::-1, ::-1]).sum() / np.abs(square).sum())


def _centre(
    light: FloatImage, x_px: float, y_px: float, noise: float
) -> tuple[float, float, float] | None:
    """Centre of the core's light and its width (rms radius along one axis), px."""
    clean = np.where(np.isfinite(light), light, 0.0)
    yy, xx = np.indices(light.shape)
    x, y = (float(place) for place in _middle_blob(smoothed(clean, 1.5), x_px, y_px))
    # From small to large, or the spikes of a compact core would count as its own light.
    reach, width = 5.0, 1.0
    for _ in range(20):
        near = np.hypot(xx - x, yy - y) < reach
        peak = np.percentile(clean[near], 98) if near.any() else 0.0
        # The spikes' inner ends are well below a tenth of the core.
        weight = np.where(near, np.maximum(clean - max(0.15 * peak, 3 * noise), 0.0), 0.0)
        total = float(weight.sum())
        if total <= 0:
            return None
        new_x, new_y = float((weight * xx).sum() / total), float((weight * yy).sum() / total)
        spread = (weight * ((xx - new_x) ** 2 + (yy - new_y) ** 2)).sum() / total / 2
        width = float(np.sqrt(max(spread, 0.25)))
        moved = np.hypot(new_x - x, new_y - y)
        x, y = new_x, new_y
        before, reach = reach, float(np.clip(2.6 * width, 4.0, 18.0))
        if moved < 0.01 and abs(reach - before) < 0.05:
            break
    return x, y, width
