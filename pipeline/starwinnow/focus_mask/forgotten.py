"""Whether a light frame was taken through the focus mask, told by its own stars."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.compiled import compiled
from starwinnow.focus_mask.spike_search import RingMap, ring_map
from starwinnow.focus_mask.stacked_stars import StackedStars, light_in, stack_stars
from starwinnow.frame import Pixels
from starwinnow.quantile import quantile
from starwinnow.sources import Sources

__all__ = ["Pattern", "best_pattern", "is_mask_on"]

# The light is smoothed about as wide as the stars themselves, which shows faint spikes best.
_SMOOTHING_PER_FWHM = 0.42
_SMOOTHING_PX = (1.0, 3.0)
_FINE_PX = 0.6
_FEW = 20
# Distances of the first diffraction order, each a quarter further than the one before, and how
# far its colours spread to either side.
_ORDERS_PX = 8.0 * 1.25 ** np.arange(9)
_SPREAD = 0.25
_OUTER_DEG = np.arange(12, 31, 2)
# Half of the spike offset: the mask was left on after focusing with it.
_HALF_OFFSETS_PX = np.arange(-2.4, 2.5, 0.8)
# Found on simulated frames: chance and ordinary stars stay below, masked frames lie above.
_LEAST_SIGNIFICANCE = 7.0
_LEAST_HALF_SPIKE = 1.5
_LEAST_PART = 0.3
# A single broad spike falls off so that halfway to the outer ones it is the geometric mean.
_LARGEST_GAP = 0.85
_CENTRE_OVER_OUTER = (0.8, 5.0)
# A mask's first orders hold 0.8 of the core's light, the half of it in the template; what holds
# more is no star's, but a comet's head and tail or a nebula.
_LEAST_LIGHT, _MOST_LIGHT = 0.2, 0.8
# A star tells when what it should show is this many sigma; and so many such stars must be there,
# most of them showing it.
_TELLING_SIGMA = 1.2
_FEWEST_TELLING = 5
_LEAST_SHARE = 0.6
_BEYOND_DOUBT = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """Six half spikes of one diffraction order.

    Attributes
    ----------
    centre_deg, outer_deg, order_px : float
        Direction of the centre spike, angle of the outer pair from it, place of the order.
    half_offset_px : float
        Distance of the centre spike from the star's centre.
    significance : float
        Of all six together, sigma.
    halves : ndarray, shape (6,)
        Of each: centre spike, then the outer ones; two sides each.
    gaps : ndarray, shape (4,)
        Halfway between centre and outer spikes, on the same scale.
    """

    centre_deg: float
    outer_deg: float
    order_px: float
    half_offset_px: float
    significance: float
    halves: NDArray[np.float64]
    gaps: NDArray[np.float64]


def is_mask_on(pixels: Pixels, background: Background, sources: Sources) -> bool:
    """Whether the frame's stars, added up, show a mask's spikes.

    A search over turns, angles, offsets and places of the first diffraction order finds the
    pattern that explains the light around the average star best; it must have all of a mask's
    marks. Cost: adding up to 40 stars, whatever the frame's size.
    """
    stacked = stack_stars(pixels, background, sources)
    if stacked is None or stacked.window.core_light <= 0:
        return False
    narrowest_px, widest_px = _SMOOTHING_PX
    width_px = _SMOOTHING_PER_FWHM * quantile(sources.size_px[:_FEW])
    width_px = min(max(width_px, narrowest_px), widest_px)
    pattern = best_pattern(ring_map(stacked.window, width_px, faint=True))
    if pattern is None or pattern.significance < _LEAST_SIGNIFICANCE:
        return False
    if not _is_mask(pattern):
        # Bright spikes close together are told apart when smoothed less.
        pattern = best_pattern(ring_map(stacked.window, _FINE_PX, faint=True))
        if pattern is None or not _is_mask(pattern):
            return False
    return _is_shared(pattern, stacked, pixels, background, width_px)


def _is_shared(
    pattern: Pattern,
    stars: StackedStars,
    pixels: Pixels,
    background: Background,
    width_px: float,
) -> bool:
    """Whether most stars have the pattern, and not a few by their neighbours.

    Asked of the stars bright enough to tell; where they are too few, the pattern itself
    must be beyond doubt.
    """
    template = _template(pattern, len(stars.window.light), width_px)
    light = stars.window.light
    part = float(np.vdot(template, np.where(np.isnan(light), np.float32(0), light)))
    if not _LEAST_LIGHT < part < _MOST_LIGHT:
        return False
    noise_adu = background.noise_adu * float(np.sqrt(np.sum(template**2)))
    expected_adu = part * stars.light_adu
    telling = expected_adu > _TELLING_SIGMA * noise_adu
    found = light_in(template, pixels, stars)[telling] / expected_adu[telling]
    found = found[np.isfinite(found)]
    if len(found) < _FEWEST_TELLING:
        return pattern.significance > _BEYOND_DOUBT and pattern.halves.min() > _BEYOND_DOUBT / 5
    return bool(np.mean(found > 0.4) > _LEAST_SHARE)


def _template(pattern: Pattern, side: int, width_px: float) -> NDArray[np.float32]:
    """Plus one on the half spikes, evenly below zero beside them; its sum is zero."""
    band, x, y = _band_of(pattern.order_px, side)
    nearest = np.full(len(x), np.inf)
    for lean, distance in ((0, 1), (pattern.outer_deg, -1), (-pattern.outer_deg, -1)):
        turn = np.radians(pattern.centre_deg + lean)
        away = y * np.cos(turn) - x * np.sin(turn) - distance * pattern.half_offset_px
        nearest = np.minimum(nearest, np.abs(away))
    on, beside = nearest < 1.2 * width_px, nearest > 3 * width_px
    template = np.zeros(side * side, np.float32)
    beside_value = -float(np.sum(on)) / max(float(np.sum(beside)), 1.0)
    template[band] = np.where(on, 1.0, np.where(beside, beside_value, 0.0))
    return template.reshape(side, side)


@lru_cache(maxsize=len(_ORDERS_PX))
def _band_of(order_px: float, side: int) -> tuple[NDArray[np.intp], ...]:
    """Pixels of a flat square in the band of an order, and their x and y from its middle."""
    axis = np.arange(side) - side // 2
    radius = np.sqrt(axis * axis + (axis * axis)[:, np.newaxis])
    band = np.flatnonzero(np.abs(radius / order_px - 1) < _SPREAD)
    rows, columns = np.divmod(band, side)
    return band, columns - side // 2, rows - side // 2


def _is_mask(pattern: Pattern) -> bool:
    """All half spikes there and alike, the centre spike not weaker, dark between them."""
    # Plain numbers: so few of them in numpy's arrays take ten times as long.
    halves = pattern.halves.tolist()
    centre, outer = sum(halves[:2]) / 2, sum(halves[2:]) / 4
    low, high = _CENTRE_OVER_OUTER
    return bool(
        pattern.significance > _LEAST_SIGNIFICANCE
        and min(halves) > _LEAST_HALF_SPIKE
        and min(halves[:2]) > _LEAST_PART * centre
        and min(halves[2:]) > _LEAST_PART * outer
        and low * outer < centre < high * outer
        and sum(pattern.gaps.tolist()) / 4 < _LARGEST_GAP * math.sqrt(centre * outer)
    )


def best_pattern(rings: RingMap) -> Pattern | None:
    """Most significant pattern; None where the map is too small for any."""
    bands = _bands(rings.radius_px.tobytes())
    known = [k for k, band in enumerate(bands) if len(band) > 0]
    if not known:
        return None
    sums = np.zeros((len(known), len(_HALF_OFFSETS_PX), 360), np.float32)
    for row, k in enumerate(known):
        _add_band(
            rings.significance[bands[k]], rings.radius_px[bands[k]], _HALF_OFFSETS_PX, sums[row]
        )
    best = np.zeros(4, np.int64)
    significance = _search(sums, _OUTER_DEG, best)
    band, shift, turn, outer = (int(value) for value in best)
    phi = int(_OUTER_DEG[outer])
    here, mirror = sums[band, shift], sums[band, len(_HALF_OFFSETS_PX) - 1 - shift]
    back = turn + 180
    halves = [here[turn], mirror[back]]
    for leg in (turn + phi, turn - phi):
        # Centre and outer lines lie on opposite sides of the star's centre.
        halves += [mirror[leg % 360], here[(leg + 180) % 360]]
    straight = sums[band, len(_HALF_OFFSETS_PX) // 2]
    gaps = [straight[(way + lean) % 360] for way in (turn, back) for lean in (phi // 2, -phi // 2)]
    return Pattern(
        centre_deg=float(turn),
        outer_deg=float(phi),
        order_px=float(_ORDERS_PX[known[band]]),
        half_offset_px=float(_HALF_OFFSETS_PX[shift]),
        significance=float(significance),
        halves=np.array(halves),
        gaps=np.array(gaps),
    )


@lru_cache(maxsize=16)
def _bands(radii: bytes) -> tuple[NDArray[np.intp], ...]:
    """Rings near each first order, of float64 radii given as bytes: the same for most frames."""
    radius_px = np.frombuffer(radii, np.float64)
    return tuple(np.flatnonzero(np.abs(radius_px / order - 1) < _SPREAD) for order in _ORDERS_PX)


@compiled
def _add_band(significance, radii, distances, sums):
    """Sum rings along lines that pass the centre at each distance, one direction each degree."""
    scale = np.float32(1 / np.sqrt(len(radii)))
    # Twice round, so that no angle has to be brought back into the circle.
    twice = np.empty(721, np.float32)
    for k in range(len(radii)):
        for a in range(360):
            twice[a] = twice[360 + a] = significance[k, a]
        twice[720] = 0
        for i in range(len(distances)):
            lift = np.arcsin(distances[i] / radii[k]) * 180 / np.pi
            whole = int(np.floor(lift))
            mix, start = np.float32(lift - whole), whole % 360
            low, high, row = twice[start:], twice[start + 1 :], sums[i]
            for a in range(360):
                row[a] += scale * (low[a] + mix * (high[a] - low[a]))


@compiled
def _search(sums, outer_deg, best):
    """Highest sum of six half spikes, the centre's counted twice; the weaker of alikes counts."""
    bands, shifts, _ = sums.shape
    highest = np.float32(-1)
    # Weights 2, 2, 1, 1, 1, 1.
    scale = np.float32(4 / np.sqrt(12.0))
    # Twice round, so that no angle has to be brought back into the circle.
    here, mirrored = np.empty(720, np.float32), np.empty(720, np.float32)
    for b in range(bands):
        for i in range(shifts):
            for a in range(360):
                here[a] = here[360 + a] = sums[b, i, a]
                mirrored[a] = mirrored[360 + a] = sums[b, shifts - 1 - i, a]
            for turn in range(180):
                centre = min(here[turn], mirrored[turn + 180])
                if centre <= 1:
                    continue
                for p in range(len(outer_deg)):
                    phi = outer_deg[p]
                    near = min(mirrored[turn + phi], mirrored[turn + 360 - phi])
                    far = min(here[turn + 180 + phi], here[turn + 180 - phi])
                    legs = min(near, far)
                    # A line alone makes no mask: the centre counts up to what fits the legs.
                    fitting = np.float32(3) * max(legs, np.float32(0)) + np.float32(2)
                    total = scale * (min(centre, fitting) + legs)
                    if total > highest:
                        highest = total
                        best[0], best[1], best[2], best[3] = b, i, turn, p
    return highest
