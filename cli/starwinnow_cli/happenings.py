"""What went wrong in a run, when, what it cost and what to do, in a few lines."""

from collections import Counter
from collections.abc import Iterable
from typing import TYPE_CHECKING

from starwinnow.diagnosis import Episode, cause_words
from starwinnow.night import FrameRow, NightSnapshot, RunSummary
from starwinnow_cli.screen import TIE, duration, labelled, local_time

if TYPE_CHECKING:
    from starwinnow.live_snapshot import LiveFrame

__all__ = ["counted", "episode_text", "happenings", "reason_of"]

_MOST_EPISODES = 3
_MOST_SINGLE = 4


def happenings(snapshot: NightSnapshot, run: RunSummary, cells: int) -> list[str]:
    """Tell the costliest episodes of a run in time order, and single frames by cause."""
    costliest = sorted(run.episodes, key=lambda episode: -_cost(episode))[:_MOST_EPISODES]
    lines: list[str] = []
    for episode in [one for one in run.episodes if one in costliest]:
        text = episode_text(episode, in_seconds=run.worth_in_seconds)
        lines += labelled("" if lines else "Happened", text, cells)
    rest = len(run.episodes) - len(costliest)
    others = [f"{rest} smaller episode{'s' * (rest > 1)}"] if rest else []
    others += _single_frames(snapshot, run)
    if others:
        lines += labelled("" if lines else "Happened", f"also {', '.join(others)}", cells)
    return lines


def episode_text(episode: Episode, *, in_seconds: bool) -> str:
    """One episode: when, what, how much, what it cost and what to do."""
    what = f"{cause_words(episode.cause)}: {episode.size}".replace(" px", f"{TIE}px")
    cost = f"cost {_share(episode, in_seconds=in_seconds)}"
    text = "; ".join(filter(None, (f"{_times(episode)} {what}", cost)))
    return f"{text}. {episode.advice}".rstrip()


def _times(episode: Episode) -> str:
    """Local start and end to the minute, or the first frame where no header tells the time."""
    if episode.start_utc is None or episode.end_utc is None:
        return f"{episode.frames} frames from {episode.first_file},"
    start, end = (local_time(time)[:5] for time in (episode.start_utc, episode.end_utc))
    return start if start == end else f"{start}-{end}"


def _share(episode: Episode, *, in_seconds: bool) -> str:
    if not in_seconds:
        return f"{episode.cost_s:.1f} of {episode.exposed_s:.1f} frames"
    if episode.exposed_s < 120:
        return f"{episode.cost_s:.0f} of {episode.exposed_s:.0f}{TIE}s"
    if episode.exposed_s < 7200:
        return f"{episode.cost_s / 60:.1f} of {episode.exposed_s / 60:.1f}{TIE}min"
    return f"{duration(episode.cost_s)} of {duration(episode.exposed_s)}"


def _cost(episode: Episode) -> float:
    """Cost to sort by; what cannot be told comes last."""
    return episode.cost_s if episode.cost_s == episode.cost_s else 0.0


def _single_frames(snapshot: NightSnapshot, run: RunSummary) -> list[str]:
    """Frames with a cause that no episode holds, counted by cause."""
    ordered = [row for row in snapshot.rows if row.run == run.run]
    places = {row.file: place for place, row in enumerate(ordered)}
    told = {
        (row.file, episode.cause)
        for episode in run.episodes
        for row in ordered[places[episode.first_file] : places[episode.last_file] + 1]
    }
    counts = Counter(
        cause for row in ordered for cause in row.causes if (row.file, cause) not in told
    )
    return counted(counts.most_common(_MOST_SINGLE))


def counted(causes: Iterable[tuple[str, int]]) -> list[str]:
    """Causes in words, each tied to how often it was found: no line breaks within."""
    return [f"{count} x {cause_words(cause)}".replace(" ", TIE) for cause, count in causes]


def reason_of(frame: "FrameRow | LiveFrame") -> str:
    """Say in words what is wrong with a frame; '' for nothing."""
    return frame.note or ", ".join(map(cause_words, frame.causes))
