"""Marks a diagnosis against the truth: what counts as right, as honest, and as wrong.

Two causes that one frame alone cannot tell apart may be answered jointly, as
`out-of-focus|soft-seeing`; when that is so follows from physics, not from the answer.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from .nights import FrameTruth, Night
from .star_images import StarImage, noise_equivalent_area

__all__ = ["CLEAR", "JOINTS", "Marked", "MarkedEpisode", "fitting", "mark_episodes", "mark_frames"]

# Frames that lost this much are to be told rightly.
CLEAR = 0.15
NOTICED = 0.05
JOINTS = (
    frozenset({"out-of-focus", "soft-seeing"}),
    frozenset({"cloud", "haze", "dew"}),
    frozenset({"trailed", "knocked"}),
)
"""Causes that may be hard to tell apart."""

# Defocus below which a frame's image does not differ from wider seeing by more than its own
# error: about .07 waves rms in trials with 80 mm f/6.
_SLIGHT_WAVES = 0.07
_HEAVY_CLOUD_LIGHT = 0.5
_ENDS_WITHIN = 2
_SHORTEST = 3


@dataclass(frozen=True, kw_only=True)
class Marked:
    """One frame, its truth and the answer.

    Attributes
    ----------
    kind, seed, index
        Where it is from.
    truth : FrameTruth
        What it lost, and to what.
    answer : tuple of str
        Causes named, weightiest first.
    allowed : dict of str to tuple of str
        By true cause: others that a joint answer may add to it.
    """

    kind: str
    seed: int
    index: int
    truth: FrameTruth
    answer: tuple[str, ...]
    allowed: dict[str, tuple[str, ...]]

    @property
    def cause(self) -> str:
        """Weightiest true cause, '' for none that cost 5 %."""
        return self.truth.causes[0] if self.truth.causes else ""

    @property
    def clear(self) -> bool:
        """Lost 15 % or more to a cause."""
        return bool(self.cause) and self.truth.lost >= CLEAR

    @property
    def slight(self) -> bool:
        """Lost 5 to 15 % to a cause."""
        return bool(self.cause) and NOTICED <= self.truth.lost < CLEAR

    @property
    def first(self) -> str:
        """First cause named, '' for none."""
        return self.answer[0] if self.answer else ""

    @property
    def right(self) -> bool:
        """Whether the first cause named is the weightiest true one, or an honest joint answer."""
        return fitting(self.first, self.cause, self.allowed.get(self.cause, ()))

    @property
    def honest(self) -> bool:
        """Right, or a joint answer of causes that are hard to tell apart, the true one among."""
        group = next((joint for joint in JOINTS if self.cause in joint), frozenset())
        return fitting(self.first, self.cause, tuple(group))

    def names(self, cause: str) -> bool:
        """Whether a true cause is named, first or not, alone or in an honest joint answer."""
        return any(fitting(named, cause, self.allowed[cause]) for named in self.answer)

    @property
    def wrong_single(self) -> bool:
        """Whether a single cause is named first that is not true."""
        return bool(self.first) and "|" not in self.first and self.first not in self.truth.causes

    def names_truth(self, named: str) -> bool:
        """Whether something named did cost this frame 2 % or more, the air's own waves with it."""
        true = {code for code, loss in self.truth.losses.items() if loss >= 0.02}
        if self.truth.natural >= NOTICED:
            true.add("soft-seeing")
        return bool(true & set(named.split("|")))


@dataclass(frozen=True, kw_only=True)
class MarkedEpisode:
    """An episode put in, and how the one found for it begins and ends.

    Attributes
    ----------
    cause : str
        The true cause.
    frames : int
        How many frames lost 5 % or more to it.
    off_first, off_last : int or None
        Frames by which the ends found differ; None where none of its cause was found.
    """

    kind: str
    seed: int
    cause: str
    frames: int
    off_first: int | None
    off_last: int | None

    @property
    def both_ends(self) -> bool:
        """Both ends within two frames."""
        if self.off_first is None or self.off_last is None:
            return False
        return max(abs(self.off_first), abs(self.off_last)) <= _ENDS_WITHIN


def fitting(named: str, cause: str, allowed: Iterable[str]) -> bool:
    """Whether `named` is the cause, alone or joined only with what is allowed beside it."""
    codes = set(named.split("|"))
    return cause in codes and codes <= {cause, *allowed}


def mark_frames(night: Night, answers: Sequence[tuple[str, ...]]) -> list[Marked]:
    """Set each frame's answer beside its truth."""
    limit = _slight_loss(night)
    return [
        Marked(
            kind=night.kind,
            seed=night.seed,
            index=index,
            truth=truth,
            answer=tuple(answer),
            allowed={cause: _allowed(night, index, cause, limit) for cause in truth.causes},
        )
        for index, (truth, answer) in enumerate(zip(night.truths, answers, strict=True))
    ]


def _allowed(night: Night, index: int, cause: str, slight_loss: float) -> tuple[str, ...]:
    """Which other causes cannot be told from a true one in this frame."""
    truth = night.truths[index]
    others: set[str] = set()
    if cause in JOINTS[0]:
        slight = (
            truth.defocus_waves < _SLIGHT_WAVES
            if cause == "out-of-focus"
            else truth.losses[cause] < slight_loss
        )
        if slight or night.kind == "no-aperture" or truth.light < _HEAVY_CLOUD_LIGHT:
            others = set(JOINTS[0])
    elif cause in JOINTS[1]:
        near = night.changes[max(0, index - 1) : index + 2]
        alone = sum(cause in changes for changes in near) == 1
        others = set(JOINTS[1]) if alone else set()
    elif cause == "knocked" and truth.straight:
        others = set(JOINTS[2])
    return tuple(sorted(others - {cause}))


def _slight_loss(night: Night) -> float:
    """Work out what the largest defocus that looks like seeing would cost in this night."""
    middle = night.conditions[len(night.conditions) // 2].star
    um = _SLIGHT_WAVES * 8 * 36 * 0.55 * 2 * np.sqrt(3)
    sharp = StarImage(seeing_px=middle.seeing_px, jitter_px=middle.jitter_px)
    soft = StarImage(seeing_px=middle.seeing_px, jitter_px=middle.jitter_px, defocus_um=um)
    areas = [noise_equivalent_area(star.draw(night.optics)) for star in (sharp, soft)]
    return 1 - areas[0] / areas[1]


def mark_episodes(
    night: Night, found: Sequence[tuple[int, int, str]]
) -> tuple[list[MarkedEpisode], int]:
    """Set episodes found (first frame, last frame, cause) beside those put in.

    True ends are the first and last frame that lost 5 % to the cause. Episodes count that have
    at least three such frames and one that lost 15 %.

    Returns
    -------
    list of MarkedEpisode
        Those put in.
    int
        How many of those found share no frame with any trouble, in which the air did not take
        5 % of a frame either.
    """
    marked = []
    for episode in night.episodes:
        frames = range(episode.first, episode.last + 1)
        losses = np.array([night.truths[i].losses[episode.cause] for i in frames])
        noticed = np.flatnonzero(losses >= NOTICED) + episode.first
        if len(noticed) < _SHORTEST or losses.max() < CLEAR:
            continue
        first, last = int(noticed[0]), int(noticed[-1])
        same = [
            (begin, end)
            for begin, end, named in found
            if episode.cause in named.split("|") and begin <= last and end >= first
        ]
        best = max(same, key=lambda ends: min(ends[1], last) - max(ends[0], first), default=None)
        marked.append(
            MarkedEpisode(
                kind=night.kind,
                seed=night.seed,
                cause=episode.cause,
                frames=len(noticed),
                off_first=None if best is None else best[0] - first,
                off_last=None if best is None else best[1] - last,
            )
        )
    false = [
        (begin, end)
        for begin, end, _ in found
        if not any(night.changes[i] for i in range(begin, end + 1))
        and all(night.truths[i].natural < NOTICED for i in range(begin, end + 1))
    ]
    return marked, len(false)
