"""Files to frames."""
