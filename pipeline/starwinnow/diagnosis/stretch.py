"""How far, and which way, a frame's stars are drawn out."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures

__all__ = ["ASKED_STRETCH", "stretch_of", "usual_stretch"]

ASKED_STRETCH = 0.04
"""Stars this much less round than the ordinary one are asked for their shape."""


def stretch_of(frame: FrameMeasures) -> NDArray[np.float64]:
    """Log-stretch vector of a frame's stars, shape (2,); zero where it is not known."""
    if frame.profile is None:
        return np.zeros(2)
    return np.array([frame.profile.stretch1, frame.profile.stretch2])


def usual_stretch(frames: Sequence[FrameMeasures]) -> NDArray[np.float64]:
    """Median of the log-stretch vectors of some frames, shape (2,)."""
    return np.asarray(np.median([stretch_of(frame) for frame in frames], axis=0))
