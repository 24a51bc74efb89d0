"""Nights whose troubles are drawn by their own physics, with the truth about every frame."""

from .nights import (
    BROKEN,
    DEVELOPMENT_SEEDS,
    KINDS,
    UNTOUCHED_SEEDS,
    Episode,
    FrameTruth,
    Night,
    draw_night,
)

__all__ = [
    "BROKEN",
    "DEVELOPMENT_SEEDS",
    "KINDS",
    "UNTOUCHED_SEEDS",
    "Episode",
    "FrameTruth",
    "Night",
    "draw_night",
]
