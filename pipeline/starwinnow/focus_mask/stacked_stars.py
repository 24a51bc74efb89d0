"""Many stars' surroundings added up: what they share shows, what is each one's own does not."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background, level_at
from starwinnow.compiled import compiled
from starwinnow.focus_mask.star_window import StarWindow
from starwinnow.frame import Pixels
from starwinnow.sources import Sources

__all__ = ["StackedStars", "light_in", "stack_stars"]

_HALF_PX = 58
_MOST_STARS = 32
_CORE_PX = 5.0
# Light of a star is added up within this radius.
_LIGHT_RADIUS_PX = 4
# A neighbour with more than this part of a star's light is no spike of its own: the brightest
# half spike holds a fifth of the core's light. Stars less significant than the second limit
# have no spikes that would be found as objects, so all their neighbours are strangers.
_NEIGHBOUR_PART = 0.35
_SPIKED_SIGNIFICANCE = 60.0
_NEIGHBOUR_RADIUS_PX = 9.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StackedStars:
    """Average surroundings and the stars they are made of, brightest first.

    Attributes
    ----------
    window : StarWindow
        The average; its core holds unit light.
    x_px, y_px : ndarray of int, shape (n,)
        Pixels the stars were centred on.
    light_adu : ndarray of float32, shape (n,)
        Light of their cores.
    """

    window: StarWindow
    x_px: NDArray[np.int64]
    y_px: NDArray[np.int64]
    light_adu: NDArray[np.float32]


def stack_stars(pixels: Pixels, background: Background, sources: Sources) -> StackedStars | None:
    """Average surroundings of a frame's brightest stars, each weighted by its light.

    With images I of stars of light f the best estimate of what they share is
    sum(f I) / sum(f^2).

    Returns
    -------
    StackedStars or None
        None where there is no star.
    """
    if len(sources) == 0 or not background.noise_adu > 0:
        return None
    # Bright enough to matter as neighbours, more than are stacked.
    near = slice(0, 8 * _MOST_STARS)
    x = np.rint(sources.x_px[near]).astype(np.int64)
    y = np.rint(sources.y_px[near]).astype(np.int64)
    light = np.zeros(len(x), np.float32)
    mesh, cells = background.mesh_adu, background.cells_per_px
    _core_lights(pixels, mesh, cells[0], cells[1], x, y, light)
    order = np.argsort(-light, kind="stable")[:_MOST_STARS]
    order = order[light[order] > 0]
    if len(order) == 0:
        return None
    side = 2 * _HALF_PX + 1
    total, weight = np.zeros((side, side), np.float32), np.zeros((side, side), np.float32)
    part = np.where(sources.significance[near] > _SPIKED_SIGNIFICANCE, _NEIGHBOUR_PART, 0.0)
    limit = (part * light).astype(np.float32)
    _add_stars(pixels, mesh, cells[0], cells[1], x, y, light, limit, order, total, weight)
    strength = float(np.sum(light[order].astype(float) ** 2))
    usable = weight > 0.2 * strength
    stacked = np.where(usable, total / np.where(usable, weight, 1), np.nan).astype(np.float32)
    window = StarWindow(
        light=stacked, x_px=float(_HALF_PX), y_px=float(_HALF_PX), left=0, top=0, shift_px=0.0,
        core_px=_CORE_PX, noise_adu=background.noise_adu / strength**0.5, pixels_per_sample=1.0,
        core_light=_light_of(stacked), saturated_px=0,
    )  # fmt: skip
    return StackedStars(window=window, x_px=x[order], y_px=y[order], light_adu=light[order])


def light_in(
    template: NDArray[np.float32], pixels: Pixels, stars: StackedStars
) -> NDArray[np.float32]:
    """Sum of each star's surroundings times a template of the window's shape.

    The template's sum is zero, so that the level of the sky plays no part. NaN where the
    surroundings are not complete.
    """
    sums = np.empty(len(stars.x_px), np.float32)
    _sum_templates(pixels, template, stars.x_px, stars.y_px, sums)
    return sums


def _light_of(stacked: NDArray[np.float32]) -> float:
    core = stacked[_HALF_PX - 8 : _HALF_PX + 9, _HALF_PX - 8 : _HALF_PX + 9]
    square = np.arange(-8, 9) ** 2
    return float(np.nansum(core[square + square[:, np.newaxis] < 64]))


@compiled
def _core_lights(pixels, mesh, cells_per_y, cells_per_x, x, y, light):
    ny, nx = pixels.shape
    for k in range(len(x)):
        level = np.float32(level_at(mesh, cells_per_y, cells_per_x, float(y[k]), float(x[k])))
        total = np.float32(0)
        for j in range(max(y[k] - _LIGHT_RADIUS_PX, 0), min(y[k] + _LIGHT_RADIUS_PX + 1, ny)):
            for i in range(max(x[k] - _LIGHT_RADIUS_PX, 0), min(x[k] + _LIGHT_RADIUS_PX + 1, nx)):
                value = np.float32(pixels[j, i]) - level
                if not np.isnan(value):
                    total += value
        light[k] = total


@compiled
def _add_stars(pixels, mesh, cells_per_y, cells_per_x, x, y, light, limit, order, total, weight):
    ny, nx = pixels.shape
    half = total.shape[0] // 2
    reach = np.float32(_NEIGHBOUR_RADIUS_PX)
    neighbours = np.empty(len(x), np.int64)
    shown = np.empty(total.shape[1], np.float32)
    for k in order:
        f = light[k]
        level = np.float32(level_at(mesh, cells_per_y, cells_per_x, float(y[k]), float(x[k])))
        count = 0
        for m in range(len(x)):
            near = abs(x[m] - x[k]) < half + 14 and abs(y[m] - y[k]) < half + 14
            # An object inside the core is the same star.
            apart_x, apart_y = abs(x[m] - x[k]), abs(y[m] - y[k])
            if near and light[m] > limit[k] and max(apart_x, apart_y) > _LIGHT_RADIUS_PX:
                neighbours[count] = m
                count += 1
        first, last = max(x[k] - half, 0), min(x[k] + half + 1, nx)
        here = slice(first + half - x[k], last + half - x[k])
        for j in range(max(y[k] - half, 0), min(y[k] + half + 1, ny)):
            for i in range(len(shown)):
                shown[i] = f
            for n in range(count):
                m = neighbours[n]
                apart = np.float32(y[m] - j)
                if abs(apart) < reach:
                    width = int(np.sqrt(reach * reach - apart * apart))
                    begin, end = max(x[m] - width - first, 0), x[m] + width + 1 - first
                    for i in range(begin, min(end, len(shown))):
                        shown[i] = 0
            row = pixels[j, first:last]
            sums, weights = total[j - y[k] + half, here], weight[j - y[k] + half, here]
            # No branch inside: the loop then uses vector instructions.
            for i in range(len(row)):
                value = np.float32(row[i]) - level
                gone = np.isnan(value)
                part = np.float32(0) if gone else shown[i]
                sums[i] += part * (np.float32(0) if gone else value)
                weights[i] += part * f


@compiled
def _sum_templates(pixels, template, x, y, sums):
    ny, nx = pixels.shape
    half = template.shape[0] // 2
    for k in range(len(x)):
        if x[k] < half or y[k] < half or x[k] >= nx - half or y[k] >= ny - half:
            sums[k] = np.nan
            continue
        total = np.float32(0)
        for j in range(template.shape[0]):
            row, weights = pixels[y[k] - half + j, x[k] - half : x[k] + half + 1], template[j]
            for i in range(len(weights)):
                total += weights[i] * np.float32(row[i])
        sums[k] = total
