"""Panels of the focus picture: the star, its spikes on one axis, the run."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.focus_answer import FocusAnswer
from starwinnow.focus_mask.focus_run import FocusRun
from starwinnow.focus_mask.profile_view import SpikeProfiles
from starwinnow.report.canvas import Canvas, Colour

__all__ = ["Box", "axis_reach_px", "draw_marker", "draw_profiles", "draw_run", "draw_star"]

_Numbers = NDArray[np.float64]
_LABEL = 17.0
# Softening of the stretch, in noises of the sky: faint spikes show, bright ones keep detail.
_SOFT_NOISES = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """Where a panel goes, px of the picture."""

    left: float
    top: float
    right: float
    bottom: float


def axis_reach_px(answer: FocusAnswer) -> float:
    """Half the width of the axis: tolerance and centre spike fit in, with room beside them."""
    limits = [2.2 * limit for limit in answer.tolerances_px]
    return max(4.0, 1.4 * abs(answer.offset_px) + 2.0, *limits)


def draw_star(canvas: Canvas, square: _Numbers, box: Box) -> None:
    """Show the star in a stretch that hides nothing: black is the sky, white the brightest pixel.

    The stretch is the inverse hyperbolic sine, which rises everywhere; nothing is drawn over the
    star. Pixels without a value are left as the paper.
    """
    theme = canvas.theme
    side = box.right - box.left
    known = square[np.isfinite(square)]
    if known.size:
        sky = float(np.median(known))
        below = known[known <= sky]
        noise = float(np.sqrt(np.mean((below - sky) ** 2))) or 1.0
        height = np.maximum(square - sky, 0) / (_SOFT_NOISES * noise)
        top = max(float(np.nanmax(height)), 1e-6)
        shades = np.arcsinh(height) / math.asinh(top)
        canvas.picture(np.nan_to_num(shades), (box.left, box.top), side)
    pixels = 20 if len(square) > 60 else 10
    length = side * pixels / len(square)
    y = box.bottom + 14
    canvas.line([(box.left, y), (box.left + length, y)], theme.ink, 3)
    canvas.text(
        (box.left + length + 10, y),
        f"{pixels} px   brightness by inverse hyperbolic sine,",
        _LABEL,
        theme.quiet,
        anchor="lm",
    )
    canvas.text(
        (box.left, y + 22),
        "black: the sky, white: the brightest pixel",
        _LABEL,
        theme.quiet,
        anchor="lm",
    )


def draw_profiles(
    canvas: Canvas, box: Box, profiles: SpikeProfiles, limits_px: tuple[float, ...]
) -> None:
    """Lay the profiles of three spikes on one axis, with the tolerance and the measured place."""
    theme = canvas.theme
    reach_px = float(profiles.across_px[-1])
    middle, scale = (box.left + box.right) / 2, (box.right - box.left) / (2 * reach_px)
    gauge = box.bottom - 62
    for limit, colour in _bands(canvas, limits_px):
        reach = limit * scale
        canvas.box(middle - reach, box.top, middle + reach, box.bottom - 30, colour)
    height = gauge - 34 - box.top

    def curve(values: _Numbers) -> list[tuple[float, float]]:
        return [
            (middle + x * scale, gauge - 30 - height * value)
            for x, value in zip(profiles.across_px, values, strict=True)
            if math.isfinite(value)
        ]

    for values in (profiles.outer_first, profiles.outer_second):
        if points := curve(values):
            canvas.dashed(points, theme.outer, 2.5, 9)
    if points := curve(profiles.centre):
        canvas.line(points, theme.centre, 4)
    _draw_axis(canvas, box, middle, scale, reach_px)
    place = (middle + profiles.offset_px * scale, gauge)
    if math.isfinite(place[0] + profiles.offset_err_px):
        draw_marker(canvas, place, profiles.offset_err_px * scale)


def _bands(canvas: Canvas, limits_px: tuple[float, ...]) -> list[tuple[float, Colour]]:
    """Tolerances to fill, widest first, with their colours."""
    colours = (canvas.theme.band, canvas.theme.edge)
    return list(zip(limits_px, colours, strict=False))[::-1]


def _draw_axis(canvas: Canvas, box: Box, middle: float, scale: float, reach_px: float) -> None:
    theme, base = canvas.theme, box.bottom - 30
    canvas.line([(box.left, base), (box.right, base)], theme.quiet, 1.5)
    canvas.line([(middle, box.top), (middle, base)], theme.quiet, 1)
    step = _tick_step(reach_px)
    for number in range(-int(reach_px / step), int(reach_px / step) + 1):
        x = middle + number * step * scale
        canvas.line([(x, base), (x, base + 6)], theme.quiet, 1.5)
        label = "0 px" if number == 0 else f"{number * step:+g}"
        canvas.text((x, base + 10), label, _LABEL, theme.quiet, anchor="ma")


def draw_marker(canvas: Canvas, place: tuple[float, float], error: float) -> None:
    """Draw a diamond in its own error: one standard error thick, two thin."""
    theme, (x, y) = canvas.theme, place
    canvas.line([(x - 2 * error, y), (x + 2 * error, y)], theme.ink, 2)
    canvas.line([(x - error, y), (x + error, y)], theme.ink, 7)
    for end in (x - 2 * error, x + 2 * error):
        canvas.line([(end, y - 8), (end, y + 8)], theme.ink, 2)
    size = 12
    canvas.area([(x - size, y), (x, y - size), (x + size, y), (x, y + size)], theme.ink)


def _tick_step(reach: float, most: int = 4) -> float:
    """Distance of ticks, 1, 2 or 5 times a power of ten: at most `most` on either side."""
    power = 10.0 ** math.floor(math.log10(reach / most))
    return next(power * part for part in (1, 2, 5, 10) if power * part * most >= reach)


def draw_run(canvas: Canvas, box: Box, run: FocusRun, limits_px: tuple[float, ...]) -> None:
    """Show the offset against frame or focuser position, with the tolerance as a band."""
    theme = canvas.theme
    places = [point.place for point in run.points]
    reach = max(abs(point.offset_px) + 2 * point.offset_err_px for point in run.points)
    reach = max(1.15 * reach, *(1.5 * limit for limit in limits_px), 1.0)
    low, high = min(places), max(places)
    left, right = box.left + 60, box.right - 30
    centre = (box.top + box.bottom - 34) / 2
    up = (box.bottom - 34 - box.top) / (2 * reach)

    def at(place: float, offset: float) -> tuple[float, float]:
        return left + 20 + (place - low) / (high - low) * (right - left - 40), centre - offset * up

    for limit, colour in _bands(canvas, limits_px):
        canvas.box(left, centre - limit * up, right, centre + limit * up, colour)
    canvas.line([(left, centre), (right, centre)], theme.quiet, 1)
    step = _tick_step(reach, 2)
    for number in (-2, -1, 0, 1, 2):
        y = centre - number * step * up
        if box.top <= y <= box.bottom - 34:
            label = "0" if number == 0 else f"{number * step:+g}"
            canvas.text((left - 8, y), label, _LABEL, theme.quiet, anchor="rm")
    canvas.line([at(point.place, point.offset_px) for point in run.points], theme.outer, 2)
    for point in run.points:
        x, y = at(point.place, point.offset_px)
        reach_y = 2 * point.offset_err_px * up
        canvas.line([(x, y - reach_y), (x, y + reach_y)], theme.ink, 2)
        last = point is run.points[-1]
        canvas.box(x - 5, y - 5, x + 5, y + 5, theme.centre if last else theme.ink)
    for place in sorted(set(places))[:: max(1, len(set(places)) // 12)]:
        x, _ = at(place, 0)
        canvas.text((x, box.bottom - 30), f"{place:g}", _LABEL, theme.quiet, anchor="ma")
