"""Images doubled by a jolt: every star has the same companion, which is no other star."""

import dataclasses

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from starwinnow.sources import Sources

__all__ = ["without_companions"]

_BRIGHTEST = 60
_SEPARATION_PX = (2.0, 12.0)
_AGREEMENT_PX = 1.0
# A companion of at least this part of a star's light would be seen beside a star this bright.
_LEAST_PART = 0.15
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
    tree = cKDTree(places)
    owner, offsets = _fainter_neighbours(sources, places, tree, bright)
    if len(offsets) == 0:
        return sources
    agreeing = cKDTree(offsets).query_ball_point(offsets, _AGREEMENT_PX)
    counts = [len(set(owner[group])) for group in agreeing]
    best = int(np.argmax(counts))
    # A companion's own companions are not asked for: the bright halves count.
    if counts[best] < max(_LEAST_COUNT, _SHARE * len(bright) / 2):
        return sources
    vector = np.median(offsets[agreeing[best]], axis=0)
    second = _seconds(sources, places, tree, vector)
    with_second = sum(1 for k in bright if not second[k])
    if counts[best] < max(_LEAST_COUNT, _SHARE * with_second):
        return sources
    columns = {
        field.name: getattr(sources, field.name)[~second] for field in dataclasses.fields(sources)
    }
    return Sources(**columns)


def _fainter_neighbours(
    sources: Sources,
    places: NDArray[np.float64],
    tree: cKDTree,
    bright: NDArray[np.intp],
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Offsets (m, 2) from bright stars to fainter neighbours, and the stars' indices (m,)."""
    owner, offsets = [], []
    for k in bright:
        for j in tree.query_ball_point(places[k], _SEPARATION_PX[1]):
            part = sources.significance[j] / sources.significance[k]
            offset = places[j] - places[k]
            if j != k and _LEAST_PART <= part <= 1.05 and np.hypot(*offset) >= _SEPARATION_PX[0]:
                owner.append(k)
                offsets.append(offset)
    return np.array(owner, np.intp), np.array(offsets).reshape(-1, 2)


def _seconds(
    sources: Sources, places: NDArray[np.float64], tree: cKDTree, vector: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which sources lie at the common offset from a brighter one, shape (n,)."""
    second = np.zeros(len(sources), bool)
    for k in range(len(sources)):
        if second[k]:
            continue
        for j in tree.query_ball_point(places[k] + vector, 1.5 * _AGREEMENT_PX):
            if j != k and sources.significance[j] <= 1.05 * sources.significance[k]:
                second[j] = True
    return second
