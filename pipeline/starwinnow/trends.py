"""Straight lines through noisy figures, with errors that hold when the figures scatter more."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Line", "fit_line"]

_FEWEST = 5
_NEIGHBOURS_ALIKE = 0.9
_LEAST_PART = 0.2


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line fitted to values that scatter.

    Attributes
    ----------
    slope, slope_err : float
        Change of the value per unit of x, and its standard error; NaN for too few points.
    first, last : float
        The line at the first and last x.
    points : int
        Points behind it.
    """

    slope: float
    slope_err: float
    first: float
    last: float
    points: int

    @property
    def change(self) -> float:
        """Change of the line from the first x to the last."""
        return self.last - self.first

    @property
    def sigmas(self) -> float:
        """Slope over its error, without sign; 0 where it is not known."""
        if not abs(self.slope) > 0 or math.isnan(self.slope_err):
            return 0.0
        return abs(self.slope) / self.slope_err if self.slope_err > 0 else math.inf


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Fit y = a + b x, the median of all slopes between pairs (Theil 1950, Sen 1968, from memory).

    The slope does not follow single outliers. Its error is that of least squares on residuals
    with a standard deviation from their median, made wider for neighbours that scatter alike:
    by (1 + r) / (1 - r) in the variance, r the correlation of neighbouring residuals (AR(1)).

    Parameters
    ----------
    x, y : sequence of float, equal lengths
        Not a number in either drops the point.
    """
    pairs = np.array([(a, b) for a, b in zip(x, y, strict=True) if math.isfinite(a + b)])
    if len(pairs) < _FEWEST or np.ptp(pairs[:, 0]) <= 0:
        last = float(np.median(pairs[:, 1])) if len(pairs) else math.nan
        return Line(slope=math.nan, slope_err=math.nan, first=last, last=last, points=len(pairs))
    xs, ys = pairs.T
    i, j = np.triu_indices(len(xs), 1)
    apart = xs[j] != xs[i]
    slope = float(np.median((ys[j] - ys[i])[apart] / (xs[j] - xs[i])[apart]))
    level = float(np.median(ys - slope * xs))
    rest = ys - slope * xs - level
    # 1.4826 makes the median absolute deviation a standard deviation (normal distribution).
    sigma = 1.4826 * float(np.median(np.abs(rest)))
    # Where most points agree to the last digit the few others still count.
    sigma = max(sigma, _LEAST_PART * float(np.std(rest))) * math.sqrt(len(xs) / (len(xs) - 2))
    spread = math.sqrt(float(np.sum((xs - xs.mean()) ** 2)))
    return Line(
        slope=slope,
        slope_err=sigma / spread * math.sqrt(_widening(rest)),
        first=slope * float(xs.min()) + level,
        last=slope * float(xs.max()) + level,
        points=len(xs),
    )


def _widening(rest: NDArray[np.float64]) -> float:
    """How much larger the variance of a slope is since neighbours scatter alike."""
    square = float(np.sum(rest**2))
    if square <= 0:
        return 1.0
    r = min(max(float(np.sum(rest[1:] * rest[:-1])) / square, 0.0), _NEIGHBOURS_ALIKE)
    return (1 + r) / (1 - r)
