"""Many frames: memory and cost a frame as a night grows, two workers, recall; tables/scale.md.

`python benchmarks/scale.py` takes a quarter of an hour on two cores. The control is a loop of
plain Python in two processes, which shares nothing: what it gains by a second worker is what the
machine has to give just then.
"""

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

from starwinnow.measuring import measure_file

_PAGE = Path(__file__).parent / "tables" / "scale.md"
_SEED = 20_261
_NIGHTS = (100, 1000, 5000)
_SMALL, _LARGER = (320, 480), (2448, 3672)
_SKY_ADU, _E_PER_ADU, _READ_NOISE_ADU = 400.0, 5.0, 20.0**0.5
_FWHM_PX, _BETA = 3.5, 3.5
_START = datetime(2031, 10, 14, 20, tzinfo=UTC)
_LARGER_FRAMES = 8
_RACES = 5
_SPINS = 600_000

# Run in a fresh process: scores a folder twice and tells processor seconds, seconds and memory.
# VmHWM is the peak of resident memory (Linux, proc(5)).
_SCORE_SCRIPT = """
import json, sys, time
from pathlib import Path
from starwinnow.settings import Settings
from starwinnow_cli import score
from starwinnow_cli.workers import local_workers

def peak_mb():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) / 1024

marks = {}
def marked(name, function):
    def timed(*arguments, **options):
        begun = time.process_time()
        given = function(*arguments, **options)
        marks[name] = time.process_time() - begun
        marks[name + "_mb"] = peak_mb()
        return given
    return timed

score._measure = marked("measure", score._measure)
score._night_of = marked("night", score._night_of)
begun = time.process_time()
with local_workers(int(sys.argv[3])) as workers:
    score.score_folder(Path(sys.argv[1]), Path(sys.argv[2]), Settings(), workers=workers)
marks["all"] = time.process_time() - begun
marks["all_mb"] = peak_mb()
begun, wall = time.process_time(), time.perf_counter()
score.score_folder(Path(sys.argv[1]), Path(sys.argv[2]), Settings())
marks["again"] = time.process_time() - begun
marks["again_wall"] = time.perf_counter() - wall
print(json.dumps(marks))
"""


def main() -> None:
    """Measure everything and write the page."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/scale.md)")
    parser.add_argument(
        "--most", type=int, default=_NIGHTS[-1], help="frames of the longest night (5000)"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        lines = _race_lines(Path(folder))
        lines = _night_lines(Path(folder), options.most) + lines
    options.out.write_text("\n".join([*_introduction(), *lines]) + "\n", encoding="utf-8")
    print(f"see {options.out}", file=sys.stderr)


def _introduction() -> list[str]:
    return [
        "# Many frames",
        "",
        "Written by `python benchmarks/scale.py`. Made-up nights of small frames"
        f" ({_SMALL[1]} x {_SMALL[0]} px, uint16), each scored by a",
        "fresh process with one worker, then once more unchanged. Milliseconds are those of the",
        "processor, which other programs on the machine disturb least.",
        "",
    ]


def _night_lines(folder: Path, most: int) -> list[str]:
    """Score nights of growing length."""
    lines = [
        "| frames | measuring, ms a frame | scoring, ms a frame | peak while measuring, MB |"
        " peak in all, MB | again, ms a frame | again, frames a second |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    night = folder / "night"
    have = 0
    for count in (count for count in _NIGHTS if count <= most):
        _write_night(night, _SMALL, range(have, count))
        have = count
        found = _score(night, folder / f"results-{count}")
        scoring = 1000 * (found["all"] - found["measure"]) / count
        lines.append(
            f"| {count} | {1000 * found['measure'] / count:.1f} | {scoring:.1f} |"
            f" {found['measure_mb']:.0f} | {found['all_mb']:.0f} |"
            f" {1000 * found['again'] / count:.2f} | {count / found['again_wall']:.0f} |"
        )
        print(lines[-1], file=sys.stderr)
    return [*lines, ""]


def _score(night: Path, results: Path) -> dict[str, float]:
    command = [sys.executable, "-c", _SCORE_SCRIPT, str(night), str(results), "1"]
    environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    printed = subprocess.run(
        command, check=True, stdout=subprocess.PIPE, text=True, env=environment
    ).stdout
    found: dict[str, float] = json.loads(printed)
    return found


def _race_lines(folder: Path) -> list[str]:
    """One worker against two threads, two processes and the control, in turn."""
    lines = [
        f"Two workers over one, medians of {_RACES} interleaved rounds with their range; the"
        " control is a loop of plain Python in",
        f"two processes. The machine's load was {os.getloadavg()[0]:.1f} when this began.",
        "",
        "| frames | two threads | two processes | control |",
        "| --- | --- | --- | --- |",
    ]
    fresh = multiprocessing.get_context("spawn")
    with ThreadPoolExecutor(2) as threads, ProcessPoolExecutor(2, mp_context=fresh) as processes:
        for name, shape, count in (
            ("9 Mpx", _LARGER, _LARGER_FRAMES), ("0.15 Mpx", _SMALL, 10 * _LARGER_FRAMES),
        ):  # fmt: skip
            paths = _write_night(folder / name, shape, range(count))
            for executor in (threads, processes):
                list(executor.map(measure_file, paths))
            rounds = np.array([_race(paths, threads, processes) for _ in range(_RACES)])
            cells = [_range(column) for column in rounds.T]
            lines.append(f"| {name} | {' | '.join(cells)} |")
            print(lines[-1], file=sys.stderr)
    return lines


def _race(paths: list[Path], threads: Executor, processes: Executor) -> list[float]:
    """Give the gains of two threads, two processes and the control."""
    alone = _seconds(lambda: [measure_file(path) for path in paths])
    by_threads = _seconds(lambda: list(threads.map(measure_file, paths)))
    by_processes = _seconds(lambda: list(processes.map(measure_file, paths)))
    spins = [_SPINS] * 10
    control_alone = _seconds(lambda: [_spin(count) for count in spins])
    control = _seconds(lambda: list(processes.map(_spin, spins)))
    return [alone / by_threads, alone / by_processes, control_alone / control]


def _spin(count: int) -> int:
    total = 0
    for number in range(count):
        total += number
    return total


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _range(values: np.ndarray) -> str:
    low, middle, high = np.percentile(values, [0, 50, 100])
    return f"{middle:.2f} ({low:.2f}-{high:.2f})"


def _write_night(folder: Path, shape: tuple[int, int], numbers: range) -> list[Path]:
    """Draw frames of one field that drifts to and fro, under a seeing that varies a little."""
    folder.mkdir(exist_ok=True)
    ny, nx = shape
    field = np.random.default_rng(_SEED)
    count = round(60 * (ny * nx / 153_600) ** 0.5)
    places = field.uniform(-30, 30 + np.array([nx, ny]), (count, 2))
    # Star counts rise with faintness as in a uniform space, cut at 4e5 ADU.
    fluxes_adu = np.minimum(6000.0 * field.random(count) ** (-2 / 3), 4e5)
    paths = []
    for number in numbers:
        rng = np.random.default_rng([_SEED, number])
        drift = 15 * np.sin(2 * np.pi * number / np.array([37.0, 53.0])) + rng.normal(0, 0.3, 2)
        fwhm_px = _FWHM_PX * np.exp(rng.normal(0, 0.02))
        light = _sky(shape, places + drift, fluxes_adu * np.exp(rng.normal(0, 0.01)), fwhm_px)
        noise = np.sqrt(light / _E_PER_ADU + _READ_NOISE_ADU**2)
        light += rng.standard_normal(shape, dtype=np.float32) * noise
        image = fits.PrimaryHDU(np.rint(np.clip(light, 0, 65_535)).astype(np.uint16))
        image.header["EXPTIME"] = 8.0
        image.header["DATE-OBS"] = (_START + timedelta(seconds=9 * number)).isoformat()[:19]
        paths.append(folder / f"light_{number:05d}.fits")
        image.writeto(paths[-1])
    return paths


def _sky(
    shape: tuple[int, int], places: np.ndarray, fluxes_adu: np.ndarray, fwhm_px: float
) -> np.ndarray:
    """Moffat stars sampled at pixel centres, on an even background."""
    light = np.full(shape, _SKY_ADU, np.float32)
    core_px = fwhm_px / 2 / np.sqrt(2 ** (1 / _BETA) - 1)
    steps = np.arange(-20, 21)
    for (x, y), flux_adu in zip(places, fluxes_adu, strict=True):
        column, row = round(x), round(y)
        if not (20 <= column < shape[1] - 20 and 20 <= row < shape[0] - 20):
            continue
        radius2 = (steps[:, None] + row - y) ** 2 + (steps[None, :] + column - x) ** 2
        star = (1 + radius2 / core_px**2) ** -_BETA
        near = (slice(row - 20, row + 21), slice(column - 20, column + 21))
        light[near] += (flux_adu / star.sum() * star).astype(np.float32)
    return light


if __name__ == "__main__":
    main()
