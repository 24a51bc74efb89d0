"""Frames in which a figure is higher than it wanders by itself."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.chains import most_likely_states
from starwinnow.diagnosis.ordinary import Ordinary, local_level

__all__ = ["raised"]

Column = NDArray[np.float64]

# How well scatter is known: chances are judged by one this much wider. The wander of ordinary
# frames around is taken out of what is judged, first without knowing them.
_WIDER, _PASSES = 1.2, 2
_LEAST_SIGMA = 0.006
# Mean excess, in ln, of what is raised; chance to go on as before (common practice, no source).
_USUAL_EXCESS, _STAY = 0.3, 0.9


def raised(
    values: Column, ordinary: NDArray[np.bool_], of: Ordinary, extra: Column | None = None
) -> dict[int, float]:
    """Tell frames that are raised from those that are not, by a chain of two hidden states.

    Parameters
    ----------
    values : ndarray of float64, shape (n,)
        In ln, less the ordinary level, in time order; NaN where they say nothing.
    ordinary : ndarray of bool, shape (n,)
        Frames that may tell the wander.
    of : Ordinary
        Scatter of the values.
    extra : ndarray of float64, shape (n,), optional
        Other evidence that a frame is raised, in ln of odds.

    Returns
    -------
    dict of int to float
        By how much each raised frame is, in ln; in order.
    """
    known = np.isfinite(values)
    level, sigma = np.zeros(len(values)), np.full(len(values), of.sigma)
    plain = ordinary & known
    odds = np.zeros(len(values)) if extra is None else extra
    for _ in range(_PASSES):
        states = most_likely_states(_chances(values - level, sigma, odds), _STAY)
        plain &= states == 0
        level, sigma = local_level(np.where(known, values, 0.0), plain, of)
    rows = np.flatnonzero((states == 1) & known)
    return {int(row): max(float(values[row] - level[row]), 0.0) for row in rows}


def _chances(values: Column, sigma: Column, odds: Column) -> NDArray[np.float64]:
    """Log likelihood of each frame if plain and if raised, shape (n, 2)."""
    sigma = np.maximum(_WIDER * sigma, _LEAST_SIGMA)
    known = np.isfinite(values)
    values = np.where(known, values, 0.0)
    above = np.maximum(values, 0.0)
    plain = -0.5 * (above / sigma) ** 2 - np.log(sigma * np.sqrt(2 * np.pi))
    higher = odds - np.log(_USUAL_EXCESS) - above / _USUAL_EXCESS
    higher -= 0.5 * (np.minimum(values, 0.0) / sigma) ** 2
    return np.where(known[:, np.newaxis], np.column_stack([plain, higher]), 0.0)
