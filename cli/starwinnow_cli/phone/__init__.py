"""The page on a phone: how the night goes, served from the laptop beside the telescope."""
