"""What a diagnosis says: causes of lost worth, with evidence, share and episode."""

from dataclasses import dataclass
from datetime import datetime

__all__ = ["OUTRIGHT", "Cause", "Episode", "FrameDiagnosis", "RunDiagnosis"]

OUTRIGHT = frozenset({"blocked-view", "streak"})
"""Causes whose harm the numbers behind worth do not see."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One reason why a frame lost worth.

    Attributes
    ----------
    code : str
        Such as 'cloud'; two that cannot be told apart are joined by a bar.
    loss : float
        Its part of the loss: worth is multiplied by exp(-loss). NaN where it cannot be told.
    evidence : str
        What the numbers say, in words.
    """

    code: str
    loss: float
    evidence: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameDiagnosis:
    """What is wrong with one frame.

    Attributes
    ----------
    file_name : str
        Name of the file inside its folder.
    causes : tuple of Cause
        Weightiest first; empty where nothing is wrong, or nothing known.
    loss : float
        ln of an ordinary frame's worth for `depth` over this one's; NaN where it cannot be told.
    leave_out : bool
        True where a cause speaks against the frame whatever its worth.
    """

    file_name: str
    causes: tuple[Cause, ...]
    loss: float
    leave_out: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Neighbouring frames with one cause.

    Attributes
    ----------
    cause : str
        Code, as that of a `Cause`.
    first_file, last_file : str
        Its ends.
    start_utc, end_utc : datetime or None
        Start of the first and end of the last exposure, where the headers say.
    frames : int
        Frames from first to last that have the cause.
    size : str
        What happened in numbers.
    cost_s, exposed_s : float
        Worth lost by this cause and what ordinary frames would have been worth meanwhile, in the
        unit of `worth_s`.
    advice : str
        One thing to do, '' where there is none.
    """

    cause: str
    first_file: str
    last_file: str
    start_utc: datetime | None
    end_utc: datetime | None
    frames: int
    size: str
    cost_s: float
    exposed_s: float
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDiagnosis:
    """What went wrong in a run: by frame, in the order given, and by episode in time order."""

    frames: tuple[FrameDiagnosis, ...]
    episodes: tuple[Episode, ...]
