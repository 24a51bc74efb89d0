"""Has a night diagnosed, marks the answers and takes the time."""

import cProfile
import pstats
import time
from dataclasses import dataclass

from starwinnow.measure import measure
from starwinnow.night import Night
from starwinnow.settings import Settings

from .marking import Marked, MarkedEpisode, mark_episodes, mark_frames
from .nights import SHAPE, draw_night

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
    measure_s, snapshot_s, diagnosis_s : float
        Time to measure its frames, to score and judge them, and what of the latter the
        diagnosis took.
    """

    kind: str
    seed: int
    frames: tuple[Marked, ...]
    episodes: tuple[MarkedEpisode, ...]
    false_episodes: int
    measure_s: float
    snapshot_s: float
    diagnosis_s: float


def judge(kind: str, seed: int, frames: int, shape: tuple[int, int] = SHAPE) -> Outcome:
    """Draw a night, measure its frames, have them diagnosed, and mark the answers."""
    drawn = draw_night(kind, seed, frames, shape)
    night, measure_s = Night(), 0.0
    for frame in drawn.frames():
        began = time.perf_counter()
        night.add(measure(frame))
        measure_s += time.perf_counter() - began
    profile = cProfile.Profile()
    began = time.perf_counter()
    snapshot = profile.runcall(night.snapshot, Settings())
    snapshot_s = time.perf_counter() - began
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
        measure_s=measure_s,
        snapshot_s=snapshot_s,
        diagnosis_s=_diagnosis_time(profile),
    )


def _diagnosis_time(profile: cProfile.Profile) -> float:
    """Seconds inside functions of the diagnosis that others called."""
    seconds = 0.0
    for (path, _, _), (_, _, _, _, callers) in pstats.Stats(profile).stats.items():  # type: ignore[attr-defined]
        if "diagnosis" in path:
            seconds += sum(
                total
                for (caller, _, _), (_, _, _, total) in callers.items()
                if "diagnosis" not in caller
            )
    return seconds
