"""What the observer should know or do now, from the latest frames of a running night.

Each kind of advice is a function of the frames that gives a sentence or nothing. It appears only
when its figures are beyond chance and matter for the stack, and it stays until they have clearly
gone: a sentence that comes and goes with every frame would be noise.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from starwinnow.flags import FrameFlag
from starwinnow.focus_trend import minutes_of
from starwinnow.live_snapshot import Advice, FocusTrend, LiveFrame
from starwinnow.trends import Line, fit_line

__all__ = ["AdviceBoard", "Circumstances"]

# An advice appears at so many standard errors and leaves at half of that: with a look at every
# frame of a night three would be passed by chance several times.
_SIGNIFICANT = 5.0
# Star sizes, light and background that far from their best cost some 10, 20 and 10 % of a frame's
# worth (depth goes with T^2 / (background x HFR^2)).
_FOCUS_LOSS, _LIGHT_LOSS, _BACKGROUND_RISE = 0.05, 0.1, 0.1
# Dew makes a glow that HFR sees and FWHM does not.
_GLOW = 0.04
_WINDOW_MIN = 10.0
_SHAKEN_PER_WINDOW = 3
# Ratio of axes below the run's usual that shows as a trail.
_TRAILED = 0.15
_FIELD_LOSS, _RECENTRE_LOSS = 0.05, 0.15
_SOON_MIN = 20.0
_TURN_DEG = 0.3
_FEW_FRAMES_LEFT = 300
_BLIND_FRAMES = 3
# What will need a hand does so from here on.
_HAND_MIN, _HAND_FRAMES = 3.0, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What advice needs beside the frames; None for what is not known.

    Attributes
    ----------
    frames_left_on_disk : float or None
        So many more frames the disk has room for.
    twilight_utc : datetime or None
        When morning twilight begins at the site.
    """

    frames_left_on_disk: float | None = None
    twilight_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class _Scene:
    """What every kind of advice looks at; `standing` says whether it is on the board already."""

    frames: Sequence[LiveFrame]
    minutes: Sequence[float]
    focus: FocusTrend
    circumstances: Circumstances
    now: datetime
    standing: bool

    def limit(self, value: float) -> float:
        """Return a limit, or half of it for advice that stands already."""
        return value / 2 if self.standing else value

    def recent(self) -> list[tuple[float, LiveFrame]]:
        """Frames of the last ten minutes with their times."""
        pairs = list(zip(self.minutes, self.frames, strict=True))
        return [(m, f) for m, f in pairs if self.minutes[-1] - m <= _WINDOW_MIN]

    def line(self, figure: Callable[[LiveFrame], float], *, latest: bool = True) -> Line:
        """Trend of a figure over the last ten minutes, or over all frames."""
        pairs = self.recent() if latest else list(zip(self.minutes, self.frames, strict=True))
        return fit_line([m for m, _ in pairs], [figure(f) for _, f in pairs])

    def significant(self, line: Line) -> bool:
        """Whether a trend is beyond chance."""
        return line.sigmas > self.limit(_SIGNIFICANT)


class AdviceBoard:
    """Advice as it comes and goes."""

    def __init__(self) -> None:
        self._since: dict[str, datetime] = {}

    def advise(
        self,
        frames: Sequence[LiveFrame],
        focus: FocusTrend,
        circumstances: Circumstances,
        now: datetime,
    ) -> tuple[Advice, ...]:
        """Work out what stands now.

        Parameters
        ----------
        frames : sequence of LiveFrame
            Latest frames of the present run, oldest first.
        focus : FocusTrend
        circumstances : Circumstances
        now : datetime

        Returns
        -------
        tuple of Advice
            What needs a hand first.
        """
        minutes = minutes_of(frames) if frames else []
        given: list[Advice] = []
        for code, kind in _KINDS.items():
            scene = _Scene(frames, minutes, focus, circumstances, now, code in self._since)
            text = kind(scene) if frames else ""
            if text:
                since = self._since.setdefault(code, now)
                hand = code in _NEEDS_HAND or (code in _HAND_SOON and _HAND_SOON[code](scene))
                given.append(Advice(code=code, text=text, needs_hand=hand, since_utc=since))
            else:
                self._since.pop(code, None)
        return tuple(sorted(given, key=lambda advice: not advice.needs_hand))


def _mask_on(scene: _Scene) -> str:
    if "mask-on" not in scene.frames[-1].causes:
        return ""
    return "The focus mask is on. Take it off."


def _blind(scene: _Scene) -> str:
    """No stars at all for some frames."""
    last = scene.frames[-_BLIND_FRAMES:]
    if len(last) < _BLIND_FRAMES or any(frame.stars for frame in last):
        return ""
    if all("unreadable" in frame.causes for frame in last):
        return f"The last {len(last)} files cannot be read: {last[-1].note}."
    return f"No stars in the last {len(last)} frames: thick cloud, a cap, or far out of focus."


def _other_field(scene: _Scene) -> str:
    last = scene.frames[-1]
    if "other-field" not in last.causes:
        return ""
    return "The last frame shows another field. If the mount did not move, look at its clutch."


def _overexposed(scene: _Scene) -> str:
    if FrameFlag.OVEREXPOSED not in scene.frames[-1].flags:
        return ""
    return "The background is at the sensor's limit. Expose shorter, or look for a lamp."


def _focus_drift(scene: _Scene) -> str:
    focus = scene.focus
    rate, error = focus.rate_px_per_hour, focus.rate_err_px_per_hour
    loss = focus.hfr_px / focus.best_px - 1
    if not (error > 0 and rate / error > scene.limit(_SIGNIFICANT)):
        return ""
    if not loss > scene.limit(_FOCUS_LOSS):
        return ""
    text = (
        f"Stars grow: HFR {focus.hfr_px:.2f} px, best {focus.best_px:.2f}, "
        f"{rate:+.2f} px an hour over {focus.minutes:.0f} min"
    )
    if math.isfinite(focus.cooled_c) and abs(focus.cooled_c) >= 0.1:
        way = "cooled" if focus.cooled_c > 0 else "warmed"
        text += f" while it {way} by {abs(focus.cooled_c):.1f} °C"
    return text + ". Check the focus; it can be the air."


def _light(scene: _Scene) -> tuple[float, float, Line]:
    """Light of the last three frames, the best of the run's latest, and its trend."""
    values = [f.transparency for f in scene.frames if math.isfinite(f.transparency)]
    if len(values) < _BLIND_FRAMES:
        return math.nan, math.nan, fit_line([], [])
    now = float(np.median(values[-_BLIND_FRAMES:]))
    return now, float(np.percentile(values, 90)), scene.line(lambda f: f.transparency)


def _glow(scene: _Scene) -> float:
    """How much HFR over FWHM rose, as a part, where that is beyond chance; else 0."""
    line = scene.line(lambda f: f.hfr_px / f.fwhm_px, latest=False)
    if not scene.significant(line) or line.slope <= 0:
        return 0.0
    return line.change / line.first


def _cloud(scene: _Scene) -> str:
    """Light that changes quickly."""
    now, best, line = _light(scene)
    if not (math.isfinite(now) and now < best * (1 - scene.limit(_LIGHT_LOSS))):
        return ""
    if _dew(scene) or _haze(scene):
        return ""
    text = f"Cloud: {100 * now / best:.0f} % of the light comes through"
    if scene.significant(line):
        text += ", and it clears" if line.slope > 0 else ", and less by the minute"
    return text + "."


def _slow_loss(scene: _Scene) -> Line | None:
    """Light that falls evenly over all frames looked at, for at least ten minutes."""
    line = scene.line(lambda f: f.transparency, latest=False)
    lost = -line.change / line.first if line.first > 0 else math.nan
    even = scene.significant(line) and line.slope < 0
    long = bool(scene.minutes) and scene.minutes[-1] >= _WINDOW_MIN
    return line if even and long and lost > scene.limit(_LIGHT_LOSS) else None


def _dew(scene: _Scene) -> str:
    line = _slow_loss(scene)
    if line is None or _glow(scene) < scene.limit(_GLOW):
        return ""
    return (
        f"Light fell from {line.first:.2f} to {line.last:.2f} and a glow grows around the stars: "
        "dew on the lens? Look at it with a dim red lamp; warm it gently."
    )


def _haze(scene: _Scene) -> str:
    line = _slow_loss(scene)
    if line is None or _glow(scene) >= scene.limit(_GLOW):
        return ""
    return (
        f"Light falls evenly, {line.first:.2f} to {line.last:.2f} in {scene.minutes[-1]:.0f} min: "
        "a lower sky, haze, or early dew."
    )


def _shaken(scene: _Scene) -> str:
    recent = scene.recent()
    ratios = [f.axis_ratio for f in scene.frames if math.isfinite(f.axis_ratio)]
    usual = float(np.median(ratios)) if ratios else math.nan
    shaken = sum(
        FrameFlag.DOUBLED in f.flags
        or bool({"knocked", "trailed"} & set(f.causes))
        or f.axis_ratio < usual - _TRAILED
        for _, f in recent
    )
    span = max(recent[-1][0] - recent[0][0], 1.0)
    rate = shaken * _WINDOW_MIN / max(span, _WINDOW_MIN / 2)
    if shaken < _SHAKEN_PER_WINDOW or rate < scene.limit(_SHAKEN_PER_WINDOW):
        return ""
    return (
        f"Shaken: {rate:.0f} frames in 10 min are doubled or trailed. Wind, steps, or a cable "
        "that pulls."
    )


def _bright_sky(scene: _Scene) -> str:
    line = scene.line(lambda f: f.background_adu)
    if not (scene.significant(line) and line.slope > 0 and line.first > 0):
        return ""
    rise = line.change / line.first
    if not rise > scene.limit(_BACKGROUND_RISE):
        return ""
    span = scene.recent()[-1][0] - scene.recent()[0][0]
    text = f"The background rises: {100 * rise:.0f} % in {span:.0f} min."
    twilight = scene.circumstances.twilight_utc
    if twilight is not None and twilight > scene.now:
        text += f" Twilight begins in {(twilight - scene.now).total_seconds() / 60:.0f} min."
    return text


def _drift(scene: _Scene) -> str:
    line = scene.line(lambda f: f.overlap, latest=False)
    gone = 1 - line.last
    if not (scene.significant(line) and line.slope < 0):
        return ""
    left_min = _recentre_min(scene)
    if not (gone > scene.limit(_FIELD_LOSS) or (gone > 0.02 and left_min < _SOON_MIN)):
        return ""
    when = f"Recentre in about {left_min:.0f} min" if left_min >= 1 else "Recentre"
    return f"The field drifts: {when.lower()}, {100 * gone:.0f} % of it is gone."


def _recentre_min(scene: _Scene) -> float:
    """Minutes until too much of the field is gone."""
    line = scene.line(lambda f: f.overlap, latest=False)
    return max((_RECENTRE_LOSS - 1 + line.last) / -line.slope, 0.0) if line.slope < 0 else math.inf


def _rotation(scene: _Scene) -> str:
    line = scene.line(lambda f: f.rotation_deg, latest=False)
    if not (scene.significant(line) and abs(line.change) > scene.limit(_TURN_DEG)):
        return ""
    return (
        f"The field turns: {abs(line.change):.1f}° in {scene.minutes[-1]:.0f} min. "
        "The mount's polar axis is off."
    )


def _disk(scene: _Scene) -> str:
    left = scene.circumstances.frames_left_on_disk
    if left is None or left > _FEW_FRAMES_LEFT * (1.1 if scene.standing else 1.0):
        return ""
    return f"Disk: room for {left:.0f} more frames."


_KINDS: dict[str, Callable[[_Scene], str]] = {
    "mask-on": _mask_on,
    "no-stars": _blind,
    "other-field": _other_field,
    "overexposed": _overexposed,
    "dew": _dew,
    "focus-drift": _focus_drift,
    "disk": _disk,
    "drift": _drift,
    "cloud": _cloud,
    "shaken": _shaken,
    "bright-sky": _bright_sky,
    "rotation": _rotation,
    "haze": _haze,
}
_NEEDS_HAND = frozenset({"mask-on", "no-stars", "other-field", "overexposed", "dew", "focus-drift"})
_HAND_SOON: dict[str, Callable[[_Scene], bool]] = {
    "drift": lambda scene: _recentre_min(scene) < _HAND_MIN,
    "disk": lambda scene: (scene.circumstances.frames_left_on_disk or 0.0) < _HAND_FRAMES,
}
