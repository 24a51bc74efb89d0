"""Focus mask: the spikes of a masked star -> how far the focus is off."""

from starwinnow.focus_mask.read import read_mask
from starwinnow.focus_mask.reading import MaskKind, MaskReading, SpikedStar, SpikeTriple

__all__ = ["MaskKind", "MaskReading", "SpikeTriple", "SpikedStar", "read_mask"]
