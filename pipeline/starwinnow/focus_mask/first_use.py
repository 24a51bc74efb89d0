"""Prepares the compiled code that reads a focus mask, before it is needed in the dark."""

from pathlib import Path

import numpy as np

from starwinnow.focus_mask.read import read_mask
from starwinnow.frame import Capture, Frame

__all__ = ["warm_up"]


def warm_up() -> None:
    """Compile every kernel for both kinds of pixels, by reading two tiny made-up frames."""
    y, x = np.indices((160, 160)) - 79.6
    radius = np.hypot(x, y)
    pixels = 100.0 + 3.0 * ((7 * x + 13 * y) % 5) + 20_000 * np.exp(-(radius**2) / 4)
    for turn_deg in (10, 30, 50):
        turn = np.radians(turn_deg)
        across = y * np.cos(turn) - x * np.sin(turn)
        pixels += 900 * np.exp(-(across**2) / 3) * np.exp(-(((radius - 25) / 10) ** 2))
    for kind in (np.uint16, np.float32):
        read_mask(Frame(path=Path("warm-up"), pixels=pixels.astype(kind), capture=Capture()))
