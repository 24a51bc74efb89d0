"""The focus from frame to frame while somebody turns the knob: better, worse, or past the best."""

import math
from dataclasses import dataclass
from typing import Literal

from starwinnow.focus_mask.frame_focus import FrameFocus
from starwinnow.focus_mask.spike_angles import same_side
from starwinnow.trends import fit_line

__all__ = ["FocusFollower", "FocusPoint", "FocusView", "focuser_travel_um"]

# What air adds from one short exposure to the next, as a part of the star size (common practice,
# no source): without it the scale would be that of photons alone, and all would look significant.
_AIR = 0.03
_SIGNIFICANT = 3.0
_SHOWN = 12
_TREND_POINTS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusPoint:
    """How far from focus one frame is.

    Attributes
    ----------
    file : str
    value_px, err_px : float
        Half-flux radius, or the size of the focus mask's spike offset, and its standard error.
    kind : {'hfr', 'offset'}
        Which of the two; they cannot be compared with each other.
    f_ratio, pixel_um : float or None
        Focal ratio and pixel size, for the travel that a half-flux radius tells; None where they
        are not known.
    focus : FrameFocus or None
        All that the mask says; None without one.
    """

    file: str
    value_px: float
    err_px: float
    kind: Literal["hfr", "offset"] = "hfr"
    f_ratio: float | None = None
    pixel_um: float | None = None
    focus: FrameFocus | None = None

    @property
    def scatter_px(self) -> float:
        """Standard error with what the air adds to a star size."""
        air_px = _AIR * self.value_px if self.kind == "hfr" else 0.0
        return math.hypot(self.err_px, air_px)

    @property
    def in_focus(self) -> bool:
        """Whether the mask says so; without a mask no frame alone can."""
        return self.focus is not None and self.focus.answer.verdict == "in-focus"

    @property
    def tolerances_off(self) -> float:
        """Distance from focus in tolerances by the mask; NaN where it is not known."""
        out = self.focus.answer.tolerances_out if self.focus is not None else ()
        return max(out, default=math.nan)


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusView:
    """Where the focus stands after a frame.

    Attributes
    ----------
    now, best : FocusPoint
    points : tuple of FocusPoint
        The latest ones of the same kind, oldest first.
    frames_since_best : int
        0 when this is the best.
    errors_off : float
        Distance from the best in standard errors of the difference.
    trend : {'better', 'worse', 'steady'}
        Over the last frames, beyond chance.
    passed : bool
        Whether the best was clearly passed: then turn back. With this very frame where
        `frames_since_best` is 0: the mask's offset then changed sides.
    travel_um : float
        About so far is the focuser from the best place, which is focus itself where the mask
        tells; NaN where the optics are not known.
    """

    now: FocusPoint
    best: FocusPoint
    points: tuple[FocusPoint, ...]
    frames_since_best: int
    errors_off: float
    trend: Literal["better", "worse", "steady"]
    passed: bool
    travel_um: float = math.nan


class FocusFollower:
    """Follows one focusing, frame after frame."""

    def __init__(self) -> None:
        self._points: list[FocusPoint] = []

    def add(self, point: FocusPoint) -> FocusView:
        """Take in the next frame; one of the other kind begins anew."""
        if self._points and self._points[-1].kind != point.kind:
            self._points = []
        self._points.append(point)
        place = min(range(len(self._points)), key=lambda i: self._points[i].value_px)
        best = self._points[place]
        since = len(self._points) - 1 - place
        scale = math.hypot(point.scatter_px, best.scatter_px)
        off = (point.value_px - best.value_px) / scale if since and scale > 0 else 0.0
        trend = self._trend()
        after = self._points[place + 1 :]
        clearly = all(p.value_px > best.value_px + best.scatter_px for p in after)
        passed = since > 0 and off > _SIGNIFICANT and clearly and place > 0
        other = best if since else self._points[-2] if place else point
        return FocusView(
            now=point,
            best=best,
            points=tuple(self._points[-_SHOWN:]),
            frames_since_best=since,
            errors_off=off,
            trend=trend,
            passed=passed or _on_other_side(point, other),
            travel_um=_travel_um(point, best),
        )

    def _trend(self) -> Literal["better", "worse", "steady"]:
        """Tell which way the last frames go."""
        last = self._points[-_TREND_POINTS:]
        if len(last) < 2:
            return "steady"
        if len(last) < _TREND_POINTS:
            change = last[-1].value_px - last[-2].value_px
            sure = abs(change) > _SIGNIFICANT * math.hypot(*(p.scatter_px for p in last[-2:]))
        else:
            line = fit_line(range(len(last)), [p.value_px for p in last])
            change = line.change
            sure = abs(change) > _SIGNIFICANT * last[-1].scatter_px
        if not sure:
            return "steady"
        return "worse" if change > 0 else "better"


def _on_other_side(point: FocusPoint, other: FocusPoint) -> bool:
    """Whether focus lies between two frames, by the side of the mask's offset."""
    if point.focus is None or other.focus is None or point.in_focus:
        return False
    now, before = point.focus.answer, other.focus.answer
    sure = all(abs(one.offset_px) > _SIGNIFICANT * one.offset_err_px for one in (now, before))
    alike = same_side(now.spike_deg, before.spike_deg, now.kind)
    return sure and now.kind == before.kind and (now.offset_px * before.offset_px < 0) == alike


def _travel_um(point: FocusPoint, best: FocusPoint) -> float:
    """How far the focuser is from the best place, um; NaN where that is not known."""
    if point.focus is not None:
        return abs(point.focus.answer.defocus_um)
    if point.f_ratio is None or point.pixel_um is None:
        return math.nan
    return focuser_travel_um(
        point.value_px, best.value_px, f_ratio=point.f_ratio, pixel_um=point.pixel_um
    )


def focuser_travel_um(hfr_px: float, best_px: float, *, f_ratio: float, pixel_um: float) -> float:
    """How far the focuser is from its best place, by what defocus does to a star.

    Out of focus by d a star is a disc of the diameter d / N, which holds half of its light within
    d / (2 sqrt(2) N); that adds to the star in focus as a root of squares (geometrical optics; the
    sum is an approximation, common practice, no source).

    Parameters
    ----------
    hfr_px, best_px : float
        Half-flux radius now and at the best place, px.
    f_ratio, pixel_um : float
        Focal ratio, and size of a pixel of the file, um.
    """
    more = max(hfr_px**2 - best_px**2, 0.0)
    return 2 * math.sqrt(2) * f_ratio * pixel_um * math.sqrt(more)
