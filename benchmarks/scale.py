"""Many frames: memory and cost a frame as a night grows, two workers, recall; tables/scale.md.

`python benchmarks/scale.py` takes a quarter of an hour on two cores. What each frame more takes is
the difference between two nights over the frames between them; what is left of the shortest night
is what any takes once. Nights of all lengths are scored in turn, round after round, since a machine
has slow and fast minutes: figures are medians over the rounds, and costs are compared within each.
The control of two workers is a loop of plain Python in two processes, which shares nothing: what it
gains by a second worker is what the machine has to give just then.
"""

import argparse
import json
import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
from speed_parts.timing import say, spin, spread

from starwinnow.measuring import measure_file
from starwinnow.preparation import prepare

_PAGE = Path(__file__).parent / "tables" / "scale.md"
_SEED = 20_261
_NIGHTS = (100, 1000, 5000)
_ROUNDS = 5
_SMALL, _LARGER = (320, 480), (2448, 3672)
_SKY_ADU, _E_PER_ADU, _READ_NOISE_ADU = 400.0, 5.0, 20.0**0.5
_FWHM_PX, _BETA = 3.5, 3.5
_START = datetime(2031, 10, 14, 20, tzinfo=UTC)
# Enough that the last frame, which one worker does alone, is a small part of the race.
_LARGER_FRAMES = 32
_RACES = 5
_SPINS = 600_000
_CARD, _BLOCK = 80, 2880

# What a night took, by its frames; one such a round.
Round = dict[int, dict[str, float]]

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
marks["scoring"] = marks["all"] - marks["measure"]
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
        "--most", type=int, default=_NIGHTS[-1], help="frames of the longest night (5000, 1000)"
    )
    options = parser.parse_args()
    prepare(["uint16"])
    with tempfile.TemporaryDirectory() as folder:
        lines = _race_lines(Path(folder))
        lines = _night_lines(Path(folder), options.most) + lines
    options.out.write_text("\n".join([*_introduction(), *lines]) + "\n", encoding="utf-8")
    say(f"see {options.out}")


def _introduction() -> list[str]:
    return [
        "# Many frames",
        "",
        "Written by `python benchmarks/scale.py`. Made-up nights of small frames"
        f" ({_SMALL[1]} x {_SMALL[0]} px, uint16), each scored by a",
        "fresh process with one worker, then once more unchanged; all lengths in turn, medians of"
        f" {_ROUNDS} rounds. Times are",
        "those of the processor; frames a second are by the clock.",
        "",
    ]


def _night_lines(folder: Path, most: int) -> list[str]:
    """Score nights of growing length, all of them in each round."""
    counts = [count for count in _NIGHTS if count <= most]
    nights = {count: folder / f"night-{count}" for count in counts}
    for count, night in nights.items():
        _write_night(night, _SMALL, range(count))
    rounds = []
    for number in range(_ROUNDS):
        found = {
            count: _score(night, folder / f"results-{count}-{number}")
            for count, night in nights.items()
        }
        rounds.append(found)
        say(f"{number} {found}")
    return [*_whole_lines(rounds), *_each_lines(rounds), *_again_lines(rounds)]


def _each_more(found: Round, fewer: int, more: int, name: str) -> float:
    """Give what each frame takes by which one night is longer than another of the same round."""
    return (found[more][name] - found[fewer][name]) / (more - fewer)


def _middle(values: Sequence[float] | np.ndarray, digits: int) -> str:
    return f"{np.median(values):.{digits}f}"


def _whole_lines(rounds: Sequence[Round]) -> list[str]:
    """Tell what nights take, and what any takes once."""
    fewest, second, *_ = counts = list(rounds[0])
    lines = [
        f"Whole nights. Once: that of {fewest} frames without what each of its frames takes by the"
        " next table, so what loading,",
        "opening the compiled code and the fixed parts of the page take in any night.",
        "",
        "| frames | measuring, s | scoring, s | peak while measuring, MB | peak in all, MB |",
        "| --- | --- | --- | --- | --- |",
    ]
    columns = (("measure", 2), ("scoring", 2), ("measure_mb", 0), ("all_mb", 0))
    once = [
        _middle(
            [
                found[fewest][name] - fewest * _each_more(found, fewest, second, name)
                for found in rounds
            ],
            digits,
        )
        for name, digits in columns
    ]
    lines.append(f"| once | {' | '.join(once)} |")
    for count in counts:
        cells = [
            _middle([found[count][name] for found in rounds], digits) for name, digits in columns
        ]
        lines.append(f"| {count} | {' | '.join(cells)} |")
    return [*lines, ""]


def _each_lines(rounds: Sequence[Round]) -> list[str]:
    """Tell what each frame takes by which a night is longer, and whether that grows."""
    lines = [
        "Each frame by which a night is longer than the one before it. Growth: both, over both of"
        " the line above in the same",
        "round, with its range.",
        "",
        "| frames | measuring, ms | scoring, ms | both, ms | growth | peak while measuring, kB |"
        " peak in all, kB |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    before: np.ndarray | None = None
    for fewer, more in pairwise(rounds[0]):
        each = {
            name: np.array([_each_more(found, fewer, more, name) for found in rounds])
            for name in rounds[0][fewer]
        }
        growth = "-" if before is None else spread(each["all"] / before, 2)
        before = each["all"]
        lines.append(
            f"| {fewer} to {more} | {_middle(1000 * each['measure'], 1)} |"
            f" {_middle(1000 * each['scoring'], 1)} | {_middle(1000 * each['all'], 1)} | {growth} |"
            f" {_middle(1024 * each['measure_mb'], 1)} | {_middle(1024 * each['all_mb'], 1)} |"
        )
    return [*lines, ""]


def _again_lines(rounds: Sequence[Round]) -> list[str]:
    lines = [
        "Scored again, nothing changed.",
        "",
        "| frames | ms a frame | frames a second |",
        "| --- | --- | --- |",
    ]
    for count in rounds[0]:
        each_ms = [1000 * found[count]["again"] / count for found in rounds]
        per_second = [count / found[count]["again_wall"] for found in rounds]
        lines.append(f"| {count} | {_middle(each_ms, 2)} | {_middle(per_second, 0)} |")
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
            cells = [spread(column, 2) for column in rounds.T]
            lines.append(f"| {name} | {' | '.join(cells)} |")
            say(lines[-1])
    return lines


def _race(paths: list[Path], threads: Executor, processes: Executor) -> list[float]:
    """Give the gains of two threads, two processes and the control."""
    alone = _seconds(lambda: [measure_file(path) for path in paths])
    by_threads = _seconds(lambda: list(threads.map(measure_file, paths)))
    by_processes = _seconds(lambda: list(processes.map(measure_file, paths)))
    spins = [_SPINS] * 10
    control_alone = _seconds(lambda: [spin(count) for count in spins])
    control = _seconds(lambda: list(processes.map(spin, spins)))
    return [alone / by_threads, alone / by_processes, control_alone / control]


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _write_night(folder: Path, shape: tuple[int, int], numbers: range) -> list[Path]:
    """Draw frames of one field that drifts to and fro, under a seeing that varies a little."""
    folder.mkdir(exist_ok=True)
    ny, nx = shape
    field = np.random.default_rng(_SEED)
    count = round(60 * (ny * nx / 153_600) ** 0.5)
    places = field.uniform(-30, 30 + np.array([nx, ny]), (count, 2))
    # Star counts rise with faintness as in a uniform space, cut at 4e5 ADU.
    fluxes_adu = np.minimum(6000.0 * field.random(count) ** (-2 / 3), 4e5)
    # Noise is most of the work of drawing: each frame takes a stretch of the same supply.
    supply = field.standard_normal(2 * ny * nx, dtype=np.float32)
    paths = []
    for number in numbers:
        rng = np.random.default_rng([_SEED, number])
        drift = 15 * np.sin(2 * np.pi * number / np.array([37.0, 53.0])) + rng.normal(0, 0.3, 2)
        fwhm_px = _FWHM_PX * np.exp(rng.normal(0, 0.02))
        light = _sky(shape, places + drift, fluxes_adu * np.exp(rng.normal(0, 0.01)), fwhm_px)
        first = rng.integers(len(supply) - ny * nx)
        noise = np.sqrt(light / _E_PER_ADU + _READ_NOISE_ADU**2)
        light += noise * supply[first : first + ny * nx].reshape(shape)
        pixels = np.rint(np.clip(light, 0, 65_535)).astype(np.uint16)
        paths.append(folder / f"light_{number:05d}.fits")
        paths[-1].write_bytes(_fits(pixels, _START + timedelta(seconds=9 * number)))
    return paths


def _fits(pixels: np.ndarray, start: datetime) -> bytes:
    """Lay out a file of unsigned 16-bit pixels (FITS 4.0, clauses 3 and 5.2.5)."""
    cards = {
        "SIMPLE": "T", "BITPIX": "16", "NAXIS": "2", "NAXIS1": str(pixels.shape[1]),
        "NAXIS2": str(pixels.shape[0]), "BZERO": "32768", "EXPTIME": "8.0",
        "DATE-OBS": f"'{start.isoformat()[:19]}'",
    }  # fmt: skip
    lines = [f"{name:8}= {value:>20}".ljust(_CARD) for name, value in cards.items()]
    header = "".join([*lines, "END".ljust(_CARD)]).encode()
    data = (pixels ^ 0x8000).astype(">u2").tobytes()
    return header.ljust(_BLOCK) + data + bytes(-len(data) % _BLOCK)


def _sky(
    shape: tuple[int, int], places: np.ndarray, fluxes_adu: np.ndarray, fwhm_px: float
) -> np.ndarray:
    """Moffat stars sampled at pixel centres, on an even background."""
    light = np.full(shape, _SKY_ADU, np.float32)
    core_px = fwhm_px / 2 / np.sqrt(2 ** (1 / _BETA) - 1)
    steps = np.arange(-20, 21, dtype=np.float32)
    middle = np.rint(places).astype(int)
    whole = np.all((middle >= 20) & (middle < np.array(shape)[::-1] - 20), axis=1)
    middle, off = middle[whole], (places - np.rint(places))[whole].astype(np.float32)
    rows = (steps - off[:, 1:]) ** 2
    columns = (steps - off[:, :1]) ** 2
    spread = 1 + (rows[:, :, np.newaxis] + columns[:, np.newaxis]) / np.float32(core_px**2)
    stars = spread ** np.float32(-_BETA)
    stars *= (fluxes_adu[whole] / stars.sum(axis=(1, 2)))[:, np.newaxis, np.newaxis]
    for (column, row), star in zip(middle, stars, strict=True):
        light[row - 20 : row + 21, column - 20 : column + 21] += star
    return light


if __name__ == "__main__":
    main()
