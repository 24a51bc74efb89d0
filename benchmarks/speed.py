"""Time and memory of reading and measuring a frame: writes the page tables/speed.md.

`python benchmarks/speed.py` takes a few minutes on one core. The
yardstick is sep (Barbary 2016, JOSS 1(6), 58) on the same frame, already loaded, in the same run.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow.measure import measure
from starwinnow.readers import read_frame

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")

_SEED = 20_260
_PAGE = Path(__file__).parent / "tables" / "speed.md"
_FWHM_PX, _BETA = 3.5, 3.5
# Together a noise of 10 ADU on the sky.
_SKY_ADU, _E_PER_ADU, _READ_NOISE_ADU = 400.0, 5.0, 20.0**0.5
_HOT_PIXELS = 2e-4
_BYTES_A_PIXEL_LIMIT = 6.0
_HELP_LIMIT_S = 0.3

# Run in a fresh process that imports nothing else. VmHWM is the peak of resident memory since the
# process began (Linux, proc(5)); the resource module's would include the parent's.
_PEAK_SCRIPT = """
import sys
from pathlib import Path
from starwinnow.measure import measure
from starwinnow.readers import read_frame

def peak_bytes():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024

measure(read_frame(Path(sys.argv[1])))
before = peak_bytes()
measure(read_frame(Path(sys.argv[2])))
print(peak_bytes() - before)
"""


@dataclass(frozen=True)
class Size:
    """A sensor: its frame, how many stars to draw, and the ratio to sep allowed."""

    name: str
    shape: tuple[int, int]
    stars: int
    limit: float


_SIZES = (
    Size("2 Mpx", (1216, 1648), 300, 0.60),
    Size("9 Mpx", (2448, 3672), 900, 0.45),
    Size("26 Mpx", (4176, 6248), 1500, 0.35),
)


@dataclass(frozen=True)
class Timing:
    """Seconds of each repeat, ours and sep's, and what both found."""

    ours_s: NDArray[np.float64]
    sep_s: NDArray[np.float64]
    ours_found: int
    sep_found: int

    @property
    def ratios(self) -> NDArray[np.float64]:
        """Ours over sep's, repeat by repeat: a slow spell of the machine hits both."""
        return self.ours_s / self.sep_s


def main() -> None:
    """Measure everything and write the page; exit status 1 when a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=9, help="repeats of each timing (9)")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/speed.md)")
    options = parser.parse_args()
    _pin_to_one_core()
    with tempfile.TemporaryDirectory() as folder:
        lines, missed = _report(Path(folder), options.repeats)
    options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"see {options.out}", file=sys.stderr)
    sys.exit(1 if missed else 0)


def _pin_to_one_core() -> None:
    """Start over on one core with one thread, as libraries count cores when they are imported."""
    if all(os.environ.get(name) == value for name, value in _ONE_THREAD.items()):
        return
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | _ONE_THREAD)


def _report(folder: Path, repeats: int) -> tuple[list[str], bool]:
    """Run everything; give the page and whether a limit was missed."""
    tiny = _write_frame(folder / "tiny.fits", (320, 480), 40)
    measure(read_frame(tiny))
    paths = [_write_frame(folder / f"{size.name}.fits", size.shape, size.stars) for size in _SIZES]
    timings = [_race(path, repeats) for path in paths]
    rows = [
        f"| {size.name} | {_spread(timing.ours_s)} | {_spread(timing.sep_s)} |"
        f" {_range(timing.ratios, 2)} | {size.limit:.2f} | {size.stars} |"
        f" {timing.ours_found} | {timing.sep_found} |"
        for size, timing in zip(_SIZES, timings, strict=True)
    ]
    pixels = int(np.prod(_SIZES[-1].shape))
    peak = _peak_bytes_a_pixel(paths[-1], tiny, pixels)
    help_s = _help_seconds()
    missed = any(
        np.median(timing.ratios) > size.limit for size, timing in zip(_SIZES, timings, strict=True)
    )
    missed |= peak > _BYTES_A_PIXEL_LIMIT or float(np.median(help_s)) > _HELP_LIMIT_S
    return [
        *_introduction(repeats),
        "| frame | ours, ms | sep, ms | ratio | limit | stars drawn | ours found | sep found |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        "| other | measured | limit |",
        "| --- | --- | --- |",
        f"| peak memory above imports, 26 Mpx, bytes a pixel | {peak:.2f} |"
        f" {_BYTES_A_PIXEL_LIMIT:.1f} |",
        f"| `starwinnow --help`, ms | {_spread(help_s)} | {1000 * _HELP_LIMIT_S:.0f} |",
    ], missed


def _introduction(repeats: int) -> list[str]:
    return [
        "# Speed and memory",
        "",
        "Written by `python benchmarks/speed.py`: one process on one core, one thread. Ours is",
        "`read_frame` and `measure` of a uint16 FITS file; sep's is `Background`, subtraction,",
        "`extract` (5 sigma, `filter_kernel=None`) and `flux_radius` on the loaded float32 frame.",
        f"Frames: Moffat stars (beta {_BETA}) of FWHM {_FWHM_PX} px, sky {_SKY_ADU:.0f} ADU, noise"
        f" 10 ADU, hot pixels. Medians of {repeats} interleaved",
        "repeats with their range; only the ratio can be compared between machines.",
        "",
    ]


def _spread(seconds: NDArray[np.float64]) -> str:
    return _range(1000 * seconds, 0)


def _range(values: NDArray[np.float64], digits: int) -> str:
    """Median, lowest and highest."""
    low, middle, high = np.percentile(values, [0, 50, 100])
    return f"{middle:.{digits}f} ({low:.{digits}f}-{high:.{digits}f})"


def _write_frame(path: Path, shape: tuple[int, int], stars: int) -> Path:
    """Draw a star field by sampling the profile at pixel centres, and write it as uint16."""
    rng = np.random.default_rng(_SEED)
    light = np.full(shape, _SKY_ADU, dtype=np.float32)
    core_px = _FWHM_PX / 2 / np.sqrt(2 ** (1 / _BETA) - 1)
    steps = np.arange(-25, 26)
    # Star counts rise with faintness as in a uniform space: N(> F) goes as F^-3/2, cut at 4e5.
    fluxes_adu = np.minimum(4000.0 * rng.random(stars) ** (-2 / 3), 4e5)
    for flux_adu in fluxes_adu:
        x, y = rng.uniform(30, shape[1] - 30), rng.uniform(30, shape[0] - 30)
        column, row = round(x), round(y)
        radius2 = (steps[:, None] + row - y) ** 2 + (steps[None, :] + column - x) ** 2
        star = (1 + radius2 / core_px**2) ** -_BETA
        near = (slice(row - 25, row + 26), slice(column - 25, column + 26))
        light[near] += (flux_adu / star.sum() * star).astype(np.float32)
    for row in range(shape[0]):
        noise = rng.standard_normal(shape[1], dtype=np.float32)
        light[row] += noise * np.sqrt(light[row] / _E_PER_ADU + _READ_NOISE_ADU**2)
    hot = rng.choice(light.size, round(_HOT_PIXELS * light.size), replace=False)
    light.flat[hot] += rng.uniform(300, 20_000, len(hot)).astype(np.float32)
    fits.PrimaryHDU(np.rint(np.clip(light, 0, 65_535)).astype(np.uint16)).writeto(path)
    return path


def _race(path: Path, repeats: int) -> Timing:
    """Time both programs in turn on one frame; the first round of each is not counted."""
    with fits.open(path) as file:
        loaded = file[0].data.astype(np.float32)
    ours_s, sep_s = [], []
    for number in range(repeats + 1):
        ours_found, ours_took = _timed(lambda: len(measure(read_frame(path)).stars))
        sep_found, sep_took = _timed(lambda: _sep_chain(loaded))
        if number > 0:
            ours_s.append(ours_took)
            sep_s.append(sep_took)
    return Timing(np.array(ours_s), np.array(sep_s), ours_found, sep_found)


def _timed(work: Callable[[], int]) -> tuple[int, float]:
    start = time.perf_counter()
    found = work()
    return found, time.perf_counter() - start


def _sep_chain(loaded: NDArray[np.float32]) -> int:
    background = sep.Background(loaded)
    light = loaded - background
    objects = sep.extract(light, 5.0, err=background.globalrms, filter_kernel=None)
    # Six times the long axis, as sep's manual has it.
    sep.flux_radius(light, objects["x"], objects["y"], 6.0 * objects["a"], 0.5, subpix=5)
    return len(objects)


def _peak_bytes_a_pixel(path: Path, tiny: Path, pixels: int) -> float:
    """Growth of a fresh process's peak memory over a warm-up on a tiny frame."""
    command = [sys.executable, "-c", _PEAK_SCRIPT, str(tiny), str(path)]
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return int(printed) / pixels


def _help_seconds() -> NDArray[np.float64]:
    command = shutil.which("starwinnow", path=str(Path(sys.executable).parent)) or "starwinnow"

    def run() -> int:
        return subprocess.run([command, "--help"], check=True, capture_output=True).returncode

    return np.array([_timed(run)[1] for _ in range(10)])


if __name__ == "__main__":
    main()
