"""Where the spikes may be: every mask, turn and defocus tried on the light around a star."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import compiled, inner
from starwinnow.focus_mask.smoothing import smoothed
from starwinnow.focus_mask.star_window import StarWindow

__all__ = ["Guess", "RingMap", "find_guesses", "folded", "ring_map"]

_RING_PX = 3.0
_LARGEST_RADIUS_PX = 70.0
# Distances of lines from the star's centre, px.
_REACH_PX = 14.0
_STEP_PX = 0.5
_OUTER_DEG = np.arange(12.0, 30.5, 1.0)
_OFFSETS_PX = np.arange(-16.0, 16.25, 0.75)
# One ring of one side counts at most this much: a neighbour star is no spike.
_MOST_SIGMA = 8.0
# A guess weaker than this is what sky and ordinary stars give (found on simulated frames).
LEAST_SCORE = 40.0
# How much less the lean of the outer slits moves the crossing through a three-fold mask: its
# halved sectors' centroids lie 15 degrees from the triple's middle, a quarter's 45.
_THREE_FOLD_LEAN = float(np.tan(np.pi / 12))


@dataclass(frozen=True, slots=True, kw_only=True)
class RingMap:
    """Light on rings about a star, in units of each ring's own scatter.

    Attributes
    ----------
    significance : ndarray of float32, shape (rings, 360)
        Light above the ring's median over its scatter, by degrees from +x towards +y.
    radius_px : ndarray, shape (rings,)
        Radii.
    is_folded : bool
        Whether each third of a ring is the middle of all three, as `folded` makes it.
    """

    significance: NDArray[np.float32]
    radius_px: NDArray[np.float64]
    is_folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """A mask that would explain what is seen, roughly.

    Attributes
    ----------
    centre_deg, outer_deg, offset_px : float
        Direction of the centre spike, angle of the outer pair from it, spike offset.
    crossing_px : float
        Distance of the crossing from the star's centre, towards `centre_deg` + 90.
    score : float
        How well it explains it.
    """

    centre_deg: float
    outer_deg: float
    offset_px: float
    crossing_px: float
    score: float


def ring_map(window: StarWindow, smoothing_px: float, *, faint: bool = False) -> RingMap:
    """Sample the smoothed light on rings outside the core.

    Rings of bright spikes are scaled by those, unless `faint` asks for the bare scatter.
    """
    light = window.light
    known = np.isfinite(light)
    if known.all():
        smooth = smoothed(light, smoothing_px, truncate=3.0)
    else:
        smooth = smoothed(np.where(known, light, 0), smoothing_px, truncate=3.0)
        cover = smoothed(known.astype(np.float32), smoothing_px, truncate=3.0)
        smooth = np.where(cover > 0.3, smooth / np.maximum(cover, 0.3), np.nan)
    farthest = min(_LARGEST_RADIUS_PX, len(light) / 2 - 2)
    radii = np.arange(window.core_px + 1.0, farthest, _RING_PX)
    values = np.empty((len(radii), 360), np.float32)
    _sample_rings(smooth.astype(np.float32), window.x_px, window.y_px, radii, values)
    inside = np.isfinite(values)
    if not inside.all():
        # Rings that the frame's edge cuts: what is missing shows nothing.
        values[np.count_nonzero(inside, axis=1) < 90] = 0
        medians = np.array([np.median(row[np.isfinite(row)]) for row in values])
        values = np.where(np.isfinite(values), values, medians[:, None]).astype(np.float32)
    ranks = np.sort(values, axis=1)
    low, middle, high = ranks[:, 57], ranks[:, 180], ranks[:, 349]
    # On a bright star the sides of the spikes stand out too: they count by their part of the
    # ring's brightest light, or every neighbouring angle would look as good.
    brightest = 0.0 if faint else (high - middle) / _MOST_SIGMA
    least = 0.2 * window.noise_adu / smoothing_px
    scale = np.maximum(np.maximum(middle - low, brightest), max(least, 1e-30))
    values = ((values - middle[:, None]) / scale[:, None]).astype(np.float32)
    return RingMap(significance=values, radius_px=radii)


def folded(rings: RingMap) -> RingMap:
    """Take the middle of each ring's three thirds: what three like triples leave, and no more."""
    thirds = np.median(rings.significance.reshape(-1, 3, 120), axis=1)
    ranks = np.sort(thirds, axis=1)
    # Eighteen spikes leave little dark sky between them.
    dark, level = ranks[:, 8, None], ranks[:, 30, None]
    brightest = (ranks[:, 116, None] - level) / _MOST_SIGMA
    scale = np.maximum(np.maximum(level - dark, brightest), 1e-6)
    significance = np.tile((thirds - level) / scale, 3).astype(np.float32)
    return RingMap(significance=significance, radius_px=rings.radius_px, is_folded=True)


def find_guesses(rings: RingMap, most: int) -> list[Guess]:
    """Best guesses, each different from the others and better than chance, best first."""
    distances = np.arange(-_REACH_PX, _REACH_PX + _STEP_PX / 2, _STEP_PX)
    sides = np.zeros((180, len(distances)), np.float32)
    _line_evidence(rings.significance, rings.radius_px, distances, sides)
    turns, lean_part = (60, _THREE_FOLD_LEAN) if rings.is_folded else (180, 1.0)
    scores = np.zeros((turns, len(_OUTER_DEG), len(_OFFSETS_PX), 2), np.float32)
    _try_masks(sides, _OUTER_DEG, _OFFSETS_PX, lean_part, LEAST_SCORE, scores)
    guesses: list[Guess] = []
    for _ in range(most):
        place = int(scores.argmax())
        turn, outer, shift, lean = np.unravel_index(place, scores.shape)
        best = float(scores.flat[place])
        if best < LEAST_SCORE:
            break
        tangent = lean_part * np.tan(np.radians(_OUTER_DEG[outer])) * (1 if lean == 0 else -1)
        guesses.append(
            Guess(
                centre_deg=float(turn),
                outer_deg=float(_OUTER_DEG[outer]),
                offset_px=float(_OFFSETS_PX[shift]),
                crossing_px=float(-_OFFSETS_PX[shift] * (1 + tangent) / (2 + tangent)),
                score=best,
            )
        )
        near = np.arange(turn - 3, turn + 4) % turns
        # Turning past the last degree swaps the sign; blanking both costs no other guess.
        low, high = max(shift - 2, 0), shift + 3
        scores[near, max(outer - 3, 0) : outer + 4, low:high] = 0
    return guesses


_COSINES, _SINES = np.cos(np.radians(np.arange(360))), np.sin(np.radians(np.arange(360)))


@compiled
def _sample_rings(smooth, x0, y0, radii, values):
    ny, nx = smooth.shape
    for k in range(len(radii)):
        for a in range(360):
            total, count = np.float32(0), 0
            for half in (-0.75, 0.75):
                r = radii[k] + half
                x = x0 + r * _COSINES[a]
                y = y0 + r * _SINES[a]
                i, j = int(np.floor(x)), int(np.floor(y))
                if 0 <= i < nx - 1 and 0 <= j < ny - 1:
                    u, v = np.float32(x - i), np.float32(y - j)
                    top = smooth[j, i] + u * (smooth[j, i + 1] - smooth[j, i])
                    low = smooth[j + 1, i] + u * (smooth[j + 1, i + 1] - smooth[j + 1, i])
                    total += top + v * (low - top)
                    count += 1
            values[k, a] = total / np.float32(count) if count > 0 else np.nan


@compiled
def _line_evidence(significance, radii, distances, sides):
    """Evidence for a line at each direction and distance: that of its weaker side."""
    evidence = np.empty((len(radii), 360), np.float32)
    for k in range(len(radii)):
        for a in range(360):
            z = min(max(significance[k, a] - np.float32(0.5), np.float32(0)), _MOST_SIGMA)
            evidence[k, a] = z * z
    first, second = np.empty(180, np.float32), np.empty(180, np.float32)
    for i in range(len(distances)):
        first[:] = 0
        second[:] = 0
        for k in range(len(radii)):
            if abs(distances[i]) >= 0.8 * radii[k]:
                continue
            # A line at this distance meets the ring so many degrees off its direction.
            lift = np.arcsin(distances[i] / radii[k]) * 180 / np.pi
            whole = int(np.floor(lift))
            mix = np.float32(lift - whole)
            ring = evidence[k]
            for turn in range(180):
                a = (turn + whole) % 360
                b = (turn + 180 - whole) % 360
                first[turn] += ring[a] + mix * (ring[(a + 1) % 360] - ring[a])
                second[turn] += ring[b] + mix * (ring[(b - 1) % 360] - ring[b])
        for turn in range(180):
            sides[turn, i] = min(first[turn], second[turn])


@compiled
def _try_masks(sides, outer_deg, offsets, lean_part, least, scores):
    """Score of each turn, outer angle, offset and lean: harmonic mean of the lines' evidence."""
    for turn in range(len(scores)):
        for p in range(len(outer_deg)):
            phi = outer_deg[p] * np.pi / 180
            a, b = turn + outer_deg[p], turn - outer_deg[p]
            for lean in range(2):
                t = lean_part * np.tan(phi) * (1 if lean == 0 else -1)
                for q in range(len(offsets)):
                    middle = _evidence_at(sides, turn, offsets[q] / (2 + t))
                    if middle < least / 3:
                        continue
                    outer = -offsets[q] * (1 + t) / (2 + t) * np.cos(phi)
                    one = _evidence_at(sides, a, outer)
                    other = _evidence_at(sides, b, outer)
                    if one > least / 3 and other > least / 3:
                        scores[turn, p, q, lean] = 3 / (1 / middle + 1 / one + 1 / other)


@inner
def _evidence_at(sides, turn, distance):
    """Evidence at a whole degree, distances interpolated; past 180 degrees the sign changes."""
    whole = int(np.floor(turn + 0.5))
    if whole >= 180:
        whole -= 180
        distance = -distance
    elif whole < 0:
        whole += 180
        distance = -distance
    place = (distance + _REACH_PX) / _STEP_PX
    low = int(np.floor(place))
    if low < 0 or low >= sides.shape[1] - 1:
        return 0.0
    mix = place - low
    return (1 - mix) * sides[whole, low] + mix * sides[whole, low + 1]
