"""Has a night diagnosed and marks the answers."""

from dataclasses import dataclass

from starwinnow.measure import measure
from starwinnow.night import Night
from starwinnow.settings import Settings

from .marking import Marked, MarkedEpisode, mark_episodes, mark_frames
from .nights import draw_night

__all__ = ["Outcome", "judge"]

# Said beside a cause of their own, of frames that show no stars any more.
_BESIDE = {"few-stars"}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """One night, marked.

    Attributes
    ----------
    frames : tuple of Marked
    episodes : tuple of MarkedEpisode
    false_episodes : int
    """

    kind: str
    seed: int
    frames: tuple[Marked, ...]
    episodes: tuple[MarkedEpisode, ...]
    false_episodes: int


def judge(kind: str, seed: int, frames: int) -> Outcome:
    """Draw a night, measure its frames, have them diagnosed, and mark the answers."""
    drawn = draw_night(kind, seed, frames)
    night = Night()
    for frame in drawn.frames():
        night.add(measure(frame))
    snapshot = night.snapshot(Settings())
    names = [drawn.file_name(index) for index in range(frames)]
    causes = {row.file: row.causes for row in snapshot.rows}
    answers = [tuple(code for code in causes[name] if code not in _BESIDE) for name in names]
    found = [
        (names.index(episode.first_file), names.index(episode.last_file), episode.cause)
        for run in snapshot.runs
        for episode in run.episodes
    ]
    episodes, false_episodes = mark_episodes(drawn, found)
    return Outcome(
        kind=kind,
        seed=seed,
        frames=tuple(mark_frames(drawn, answers)),
        episodes=tuple(episodes),
        false_episodes=false_episodes,
    )
