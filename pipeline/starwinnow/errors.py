"""Errors Starwinnow raises on purpose; each message says file, found, expected, next step."""

__all__ = [
    "FolderError",
    "MoveError",
    "OutputError",
    "RigError",
    "StarwinnowError",
    "StoreError",
    "UnreadableFrameError",
]


class StarwinnowError(Exception):
    """Base of every error raised on purpose; its text is meant for the observer."""


class UnreadableFrameError(StarwinnowError):
    """A file that cannot be read as one image; the text is a one-line reason."""


class FolderError(StarwinnowError):
    """A folder to score that is missing, is not a folder, or holds no frames."""


class OutputError(StarwinnowError):
    """A place for results that cannot be written."""


class StoreError(StarwinnowError):
    """A night store that is damaged or was written by another data model."""


class RigError(StarwinnowError):
    """A rig file that cannot be read or written, or holds what is not allowed."""


class MoveError(StarwinnowError):
    """A move of the focuser from which no direction can be learnt."""
