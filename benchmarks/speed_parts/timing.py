"""Times of several works done in turn, and figures with the most they may be."""

import sys
import time
from collections.abc import Callable, Container, Hashable, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["FEW", "Check", "Timed", "in_turn", "milliseconds", "say", "spin", "spread"]

Name = TypeVar("Name", bound=Hashable)
Given = TypeVar("Given")
# Repeats of what takes long.
FEW = 3


@dataclass(frozen=True)
class Timed(Generic[Given]):
    """Seconds of each repeat, and what the last one gave."""

    seconds: NDArray[np.float64]
    given: Given

    def over(self, other: "Timed[Any]") -> NDArray[np.float64]:
        """Give the ratio to the other's, repeat by repeat: a slow spell hits both."""
        count = min(len(self.seconds), len(other.seconds))
        return self.seconds[:count] / other.seconds[:count]


@dataclass(frozen=True)
class Check:
    """The median of a figure and the most it may be."""

    what: str
    values: NDArray[np.float64]
    most: float

    @property
    def kept(self) -> bool:
        """Whether it is within the limit."""
        return float(np.median(self.values)) <= self.most

    @property
    def limit(self) -> str:
        """The limit, and in words whether it is kept."""
        return f"{self.most:.2f}, {'kept' if self.kept else 'MISSED'}"


def spin(count: int) -> int:
    """Add up in a loop of plain Python: what it takes tells how fast the machine is just now."""
    total = 0
    for number in range(count):
        total += number
    return total


def in_turn(
    works: Mapping[Name, Callable[[], Given]], repeats: int, slow: Container[Name] = ()
) -> dict[Name, Timed[Given]]:
    """Do all works one after the other, again and again.

    The first round is not counted. What is slow is left out of it, and done in few rounds.
    """
    seconds: dict[Name, list[float]] = {name: [] for name in works}
    given = {}
    for number in range(repeats + 1):
        for name, work in works.items():
            if name in slow and not 1 <= number <= FEW:
                continue
            begun = time.perf_counter()
            given[name] = work()
            if number > 0:
                seconds[name].append(time.perf_counter() - begun)
    return {name: Timed(np.array(seconds[name]), given[name]) for name in works}


def milliseconds(seconds: NDArray[np.float64]) -> str:
    """Median and range in milliseconds, short ones with a decimal."""
    return spread(1000 * seconds, 1 if np.median(seconds) < 0.1 else 0)


def spread(values: NDArray[np.float64], digits: int) -> str:
    """Median, lowest and highest; of a single value that alone."""
    low, middle, high = (f"{value:.{digits}f}" for value in np.percentile(values, [0, 50, 100]))
    return middle if len(values) == 1 else f"{middle} ({low}-{high})"


def say(words: str) -> None:
    """Tell how far it is."""
    print(words, file=sys.stderr, flush=True)
