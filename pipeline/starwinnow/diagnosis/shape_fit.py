"""Fits of one frame's average star by families of kernels, and what they say."""

import math
from collections.abc import MutableMapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.star_fits import COMMON, HALO

__all__ = ["FAMILIES", "FitCache", "ShapeFit"]

Table = NDArray[np.float64]

FAMILIES = ("seeing", "focus", "trail", "trail-focus", "knock")
"""Seeing; focus in ordinary seeing; a trail with either; a knock."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapeFit:
    """Fits of one frame's average star.

    Attributes
    ----------
    chi2 : dict of str to float
        By family, 1 a pixel for an ordinary frame; infinite for families not tried.
    parameters, errors : dict of str to ndarray
        Of the fits.
    parts : dict of str to dict of str to float
        By family: ln of the star's area that each kernel adds: 'seeing', 'halo', 'focus',
        'trail', 'knock'.
    pixels : int
        Pixels fitted.
    """

    chi2: dict[str, float]
    parameters: dict[str, Table]
    errors: dict[str, Table]
    parts: dict[str, dict[str, float]]
    pixels: int

    def log_likelihood(self, family: str) -> float:
        """Of a family, less what its free parameters would gain by chance (BIC)."""
        own = len(self.parameters[family]) - COMMON if family in self.parameters else 0
        return -0.5 * (self.chi2[family] + own * math.log(self.pixels))

    @property
    def best(self) -> str:
        """Likeliest family."""
        return max(self.parameters, key=self.log_likelihood)

    def halo(self) -> tuple[float, float]:
        """Part of the light in a wide halo, with its error, by the likeliest family."""
        best = self.best
        return float(self.parameters[best][HALO]), float(self.errors[best][HALO])


FitCache = MutableMapping[bytes, ShapeFit]
"""Fits already made, by what went into them."""
