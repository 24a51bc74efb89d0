"""What has been kept so far, and whether one more frame helps it."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.verdict import MARGINAL_PART

__all__ = ["GrowingStack"]

Amplitude = NDArray[np.complex128]


class GrowingStack:
    """A mean that grows: the sums M of amplitudes and V of variances over the kept frames.

    The rule is that of the keep set (`keep_set`): a frame is in when that raises |M|^2 / V. Here
    it is asked of one frame against those already in, so the cost does not grow with the night.
    """

    def __init__(self) -> None:
        self.kept = 0
        self._total: Amplitude | None = None
        self._variance = 0.0

    def gain(self, amplitude: Amplitude, variance: float) -> float:
        """Relative change of the mean's S/N by one frame more; infinite for the first."""
        if self._total is None or self.kept == 0:
            return math.inf
        larger = self._total + amplitude
        snr2 = _square(self._total) / self._variance
        return math.sqrt(_square(larger) / (self._variance + variance) / snr2) - 1

    def is_marginal(self, gain: float) -> bool:
        """Whether a frame of this gain may go either way, as `verdict` has it."""
        share = 1 / (2 * max(self.kept, 1))
        return abs(gain) < MARGINAL_PART * share

    def add(self, amplitude: Amplitude, variance: float) -> None:
        """Take a frame in."""
        self._total = amplitude.copy() if self._total is None else self._total + amplitude
        self._variance += variance
        self.kept += 1

    def remove(self, amplitude: Amplitude, variance: float) -> None:
        """Take out a frame that was taken in before."""
        if self._total is not None:
            self._total = self._total - amplitude
        self._variance -= variance
        self.kept -= 1


def _square(amplitude: Amplitude) -> float:
    return float(np.vdot(amplitude, amplitude).real)
