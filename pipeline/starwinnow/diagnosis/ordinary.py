"""What is ordinary in a run: the commonest value of a figure and how far it scatters on its own."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["Ordinary", "ordinary_of"]

Column = NDArray[np.float64]

_SIGMA_PER_MAD = 1.4826
# Values within so many deviations of the level are ordinary.
_NEAR_SIGMA = 2.5
_ROUNDS = 4


class Ordinary:
    """Level and scatter of what is ordinary.

    Attributes
    ----------
    level, sigma : float
        Commonest value, and standard deviation judged from the better side of it.
    """

    def __init__(self, level: float, sigma: float) -> None:
        self.level = level
        self.sigma = sigma

    def near(self, values: Column) -> NDArray[np.bool_]:
        """Which values are ordinary."""
        near: NDArray[np.bool_] = np.abs(values - self.level) <= _NEAR_SIGMA * self.sigma
        return near


def ordinary_of(values: Column, errors: Column) -> Ordinary:
    """Find what is ordinary among values of which the lower are the better.

    Parameters
    ----------
    values, errors : ndarray of float64, shape (n,)
        NaN where it is not known.

    Returns
    -------
    Ordinary
        Of the densest half of the densest half and so on (half-sample mode, Bickel & Fruehwirth
        2006, from memory), then the median of what lies near that. Only the better side tells the
        scatter: the other holds what went wrong.
    """
    known = np.isfinite(values)
    values, errors = np.sort(values[known]), errors[known]
    if len(values) == 0:
        return Ordinary(np.nan, np.nan)
    floor = max(float(np.nanmedian(errors)), 1e-4)
    level = _half_sample_mode(values)
    for _ in range(_ROUNDS):
        better = np.append(level - values[values <= level], 0.0)
        # Few values say little about a scatter, and the mode sits among close ones.
        sigma = max(floor, _SIGMA_PER_MAD * float(np.median(better)))
        level = float(np.median(values[np.abs(values - level) <= _NEAR_SIGMA * sigma]))
    return Ordinary(level, sigma)


def _half_sample_mode(ordered: Column) -> float:
    while len(ordered) > 3:
        half = (len(ordered) + 1) // 2
        widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
        first = int(np.argmin(widths))
        ordered = ordered[first : first + half]
    return float(np.median(ordered))
