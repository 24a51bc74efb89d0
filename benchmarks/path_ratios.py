"""What each path costs beside a fixed control, to notice when one gets slower.

`python benchmarks/path_ratios.py` records tables/path_ratios.json; a test compares with it. Times
are the processor's for the calling thread, and path and control take turns: on two cores with
eleven programs waiting for them, medians of 15 rounds for one frame kept within 4 % in 12 runs.
"""

import argparse
import json
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.measuring import measure_file, measure_files
from starwinnow.night import Night
from starwinnow.readers import frame_paths, read_frame
from starwinnow.settings import Settings
from starwinnow.store import NightStore

__all__ = ["RECORD", "Paths", "cpu_model", "ratio"]

RECORD = Path(__file__).parent / "tables" / "path_ratios.json"
_SAMPLE = Path(__file__).parents[1] / "sample_frames"
_ROUNDS = 15
_RECORDED_RUNS = 20
_FRAMES = 8
_RECALLED = 10


class Paths:
    """The paths, ready to run on the sample frames.

    Parameters
    ----------
    folder : Path
        For a store.
    """

    def __init__(self, folder: Path) -> None:
        self.files = frame_paths(_SAMPLE)
        self.store = NightStore(folder / "night.sqlite")
        found = list(measure_files(self.files, self.store))
        self.measures = [one for one in found if isinstance(one, FrameMeasures)]
        plain, gzipped, self.tiled = (
            next(path for path in self.files if path.suffix == suffix)
            for suffix in (".fits", ".gz", ".fz")
        )
        frame = read_frame(plain)
        self.by_name: dict[str, Callable[[], object]] = {
            "read and measure": lambda: measure_file(plain),
            "measure": lambda: measure(frame),
            "read .gz": lambda: [read_frame(gzipped) for _ in range(4)],
            "read .fz": lambda: self.read_tiled(2),
            "recall": self.recall,
            "score": self.score,
        }

    def read_tiled(self, times: int) -> list[object]:
        """Read a tile-compressed file so many times."""
        return [read_frame(self.tiled) for _ in range(times)]

    def recall(self) -> list[object]:
        """Recognise files and read their measures back."""
        return list(measure_files(self.files[:_RECALLED], self.store))

    def score(self) -> object:
        """Score and judge a small night."""
        night = Night()
        for one in self.measures[:_FRAMES]:
            night.add(one)
        return night.snapshot(Settings())

    def close(self) -> None:
        """Close the store."""
        self.store.close()


def ratio(path: Callable[[], object], control: Callable[[], object] | None = None) -> float:
    """Median over interleaved rounds of a path's processor time over the control's."""
    path()
    against = control or _control
    return float(np.median([_seconds(path) / _seconds(against) for _ in range(_ROUNDS)]))


def cpu_model() -> str:
    """Name of the processor: ratios differ from one kind to another."""
    try:
        for line in Path("/proc/cpuinfo").read_text(encoding="ascii").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    except OSError:
        pass
    return platform.processor() or platform.machine()


def _seconds(work: Callable[[], object]) -> float:
    begun = time.thread_time()
    work()
    return time.thread_time() - begun


def _control() -> float:
    """Sorting, arithmetic over arrays, and plain Python: nothing of ours, some 20 ms."""
    values = np.random.default_rng(1).random((400, 600), dtype=np.float32)
    for _ in range(4):
        values = np.sort(values, axis=1)
        values = np.sqrt(np.abs(np.cumsum(values, axis=0) % 7) + 1)
    total = 0
    for number in range(60_000):
        total += number * number
    return float(values.sum()) + total


def main() -> None:
    """Record the median of many runs for each path, and say how far they spread."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=_RECORDED_RUNS, help="runs of each path (20)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths = Paths(Path(folder))
        runs = [
            {name: ratio(path) for name, path in paths.by_name.items()} for _ in range(options.runs)
        ]
        paths.close()
    recorded = {}
    for name in runs[0]:
        values = np.array([run[name] for run in runs])
        recorded[name] = round(float(np.median(values)), 4)
        spread = 100 * (np.percentile(values, [0, 100]) / recorded[name] - 1)
        print(f"{name:20} {recorded[name]:7.3f}  {spread[0]:+.1f} to {spread[1]:+.1f} %")
    content = {"cpu": cpu_model(), "numpy": np.__version__, "ratios": recorded}
    RECORD.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    print(f"see {RECORD}", file=sys.stderr)


if __name__ == "__main__":
    main()
