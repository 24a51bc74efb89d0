"""Images doubled by a jolt: every star has the same companion, which is no other star."""

import dataclasses

import numpy as np
from numpy.typing import NDArray

from starwinnow.sources import Sources

__all__ = ["without_companions"]

_BRIGHTEST = 60
_SEPARATION_PX = (2.0, 12.0)
_AGREEMENT_PX = 1.0
# A companion of at least this part of a star's light would be seen beside a star this bright.
_LEAST_PART, _NOT_BRIGHTER = 0.15, 1.05
_SIGNIFICANCE = 40.0
# In a field of 2,000 stars a megapixel half a per cent of the stars have a chance companion at
# one given offset; half of them, and at least five, do not.
_SHARE, _LEAST_COUNT = 0.5, 5


def without_companions(sources: Sources) -> Sources:
    """Drop the second images of a doubled frame.

    Parameters
    ----------
    sources : Sources

    Returns
    -------
    Sources
        The same where it is not so that most bright stars have a fainter companion at one
        common offset.
    """
    bright = np.flatnonzero((sources.flags == 0) & (sources.significance >= _SIGNIFICANCE))
    bright = bright[:_BRIGHTEST]
    if len(bright) < _LEAST_COUNT:
        return sources
    places = np.stack([sources.x_px, sources.y_px], axis=1)
    vector, count = _common_offset(sources, places, bright)
    if count < _LEAST_COUNT:
        return sources
    second = _seconds(sources, places, vector)
    # Second images have no companions of their own.
    first = int(np.count_nonzero(~second[bright]))
    if count < _SHARE * first:
        return sources
    columns = {
        field.name: getattr(sources, field.name)[~second] for field in dataclasses.fields(sources)
    }
    return Sources(**columns)


def _common_offset(
    sources: Sources, places: NDArray[np.float64], bright: NDArray[np.intp]
) -> tuple[NDArray[np.float64], int]:
    """Offset (2,) to a fainter neighbour that most bright stars share, and how many do."""
    offsets = places[np.newaxis] - places[bright][:, np.newaxis]
    distance = np.hypot(offsets[..., 0], offsets[..., 1])
    part = sources.significance[np.newaxis] / sources.significance[bright][:, np.newaxis]
    near = (distance >= _SEPARATION_PX[0]) & (distance <= _SEPARATION_PX[1])
    owner, neighbour = np.nonzero(near & (part >= _LEAST_PART) & (part <= _NOT_BRIGHTER))
    if len(owner) == 0:
        return np.zeros(2), 0
    found = offsets[owner, neighbour]
    apart = found[:, np.newaxis] - found[np.newaxis]
    agree = np.hypot(apart[..., 0], apart[..., 1]) <= _AGREEMENT_PX
    owned = np.eye(len(bright))[owner]
    counts = np.count_nonzero(agree @ owned, axis=1)
    best = int(np.argmax(counts))
    return np.median(found[agree[best]], axis=0), int(counts[best])


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
