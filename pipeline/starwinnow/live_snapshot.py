"""What is known of a running night at one moment: the value that screens and pages show."""

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.settings import Settings
from starwinnow.verdict import Verdict

__all__ = [
    "STRIP_FRAMES",
    "Advice",
    "FocusTrend",
    "LiveCounts",
    "LiveFrame",
    "LiveReference",
    "LiveSnapshot",
    "LiveState",
    "Publish",
    "Revision",
    "WorthSoFar",
]

STRIP_FRAMES = 60
"""So many of the latest frames a snapshot shows one by one."""

LiveState = Literal["waiting", "watching", "folder-gone", "ended"]
"""`waiting`: no frame yet; `folder-gone`: the folder cannot be seen at the moment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveFrame:
    """One frame as it was judged when it came; NaN for what is not known.

    Attributes
    ----------
    file : str
        Name inside the folder.
    run : int or None
        Number of its run in the order in which runs began to arrive; None for what is no light
        frame or could not be read.
    start_utc : datetime or None
        Start of the exposure.
    judged_utc : datetime
        When the verdict was given.
    verdict : {'keep', 'marginal', 'leave-out', 'not-scored'}
    kept : bool
        Whether it counts among the frames to stack.
    provisional : bool
        True while the reference of its run has not settled: the verdict may still change.
    fed : bool
        Whether it was placed in the feed folder.
    exposure_s, worth_s, worth_err_s, transparency, fwhm_px, hfr_px, hfr_err_px, axis_ratio : float
        As the columns of the same names.
    background_adu, overlap, rotation_deg, dx_px, dy_px : float
        As the columns of the same names.
    stars : int or None
        Stars behind its figures.
    flags : FrameFlag
        What limits its figures.
    causes : tuple of str
        Codes, weightiest first.
    note : str
        The same in words, '' for nothing.
    """

    file: str
    run: int | None
    start_utc: datetime | None
    judged_utc: datetime
    verdict: Verdict
    kept: bool
    provisional: bool
    fed: bool = False
    exposure_s: float = math.nan
    worth_s: float = math.nan
    worth_err_s: float = math.nan
    transparency: float = math.nan
    fwhm_px: float = math.nan
    hfr_px: float = math.nan
    hfr_err_px: float = math.nan
    axis_ratio: float = math.nan
    background_adu: float = math.nan
    overlap: float = math.nan
    rotation_deg: float = math.nan
    dx_px: float = math.nan
    dy_px: float = math.nan
    stars: int | None = None
    flags: FrameFlag = field(default_factory=lambda: FrameFlag(0))
    causes: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveCounts:
    """How many files of the night got which verdict.

    Attributes
    ----------
    frames : int
        All files that have a verdict, of all runs, the unreadable ones included.
    kept, left_out : int
        Scored frames in and out; a marginal one is one or the other.
    marginal, not_scored, unreadable, fed : int
        `not_scored` counts what could be read but got no score.
    waiting : int
        Files seen that are not whole yet or not yet measured.
    """

    frames: int = 0
    kept: int = 0
    left_out: int = 0
    marginal: int = 0
    not_scored: int = 0
    unreadable: int = 0
    fed: int = 0
    waiting: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveReference:
    """What worth is relative to in the present run.

    Attributes
    ----------
    file : str or None
        None before the first frame with stars.
    settled : bool
        False while verdicts are provisional.
    frames_left : int
        So many frames are still wanted before it settles.
    changes : int
        How often it was changed after it had settled.
    """

    file: str | None = None
    settled: bool = False
    frames_left: int = 0
    changes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class WorthSoFar:
    """How deep the present run is, and how long it takes to get deeper.

    Attributes
    ----------
    collected_s : float
        Exposure time of its frames together, s; NaN where the headers do not say.
    kept_s : float
        Worth of what is kept, in equivalent seconds of the reference.
    in_seconds : bool
        False where worth counts reference frames, since no exposure time is known.
    deeper_mag : float
        How much fainter than in one reference frame a star may be, magnitudes: 1.25 lg of kept
        worth over that of the reference.
    double_in_s : float
        Time until the kept worth has doubled at the pace of the last ten minutes, s: half of the
        noise again takes twice as long as that. NaN where it is not growing.
    """

    collected_s: float = 0.0
    kept_s: float = 0.0
    in_seconds: bool = True
    deeper_mag: float = math.nan
    double_in_s: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusTrend:
    """Where the focus stands and goes, by the half-flux radius of the run's latest frames.

    Attributes
    ----------
    hfr_px, hfr_err_px : float
        Of the latest frames together, px.
    best_px : float
        The best of them, smoothed alike, px.
    rate_px_per_hour, rate_err_px_per_hour : float
        Its slope over the last frames; NaN for too few.
    minutes : float
        Time that the slope is taken over.
    temperature_c, cooled_c : float
        The latest temperature of the focuser or the air by the headers, degrees Celsius, and by
        how much it fell in that time; NaN where they do not say.
    """

    hfr_px: float = math.nan
    hfr_err_px: float = math.nan
    best_px: float = math.nan
    rate_px_per_hour: float = math.nan
    rate_err_px_per_hour: float = math.nan
    minutes: float = math.nan
    temperature_c: float = math.nan
    cooled_c: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """One thing to know or to do now; it goes away with its reason.

    Attributes
    ----------
    code : str
        Short name that stays the same while the advice stands, such as 'focus-drift'.
    text : str
        One or two plain sentences with the numbers behind them.
    needs_hand : bool
        Whether the observer must do something now.
    since_utc : datetime
        When it first appeared.
    """

    code: str
    text: str
    needs_hand: bool
    since_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Revision:
    """A change of mind about a frame that already had a verdict.

    Attributes
    ----------
    file : str
    was_kept, kept : bool
    fed : bool
        Whether it is in the feed folder, from where nothing is withdrawn.
    at_utc : datetime
    """

    file: str
    was_kept: bool
    kept: bool
    fed: bool
    at_utc: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveSnapshot:
    """A running night at one moment.

    Attributes
    ----------
    folder : str
        Name of the watched folder, without the way to it.
    state : {'waiting', 'watching', 'folder-gone', 'ended'}
    news_utc : datetime
        Time of the last news: a verdict, or a change of state.
    settings : Settings
    run : int
        Number of the present run, 0 before the first light frame.
    target : str or None
        What the present run's headers call the target.
    last : LiveFrame or None
        The latest verdict.
    strip : tuple of LiveFrame
        The latest frames, at most `STRIP_FRAMES`, oldest first.
    counts : LiveCounts
    reference : LiveReference
    worth : WorthSoFar
    focus : FocusTrend
    advice : tuple of Advice
        Most pressing first.
    revisions : tuple of Revision
        The latest changes of mind, newest first, at most twenty.
    picture : ndarray of uint8, shape (h, w), or None
        Small stretched picture of the last frame that could be measured.
    """

    folder: str
    state: LiveState
    news_utc: datetime
    settings: Settings = field(default_factory=Settings)
    run: int = 0
    target: str | None = None
    last: LiveFrame | None = None
    strip: tuple[LiveFrame, ...] = ()
    counts: LiveCounts = field(default_factory=LiveCounts)
    reference: LiveReference = field(default_factory=LiveReference)
    worth: WorthSoFar = field(default_factory=WorthSoFar)
    focus: FocusTrend = field(default_factory=FocusTrend)
    advice: tuple[Advice, ...] = ()
    revisions: tuple[Revision, ...] = ()
    picture: NDArray[np.uint8] | None = field(default=None, compare=False)


Publish = Callable[[LiveSnapshot], None]
"""Takes each new snapshot; must return at once and may be called from the watching thread only."""
