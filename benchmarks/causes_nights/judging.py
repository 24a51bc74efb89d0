"""Has a night diagnosed, marks the answers and takes the time."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from starwinnow import night as night_module
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
        Processor time to measure its frames, to score and judge them, and what of the latter
        the diagnosis took.
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
        began = time.process_time()
        night.add(measure(frame))
        measure_s += time.process_time() - began
    with _timed_diagnosis() as diagnosis_s:
        began = time.process_time()
        snapshot = night.snapshot(Settings())
        snapshot_s = time.process_time() - began
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
        diagnosis_s=sum(diagnosis_s),
    )


@contextmanager
def _timed_diagnosis() -> Iterator[list[float]]:
    """Write down how long each call of the diagnosis takes."""
    diagnose, times = night_module.diagnose_run, []

    def timed(*arguments: Any, **options: Any) -> Any:
        began = time.process_time()
        given = diagnose(*arguments, **options)
        times.append(time.process_time() - began)
        return given

    night_module.diagnose_run = timed
    try:
        yield times
    finally:
        night_module.diagnose_run = diagnose
