"""Where the time of one frame goes: reading, and each step of measuring it.

`python benchmarks/stages.py FRAME` shows it for a file.
"""

import argparse
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from starwinnow import measure as steps
from starwinnow.readers import read_frame

__all__ = ["STAGES", "profile"]

# Stages, and the names in `starwinnow.measure` of the functions that do them.
STAGES = {
    "background": ("measure_background",),
    "detection": ("detect",),
    "sources": ("find_sources", "cover"),
    "fit": ("fit_stars",),
    "figures": ("star_figures",),
    "photometry": ("star_columns",),
    "average star": ("average_star",),
    "mask check": ("is_mask_on",),
}


def profile(path: Path, repeats: int) -> dict[str, NDArray[np.float64]]:
    """Time every stage of reading and measuring a frame.

    Returns
    -------
    dict of str to ndarray, shape (repeats,)
        Seconds of each stage, of the rest, and of all; a first round is not counted.
    """
    rounds = [_round(path) for _ in range(repeats + 1)][1:]
    return {stage: np.array([one[stage] for one in rounds]) for stage in rounds[0]}


def _round(path: Path) -> dict[str, float]:
    spent = {"reading": 0.0, **dict.fromkeys(STAGES, 0.0)}
    begun = time.perf_counter()
    frame = read_frame(path, lasting=False)
    spent["reading"] = time.perf_counter() - begun
    with _watched(spent):
        steps.measure(frame)
    whole = time.perf_counter() - begun
    return spent | {"rest": whole - sum(spent.values()), "all": whole}


@contextmanager
def _watched(spent: dict[str, float]) -> Iterator[None]:
    """Have the stages add their seconds to `spent`."""
    with ExitStack() as stack:
        for stage, names in STAGES.items():
            for name in names:
                timed = _timed(getattr(steps, name), stage, spent)
                stack.enter_context(mock.patch.object(steps, name, timed))
        yield


def _timed(function: Callable[..., Any], stage: str, spent: dict[str, float]) -> Callable[..., Any]:
    def timed(*arguments: Any, **options: Any) -> Any:
        begun = time.perf_counter()
        given = function(*arguments, **options)
        spent[stage] += time.perf_counter() - begun
        return given

    return timed


def main() -> None:
    """Show the profile of one file."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("frame", type=Path, help="a FITS file")
    parser.add_argument("--repeats", type=int, default=9, help="repeats (9)")
    options = parser.parse_args()
    for stage, seconds in profile(options.frame, options.repeats).items():
        low, middle, high = 1000 * np.percentile(seconds, [0, 50, 100])
        print(f"{stage:14}{middle:8.2f} ms  ({low:.2f}-{high:.2f})")


if __name__ == "__main__":
    main()
