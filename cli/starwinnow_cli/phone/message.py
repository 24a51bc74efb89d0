"""A running night as the message that the page shows, in words and few numbers."""

import json
import math
from datetime import datetime
from typing import Any

from starwinnow.live_snapshot import LiveFrame, LiveSnapshot
from starwinnow.quantities import on_screen
from starwinnow_cli.happenings import reason_of
from starwinnow_cli.last_frame_lines import STATES, verdict_of
from starwinnow_cli.live_lines import count_words, focus_words, worth_part, worth_words
from starwinnow_cli.screen import local_time, shorten

__all__ = ["message"]

_NAME_CELLS = 34


def message(snapshot: LiveSnapshot, now: datetime, *, picture: int) -> str:
    """Give all that the page shows as one line of JSON.

    Parameters
    ----------
    snapshot : LiveSnapshot
    now : datetime
        When the snapshot was made.
    picture : int
        Changes with each new picture; 0 for none.
    """
    run = f", run {snapshot.run}" if snapshot.run > 1 else ""
    content = {
        "clock": local_time(now)[:5],
        "title": shorten(snapshot.target or snapshot.folder, 24) + run,
        "state": snapshot.state,
        "said": _said(snapshot),
        "last": _last(snapshot),
        "worth": worth_words(snapshot),
        "counts": count_words(snapshot).replace("\xa0", " "),
        "focus": focus_words(snapshot),
        "sizes": [_number(frame.hfr_px) for frame in snapshot.strip if frame.run == snapshot.run],
        "best": _number(snapshot.focus.best_px),
        "advice": [{"now": a.needs_hand, "text": a.text} for a in snapshot.advice],
        "strip": [[_mark(f), round(worth_part(f, snapshot), 3)] for f in snapshot.strip],
        "picture": picture,
    }
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def _said(snapshot: LiveSnapshot) -> str:
    """Say what stands instead of, or beside, the last verdict."""
    if snapshot.state == "watching":
        waiting = snapshot.counts.waiting
        return f"{waiting} waiting" if waiting else ""
    state = "The watch has ended" if snapshot.state == "ended" else STATES[snapshot.state]
    return f"{state[0].upper()}{state[1:]}."


def _last(snapshot: LiveSnapshot) -> dict[str, Any] | None:
    frame = snapshot.last
    if frame is None:
        return None
    figures = []
    if frame.verdict != "not-scored":
        of = f" of {frame.exposure_s:.3g} s" if snapshot.worth.in_seconds else ""
        figures.append(f"worth {on_screen('worth_s', frame.worth_s)}{of}")
        figures.append(f"light {on_screen('transparency', frame.transparency)}")
    if math.isfinite(frame.fwhm_px):
        figures.append(f"FWHM {on_screen('fwhm_px', frame.fwhm_px)} px")
    if frame.stars is not None:
        figures.append(f"{frame.stars} stars")
    words = verdict_of(frame)
    return {
        "mark": _mark(frame),
        "verdict": words[0].upper() + words[1:],
        "sure": not frame.provisional,
        "file": shorten(frame.file, _NAME_CELLS),
        "at": local_time(frame.judged_utc),
        "figures": ", ".join(figures),
        "reason": reason_of(frame),
    }


def _mark(frame: LiveFrame) -> str:
    """One letter: kept, left out, either way, not scored."""
    if frame.verdict == "not-scored":
        return "n"
    if frame.verdict == "marginal":
        return "e"
    return "k" if frame.kept else "o"


def _number(value: float) -> float | None:
    return round(value, 3) if math.isfinite(value) else None
