"""What came last in a running night, or what is waited for, as three lines of text."""

import textwrap

from starwinnow.live_snapshot import LiveFrame, LiveSnapshot
from starwinnow.quantities import on_screen
from starwinnow_cli.happenings import reason_of
from starwinnow_cli.screen import GAP, Emphasis, beside, local_time, shorten

__all__ = ["STATES", "last_frame_lines", "verdict_of"]

_SHORTEST_NAME, _LONGEST_NAME = 12, 30
STATES = {
    "waiting": "waiting for the first frame",
    "watching": "watching",
    "folder-gone": "the folder cannot be seen; looking for it",
    "ended": "ended",
}

_FIRST_STEPS = {
    "waiting": "Let the capture program save every exposure as a FITS file into this folder.",
    "folder-gone": "Look whether its disk or network drive is still connected.",
}
"""What to do in a state in which there is no frame to tell of."""


def verdict_of(frame: LiveFrame) -> str:
    """Verdict in words: a question mark where it may go either way."""
    if frame.verdict == "not-scored":
        return "not scored"
    doubt = "?" if frame.verdict == "marginal" else ""
    return ("keep" if frame.kept else "leave out") + doubt


def last_frame_lines(snapshot: LiveSnapshot, emphasis: Emphasis, cells: int) -> list[str]:
    """Three lines of what came last, or of what is waited for."""
    frame = snapshot.last
    if snapshot.state in {"waiting", "folder-gone"} or frame is None:
        state = STATES[snapshot.state]
        since = f"since {local_time(snapshot.news_utc)}"
        step = _FIRST_STEPS.get(snapshot.state, "")
        words = emphasis.bold(f"{state[0].upper()}{state[1:]}, {since}.")
        return [words, *_pair_of_lines(step, cells)]
    provisional = " (provisional)" if frame.provisional else ""
    verdict = f"{verdict_of(frame).upper()}{provisional}"
    first = beside([verdict, *_name_and_age(snapshot, frame, cells - len(verdict) - 3)], cells)
    if frame.stars is None:
        # Nothing could be measured: the reason needs the room more than dashes do.
        return [emphasis.bold(first), *_pair_of_lines(reason_of(frame), cells)]
    worth = "no score"
    if frame.verdict != "not-scored":
        of = f" of {frame.exposure_s:.3g} s" if snapshot.worth.in_seconds else ""
        worth = f"worth {on_screen('worth_s', frame.worth_s)}{of}"
    background = on_screen("background_adu", frame.background_adu)
    figures = [
        worth,
        f"light {on_screen('transparency', frame.transparency)}",
        f"FWHM {on_screen('fwhm_px', frame.fwhm_px)} px",
        f"stars {on_screen('stars', frame.stars)}",
        f"background {background}",
    ]
    return [emphasis.bold(first), beside(figures, cells), shorten(reason_of(frame), cells)]


def _pair_of_lines(text: str, cells: int) -> list[str]:
    """Wrap a text into two lines; what is too much is taken out of the second."""
    lines = textwrap.wrap(text, cells, break_on_hyphens=False)
    return [*lines[:1], shorten(" ".join(lines[1:]), cells), ""][:2]


def _name_and_age(snapshot: LiveSnapshot, frame: LiveFrame, cells: int) -> list[str]:
    """Name of a frame, when it was judged, and what waits; the name gives way."""
    parts = [f"judged {local_time(frame.judged_utc)}"]
    if snapshot.counts.waiting:
        parts.append(f"{snapshot.counts.waiting} waiting")
    room = cells - sum(len(part) + len(GAP) for part in parts)
    return [shorten(frame.file, min(max(room, _SHORTEST_NAME), _LONGEST_NAME)), *parts]
