"""Measures without their arrays, which come from the store when they are asked for.

Stars and pictures are nine tenths of what was measured of a frame, and each step of the scoring
looks at those of one frame after another: a night of any length needs few of them at a time.
"""

from collections.abc import Callable
from dataclasses import fields
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures
from starwinnow.stars import Stars
from starwinnow.store import NightStore
from starwinnow.stored_measures import ARRAYS

__all__ = ["Outliner"]

# Of the frame looked at, of those that others are laid on, and of the ordinary ones of a run.
_ARRAYS_AT_HAND = 96

Fetch = Callable[[str, str], Any]


class Outliner:
    """Makes outlines of measures that are in a store.

    Parameters
    ----------
    store : NightStore
        Must stay open, and in the calling thread, for as long as the outlines are used.
    """

    def __init__(self, store: NightStore) -> None:
        self._fetch = lru_cache(_ARRAYS_AT_HAND)(store.array)

    def outline(self, measures: FrameMeasures) -> FrameMeasures:
        """Give measures whose arrays are those of the store."""
        return _Outline(measures, self._fetch)


class _Outline(FrameMeasures):
    __slots__ = ("_fetch",)
    _fetch: Fetch

    def __init__(self, measures: FrameMeasures, fetch: Fetch) -> None:
        for name in _FIGURES:
            object.__setattr__(self, name, getattr(measures, name))
        object.__setattr__(self, "_fetch", fetch)

    @property
    def stars(self) -> Stars:
        found: Stars = self._fetch(self.file_name, "stars")
        return found

    @property
    def average_star(self) -> NDArray[np.float32]:
        found: NDArray[np.float32] = self._fetch(self.file_name, "average_star")
        return found

    @property
    def average_star_err(self) -> NDArray[np.float32]:
        found: NDArray[np.float32] = self._fetch(self.file_name, "average_star_err")
        return found

    @property
    def thumbnail(self) -> NDArray[np.uint8]:
        found: NDArray[np.uint8] = self._fetch(self.file_name, "thumbnail")
        return found


_FIGURES = tuple(field.name for field in fields(FrameMeasures) if field.name not in ARRAYS)
