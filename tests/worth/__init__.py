"""Relating frames, what they are worth, and what to keep."""
