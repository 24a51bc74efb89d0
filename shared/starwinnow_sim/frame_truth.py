"""What really happened during one exposure."""

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from starwinnow_sim.star_shape import StarShape

__all__ = ["FrameTruth", "place_in_frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameTruth:
    """Conditions of one exposure; what follows from them is in `true_figures`.

    Attributes
    ----------
    start_utc : datetime
        Start of the exposure, timezone-aware.
    exposure_s : float
        Exposure time, s.
    star : StarShape
        What its stars look like.
    shift_x_px, shift_y_px : float
        How far the stars moved on the sensor since the reference frame, px.
    rotation_deg : float
        How far they turned about the middle of the frame, from +x towards +y; the turn comes
        before the shift.
    transparency : float
        Flux of the stars relative to the reference, 1 = reference.
    background_e : float
        Electrons a pixel between the stars in the middle of the frame.
    gradient_x, gradient_y : float
        Change of that level from the first to the last column (row), relative to the middle.
    focuser_position : float or None
        Focuser position, steps.
    sensor_temperature_c : float or None
        Degrees Celsius.
    """

    start_utc: datetime
    exposure_s: float
    star: StarShape
    shift_x_px: float = 0.0
    shift_y_px: float = 0.0
    rotation_deg: float = 0.0
    transparency: float = 1.0
    background_e: float = 50.0
    gradient_x: float = 0.0
    gradient_y: float = 0.0
    focuser_position: float | None = None
    sensor_temperature_c: float | None = None

    def __post_init__(self) -> None:
        if self.start_utc.tzinfo is None:
            raise ValueError(f"frame truth: start_utc {self.start_utc} has no time zone; give UTC")
        for name in ("transparency", "background_e"):
            if getattr(self, name) < 0:
                raise ValueError(f"frame truth: {name} is {getattr(self, name)}, must be 0 or more")


def place_in_frame(
    x_px: NDArray[np.float64],
    y_px: NDArray[np.float64],
    truth: FrameTruth,
    shape: tuple[int, int],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where places of the reference frame lie on a frame of `shape` (ny, nx), px."""
    middle_x, middle_y = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    angle = np.radians(truth.rotation_deg)
    from_x, from_y = x_px - middle_x, y_px - middle_y
    return (
        middle_x + truth.shift_x_px + from_x * np.cos(angle) - from_y * np.sin(angle),
        middle_y + truth.shift_y_px + from_x * np.sin(angle) + from_y * np.cos(angle),
    )
