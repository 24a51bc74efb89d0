"""Whole nights: which trouble when, the frames measured, and the truth about each."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Frame

from .conditions import Conditions
from .render import Field, Sensor, expose
from .star_images import Optics, noise_equivalent_area
from .troubles import EPISODES, SINGLES, Change, Setting
from .weather import Weather, ordinary_frames

__all__ = [
    "BROKEN",
    "DEVELOPMENT_SEEDS",
    "KINDS",
    "UNTOUCHED_SEEDS",
    "Episode",
    "FrameTruth",
    "Night",
    "draw_night",
]

SHAPE = (500, 700)
# Whoever works on the diagnosis looks at the first, and only the evaluation at the second.
DEVELOPMENT_SEEDS = range(1_000, 2_000)
UNTOUCHED_SEEDS = range(790_000, 791_000)
_QUIET_FRAMES = 7
_READ_VARIANCE_E2 = 1.6**2
# A frame lost worth to a cause when it would be worth this much more without (see `good`).
NOTICED = 0.05

KINDS = (
    "usual", "clean", "two-causes", "two-colours", "aberrated", "wrong-aperture", "no-aperture",
    "curved-field", "jittery",
)  # fmt: skip
"""Kinds of night."""

BROKEN = KINDS[3:]
"""Those that break the physics a diagnosis may build on."""

_PAIRS = (
    ("cloud", "out-of-focus"), ("cloud", "trailed"), ("dew", "bright-sky"),
    ("haze", "soft-seeing"), ("out-of-focus", "trailed"), ("bright-sky", "knocked"),
    ("dew", "out-of-focus"), ("haze", "bright-sky"), ("soft-seeing", "trailed"),
    ("cloud", "soft-seeing"), ("bright-sky", "out-of-focus"),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Episode:
    """One trouble that was put into the night.

    Attributes
    ----------
    cause : str
        Code of the cause.
    first, last : int
        Frames that it touched, however little.
    """

    cause: str
    first: int
    last: int


@dataclass(frozen=True, kw_only=True)
class FrameTruth:
    """What one frame lost, and to what.

    Attributes
    ----------
    losses : dict of str to float
        For each cause put in: 1 - worth with everything / worth without that cause.
    lost : float
        1 - worth / worth without any trouble.
    natural : float
        1 - worth without trouble / the night's median of it, airmass trend taken off: what the
        ordinary air took, negative for a lucky frame.
    defocus_waves : float
        Defocus, waves rms (Noll's Zernike coefficient at 550 nm), 80 mm f/6.
    light : float
        Part of the starlight that troubles let through, mean over the frame.
    straight : bool
        The image moved along one line only.
    """

    losses: dict[str, float]
    lost: float
    natural: float
    defocus_waves: float
    light: float
    straight: bool

    @property
    def causes(self) -> tuple[str, ...]:
        """Causes that cost 5 % or more, weightiest first."""
        noticed = [code for code, loss in self.losses.items() if loss >= NOTICED]
        return tuple(sorted(noticed, key=lambda code: -self.losses[code]))

    @property
    def good(self) -> bool:
        """Nothing was put in that cost 2 %, and the air took less than 5 %."""
        return all(loss < 0.02 for loss in self.losses.values()) and self.natural < NOTICED


@dataclass(frozen=True, kw_only=True, eq=False)
class Night:
    """A night to be diagnosed.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    seed : int
        It draws the same night again.
    conditions : tuple of Conditions
        Before the troubles.
    changes : tuple of dict of str to Change
        Troubles of each frame by cause.
    episodes : tuple of Episode
        Those of more than one frame.
    """

    kind: str
    seed: int
    weather: Weather
    optics: Optics
    field: Field
    sensor: Sensor
    conditions: tuple[Conditions, ...]
    changes: tuple[dict[str, Change], ...]
    episodes: tuple[Episode, ...]

    def file_name(self, index: int) -> str:
        """Name of a frame's file."""
        return f"night_{index:04d}.fits"

    def frames(self) -> Iterator[Frame]:
        """Take each frame, one after the other."""
        for index in range(len(self.conditions)):
            yield expose(
                self.file_name(index),
                self.through(index, tuple(self.changes[index])),
                self.field,
                self.sensor,
                self.optics,
                np.random.default_rng([self.seed, index]),
            )

    def through(self, index: int, causes: tuple[str, ...]) -> Conditions:
        """Conditions of a frame with some of its troubles."""
        state = self.conditions[index]
        for code in causes:
            state = self.changes[index][code](state)
        return state

    @cached_property
    def truths(self) -> tuple[FrameTruth, ...]:
        """The truth about every frame."""
        quiet = np.array([self._worth(state) for state in self.conditions])
        natural = 1 - quiet / _trend(quiet)
        return tuple(
            self._truth(index, float(quiet[index]), float(natural[index]))
            for index in range(len(self.conditions))
        )

    def _truth(self, index: int, quiet: float, natural: float) -> FrameTruth:
        codes = tuple(self.changes[index])
        state = self.through(index, codes)
        worth = self._worth(state) if codes else quiet
        losses = {}
        for code in codes:
            others = tuple(other for other in codes if other != code)
            without = self._worth(self.through(index, others)) if others else quiet
            losses[code] = _FAULTS.get(code, 1 - worth / without)
        lost = max([1 - worth / quiet, *(_FAULTS.get(code, 0.0) for code in codes)])
        x, y = _places()
        light = float(np.mean(state.light_at(x, y))) / self.conditions[index].transparency
        points = state.star.path.points_px
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        return FrameTruth(
            losses=losses,
            lost=lost,
            natural=natural,
            defocus_waves=abs(state.star.defocus_um) / (8 * 36 * 0.55 * 2 * np.sqrt(3)),
            light=light,
            straight=bool(spread[-1] < 0.1 * max(spread[0], 1e-9)),
        )

    def _worth(self, state: Conditions) -> float:
        """T^2 / (s^2 NEA) of a faint star, averaged over the frame's places."""
        x, y = _places()
        variance = state.sky_at(x, y) + _READ_VARIANCE_E2
        # The halfway zone stands for all where the focus is curved.
        radius = 0.5 if self.optics.curvature_um else 0.0
        area = noise_equivalent_area(state.star.draw(self.optics, radius))
        return float(np.mean(state.light_at(x, y) ** 2 / variance)) / area


# What these take does not show in T^2 / (s^2 NEA): a line spoils what it crosses, and a full
# sensor everything.
_FAULTS = {"streak": 0.2, "overexposed": 1.0}


def _places() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.linspace(-0.95, 0.95, 15), np.linspace(-0.95, 0.95, 11)[:, None]


def _trend(worth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slow course of the ordinary air: a straight line through the logarithm."""
    number = np.arange(len(worth))
    return np.asarray(np.exp(np.polyval(np.polyfit(number, np.log(worth), 1), number)))


def draw_night(kind: str, seed: int, frames: int = 120, shape: tuple[int, int] = SHAPE) -> Night:
    """Make up a night.

    Parameters
    ----------
    kind : str
        One of `KINDS`. 'usual': about a third of the frames troubled, one cause a frame, in
        episodes and singly. 'clean': none. 'two-causes': overlapping pairs. The others: as
        'usual', seen through optics that are not what they are taken for.
    seed : int
        From `DEVELOPMENT_SEEDS` or `UNTOUCHED_SEEDS`.
    frames : int
        How many.
    shape : tuple of int
        (ny, nx), px.
    """
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    weather = Weather.drawn(rng)
    optics, card_mm = _telescope(kind, rng)
    conditions = ordinary_frames(weather, frames, rng)
    if kind == "jittery":
        shake = 0.6 * np.exp(0.12 * rng.standard_normal(frames))
        conditions = [
            replace(one, star=replace(one.star, jitter_px=float(px)))
            for one, px in zip(conditions, shake, strict=True)
        ]
    setting = Setting(weather, shape, rng)
    changes: tuple[dict[str, Change], ...] = tuple({} for _ in range(frames))
    episodes: list[Episode] = []
    if kind == "two-causes":
        episodes = _overlapping(setting, changes)
    elif kind != "clean":
        episodes = _one_by_one(setting, changes, seed)
    return Night(
        kind=kind,
        seed=seed,
        weather=weather,
        optics=optics,
        field=Field.drawn(shape, int(rng.integers(170, 320)), rng),
        sensor=Sensor.drawn(shape, card_mm, rng),
        conditions=tuple(conditions),
        changes=changes,
        episodes=tuple(episodes),
    )


def _telescope(kind: str, rng: np.random.Generator) -> tuple[Optics, float | None]:
    """Draw the telescope as it is, and the aperture that the header states."""
    optics, card_mm = Optics(), 80.0
    if kind == "two-colours":
        offset = rng.uniform(8, 20)
        optics = Optics(colours=((470.0, 0.45, offset), (620.0, 0.55, -offset)))
    elif kind == "aberrated":
        terms = rng.normal(0, 1, 3)
        terms *= rng.uniform(0.04, 0.08) / np.linalg.norm(terms)
        optics = Optics(spherical=terms[0], coma=terms[1], astigmatism=terms[2])
    elif kind == "curved-field":
        optics = Optics(curvature_um=float(rng.choice([-1, 1]) * rng.uniform(25, 60)))
    elif kind == "wrong-aperture":
        card_mm = float(rng.choice([60.0, 70.0, 100.0]))
    return optics, None if kind == "no-aperture" else card_mm


def _put(
    changes: tuple[dict[str, Change], ...], first: int, code: str, parts: list[Change]
) -> Episode:
    for place, change in enumerate(parts):
        changes[first + place][code] = change
    return Episode(cause=code, first=first, last=first + len(parts) - 1)


def _one_by_one(
    setting: Setting, changes: tuple[dict[str, Change], ...], seed: int
) -> list[Episode]:
    """Episodes with quiet between them, then single frames in the quiet."""
    rng = setting.rng
    # Three neighbouring seeds share an order, so that they show every cause between them.
    codes = np.random.default_rng(seed // 3).permutation(list(EPISODES))
    turn = np.roll(codes, -3 * (seed % 3))[: 3 + seed % 2]
    episodes: list[Episode] = []
    at = _QUIET_FRAMES + int(rng.integers(0, 8))
    for code in rng.permutation(turn):
        draw, fewest, most = EPISODES[code]
        count = int(rng.integers(fewest, most + 1))
        if at + count + _QUIET_FRAMES > len(changes):
            continue
        episodes.append(_put(changes, at, str(code), list(draw(setting, count))))
        at += count + _QUIET_FRAMES + int(rng.integers(0, 8))
    singles = list(SINGLES)
    quiet = [
        i
        for i in range(1, len(changes) - 1)
        if not any(changes[j] for j in range(max(0, i - 2), min(len(changes), i + 3)))
    ]
    for k, i in enumerate(sorted(int(i) for i in rng.permutation(quiet)[: len(changes) // 15])):
        if not any(changes[j] for j in (i - 1, i + 1)):
            code = singles[(seed + k) % len(singles)]
            _put(changes, i, code, list(SINGLES[code](setting, 1)))
    return episodes


def _overlapping(setting: Setting, changes: tuple[dict[str, Change], ...]) -> list[Episode]:
    """Pairs of causes, one inside the other."""
    rng = setting.rng
    episodes: list[Episode] = []
    at = _QUIET_FRAMES + int(rng.integers(0, 6))
    for pair in (_PAIRS[i] for i in rng.permutation(len(_PAIRS))):
        count = int(rng.integers(16, 26))
        if at + count + _QUIET_FRAMES > len(changes):
            break
        begin, end = int(rng.integers(0, 4)), int(rng.integers(0, 4))
        outer, inner = (pair[i] for i in rng.permutation(2))
        episodes.append(_put(changes, at, outer, list(EPISODES[outer][0](setting, count))))
        parts = list(EPISODES[inner][0](setting, count - begin - end))
        episodes.append(_put(changes, at + begin, inner, parts))
        at += count + _QUIET_FRAMES + int(rng.integers(0, 6))
    return episodes
