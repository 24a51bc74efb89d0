"""How many instructions each path takes, to notice when one takes more.

`python benchmarks/path_counts.py` records tables/path_counts.json; a test compares with it. The
counting is done by Debian's package valgrind, on code compiled for one fixed, older processor: so
what else runs does not matter, nor which processor this is if it knows AVX2, while times beside a
control were seen to move by a quarter for minutes.
"""

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path
from typing import IO

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.measuring import measure_file, measure_files
from starwinnow.night import Night
from starwinnow.readers import frame_paths, read_frame
from starwinnow.settings import Settings
from starwinnow.store import NightStore

__all__ = ["RECORD", "CannotCountError", "count_paths", "versions"]

RECORD = Path(__file__).parent / "tables" / "path_counts.json"
_SAMPLE = Path(__file__).parents[1] / "sample_frames"
_FRAMES = 8
_RECALLED = 10
_LONGEST_S, _PATIENCE_S = 600.0, 60.0
# A processor whose every instruction valgrind knows; of the next one it was seen to miss some.
_PROCESSOR = {"NUMBA_CPU_NAME": "nehalem", "NUMBA_CPU_FEATURES": "+sse4.2,+popcnt"}


class CannotCountError(RuntimeError):
    """Instructions cannot be counted here, and why."""


class _Paths:
    """The paths, ready to run on the sample frames; a store in `folder`."""

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
            "read .gz": lambda: read_frame(gzipped),
            "read .fz": lambda: self.read_tiled(5),
            # Not a path: the same work and a fifth more, which the guard must notice.
            "read .fz, a fifth more": lambda: self.read_tiled(6),
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


def count_paths() -> dict[str, int]:
    """Count the instructions of each path.

    Returns
    -------
    dict of str to int
        For each path, run once after it was run before.

    Raises
    ------
    CannotCountError
        There is no valgrind, or it must not be steered, or this is another kind of machine.
    RuntimeError
        A path failed.
    """
    valgrind, control = shutil.which("valgrind"), shutil.which("callgrind_control")
    if valgrind is None or control is None:
        raise CannotCountError("Debian's package valgrind is not here")
    if platform.machine() != "x86_64":
        raise CannotCountError(f"counts are recorded for x86_64, not for {platform.machine()}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        # Compiled outside, since compiling under valgrind takes half an hour.
        with _running([], folder) as (_, said, answer):
            for _ in said:
                _go_on(answer)
        counting = [valgrind, "--tool=callgrind", "--instr-atstart=no", "--quiet"]
        counting.append(f"--callgrind-out-file={folder / 'counts'}")
        with _running(counting, folder) as (child, said, answer):
            return dict(_counts(child, said, answer, control, folder))


def _counts(
    child: subprocess.Popen[str],
    said: IO[str],
    answer: IO[str],
    control: str,
    folder: Path,
) -> Iterator[tuple[str, int]]:
    """Steer the counting from outside: what the steering takes must not be counted."""

    def steer(*order: str) -> None:
        # Where one process may not look into another it would try for ever.
        with suppress(subprocess.TimeoutExpired):
            done = subprocess.run(
                [control, *order, str(child.pid)],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=_PATIENCE_S,
                check=False,
            )
            if done.returncode == 0:
                return
        raise CannotCountError("valgrind must not be steered here")

    dumps = 0
    for line in said:
        match line.split(maxsplit=1):
            case ["ready"]:
                steer("--instr=on")
            case ["begin", _]:
                steer("--zero")
            case ["end", name]:
                dumps += 1
                steer("--dump")
                dump = (folder / f"counts.{dumps}").read_text(encoding="ascii")
                yield name.strip(), int(dump.partition("\nsummary: ")[2].split()[0])
        _go_on(answer)


@contextmanager
def _running(
    before: list[str], folder: Path
) -> Iterator[tuple[subprocess.Popen[str], IO[str], IO[str]]]:
    """Run this file, which runs the paths and waits for an answer to each line it says."""
    environment = os.environ | _PROCESSOR
    environment |= {
        "NUMBA_CACHE_DIR": str(folder / "compiled"),
        "PYTHONHASHSEED": "0",
        "PYTHONPATH": os.pathsep.join(sys.path),
    }
    with (
        tempfile.TemporaryDirectory(dir=folder) as own,
        subprocess.Popen(
            [*before, sys.executable, __file__, "--inside", own],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL if before else None,
            env=environment,
            text=True,
        ) as child,
    ):
        assert child.stdin is not None
        assert child.stdout is not None
        ending = threading.Timer(_LONGEST_S, child.kill)
        ending.start()
        try:
            yield child, child.stdout, child.stdin
            if child.wait():
                raise RuntimeError(f"a path ended with {child.returncode}")
        finally:
            ending.cancel()
            child.kill()


def _go_on(answer: IO[str]) -> None:
    answer.write("\n")
    answer.flush()


def _run_inside(folder: Path) -> None:
    """Run each path twice, saying where the second begins and ends."""

    def say(what: str) -> None:
        print(what, flush=True)
        sys.stdin.readline()

    paths = _Paths(folder)
    say("ready")
    for name, path in paths.by_name.items():
        path()
        say(f"begin {name}")
        path()
        say(f"end {name}")
    paths.store.close()


def versions() -> dict[str, str]:
    """Tell what the counts depend on beside the project."""
    found = {name: version(name) for name in ("numba", "numpy", "scipy", "astropy", "isal")}
    return {"python": platform.python_version(), **found}


def main() -> None:
    """Record the counts, and say how they differ from the ones before."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inside", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.inside is not None:
        _run_inside(options.inside)
        return
    before = json.loads(RECORD.read_text(encoding="utf-8"))["counts"] if RECORD.exists() else {}
    counts = count_paths()
    for name, count in counts.items():
        change = f"{100 * (count / before[name] - 1):+8.2f} %" if name in before else ""
        print(f"{name:24} {count:14,d} {change}")
    content = {"versions": versions(), "counts": counts}
    RECORD.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
    print(f"see {RECORD}", file=sys.stderr)


if __name__ == "__main__":
    main()
