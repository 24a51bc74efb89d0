"""Image analysis that scores and ranks short exposures for stacking."""

__version__ = "0.1.0"
