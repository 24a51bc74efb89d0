"""Images doubled by a jolt: every star has the same companion, which is no other star."""

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import StarFlag, raise_flag
from starwinnow.quantile import quantile
from starwinnow.sources import Sources
from starwinnow.stars import Stars

__all__ = ["Doubling", "find_doubling", "measure_doubling", "without_seconds"]

_BRIGHTEST = 60
_SEPARATION_PX = (2.0, 20.0)
_AGREEMENT_PX = 1.0
# A companion of at least this part of a star's light would be seen beside a star this bright.
_LEAST_PART, _SIGNIFICANCE = 0.15, 40.0
# Images nearer than this part of the rough size run together and are fitted as one wide star.
_APART_PER_SIZE = 1.5
# Of two equal images noise makes either the brighter one, by no more than this.
_NOT_BRIGHTER = 1.5
# In a field of 2,000 stars a megapixel half a per cent of the stars have a chance companion at
# one given offset; half of them, and at least five, do not.
_SHARE, _LEAST_COUNT = 0.5, 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubling:
    """Where the second image of each star lies from the first, and how bright it is.

    Attributes
    ----------
    x_px, y_px : float
        Offset of the second image, px.
    part : float
        Its light over that of the first image.
    """

    x_px: float
    y_px: float
    part: float


def find_doubling(sources: Sources) -> tuple[Sources, NDArray[np.float64] | None]:
    """Find the second images of a doubled frame.

    Parameters
    ----------
    sources : Sources

    Returns
    -------
    sources : Sources
        With second images flagged; the same where it is not so that most bright stars have a
        fainter companion at one common offset that parts the two.
    vector : ndarray of float64, shape (2,), or None
        (x, y) offset of the second images from the first, px; None where there are none.
    """
    bright = np.flatnonzero((sources.flags == 0) & (sources.significance >= _SIGNIFICANCE))
    bright = bright[:_BRIGHTEST]
    if len(bright) < _LEAST_COUNT:
        return sources, None
    places = np.stack([sources.x_px, sources.y_px], axis=1)
    vector, count = _common_offset(sources, places, bright)
    if count < _LEAST_COUNT:
        return sources, None
    if np.hypot(*vector) < _APART_PER_SIZE * quantile(sources.size_px[bright]):
        return sources, None
    second = _seconds(sources, places, vector)
    # Second images have no companions of their own.
    first = int(np.count_nonzero(~second[bright]))
    if count < _SHARE * first:
        return sources, None
    flags = sources.flags.copy()
    raise_flag(flags, second, StarFlag.SECOND_IMAGE)
    return dataclasses.replace(sources, flags=flags), vector


def without_seconds(sources: Sources) -> Sources:
    """Leave out the second images."""
    kept = sources.flags & StarFlag.SECOND_IMAGE == 0
    columns = {
        field.name: getattr(sources, field.name)[kept] for field in dataclasses.fields(sources)
    }
    return Sources(**columns)


def measure_doubling(stars: Stars, vector: NDArray[np.float64]) -> Doubling | None:
    """How bright the second images are, and where exactly they lie.

    Parameters
    ----------
    stars : Stars
        Both images fitted apart, the second ones flagged.
    vector : ndarray of float64, shape (2,)
        Offset of the second images from the first, px, as `find_doubling` gives it.

    Returns
    -------
    Doubling or None
        None where no star and its second image were both fitted.
    """
    places = np.stack([stars.x_px, stars.y_px], axis=1)
    lit = np.isfinite(stars.flux_adu) & (stars.flux_adu > 0)
    second = np.flatnonzero(lit & (stars.flags & StarFlag.SECOND_IMAGE != 0))
    first = np.flatnonzero(lit & (stars.flags == 0))
    if len(second) == 0 or len(first) == 0:
        return None
    offsets = places[second][np.newaxis] - places[first][:, np.newaxis]
    apart = np.hypot(*np.moveaxis(offsets - vector, -1, 0))
    nearest = np.argmin(apart, axis=1)
    rows = np.arange(len(first))
    paired = apart[rows, nearest] <= 1.5 * _AGREEMENT_PX
    if not paired.any():
        return None
    one, other = stars.flux_adu[first[paired]], stars.flux_adu[second[nearest[paired]]]
    x_px, y_px = np.median(offsets[rows, nearest][paired], axis=0)
    return Doubling(x_px=float(x_px), y_px=float(y_px), part=float(one @ other / (one @ one)))


def _common_offset(
    sources: Sources, places: NDArray[np.float64], bright: NDArray[np.intp]
) -> tuple[NDArray[np.float64], int]:
    """Offset (2,) to a fainter neighbour that most bright stars share, and how many do.

    Of two equal images noise makes either the fainter: opposite offsets count as one, and the
    side on which more of the fainter ones lie is given.
    """
    away = sources.x_px - sources.x_px[bright, np.newaxis]
    # Few lie so near in x that it is worth looking at y.
    owner, neighbour = np.divmod(np.flatnonzero(np.abs(away) <= _SEPARATION_PX[1]), len(sources))
    dx, dy = (places[neighbour] - places[bright[owner]]).T
    distance2 = dx * dx + dy * dy
    near = (distance2 >= _SEPARATION_PX[0] ** 2) & (distance2 <= _SEPARATION_PX[1] ** 2)
    owner, neighbour = owner[near], neighbour[near]
    part = sources.significance[neighbour] / sources.significance[bright[owner]]
    fainter = (part >= _LEAST_PART) & (part <= 1.0)
    owner, neighbour = owner[fainter], neighbour[fainter]
    # First images are at least half of the bright ones.
    if len(set(owner.tolist())) < 0.5 * _SHARE * len(bright):
        return np.zeros(2), 0
    found = places[neighbour] - places[bright[owner]]
    alike, opposed = (
        np.hypot(*np.moveaxis(found[:, np.newaxis] - sign * found[np.newaxis], -1, 0))
        <= _AGREEMENT_PX
        for sign in (1, -1)
    )
    owned = np.eye(len(bright))[owner]
    counts = np.count_nonzero((alike | opposed) @ owned, axis=1)
    # Rows of opposite offsets count the same; the fuller side is taken.
    best = int(np.lexsort((np.count_nonzero(alike, axis=1), counts))[-1])
    return np.median(found[alike[best]], axis=0), int(counts[best])


def _seconds(
    sources: Sources, places: NDArray[np.float64], vector: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which sources lie at the common offset from a brighter one, shape (n,)."""
    second = np.zeros(len(sources), bool)
    for k in range(len(sources)):
        if second[k]:
            continue
        off = places - places[k] - vector
        there = np.hypot(off[:, 0], off[:, 1]) <= 1.5 * _AGREEMENT_PX
        second |= there & (sources.significance <= _NOT_BRIGHTER * sources.significance[k])
    return second
