"""Time and memory of reading and measuring a frame: writes the page tables/speed.md.

`python benchmarks/speed.py` takes some minutes on one core and wants a quiet machine. Yardsticks,
all in the same run: sep (Barbary 2016, JOSS 1(6), 58), photutils where it is installed, astropy's
reading, and a floor that no reader can go below.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from speed_parts import fresh, page
from speed_parts.chains import PHOTUTILS, chains, ours
from speed_parts.frames import SIZES, TINY, Drawn, draw, write_encodings
from speed_parts.timing import FEW, Check, in_turn, say, spin
from stages import profile

from starwinnow.preparation import ALL_PARTS, warm_up

_ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")

_PAGE = Path(__file__).parent / "tables" / "speed.md"
# Mpx of the frames that serve for the first frame, the encodings, the memory and the profile.
_FIRST, _PACKED, _LARGE = 2, 9, 26
_PROFILED = (_FIRST, _LARGE)
# Of the control, as the page says.
_ADDITIONS = 10_000_000
_BYTES_A_PIXEL_LIMIT = 4.0
_HELP_LIMIT_S, _START_LIMIT_S, _COMPILE_LIMIT_S = 0.25, 1.0, 15.0


def main() -> None:
    """Measure everything and write the page; exit status 1 when a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=9, help="repeats of each timing (9)")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/speed.md)")
    parser.add_argument(
        "--sizes", type=int, nargs="+", choices=SIZES, default=list(SIZES),
        help="only frames of so many Mpx, and what is measured on them; wants --out",
    )  # fmt: skip
    options = parser.parse_args()
    if len(options.sizes) < len(SIZES) and options.out == _PAGE:
        parser.error("the page holds all sizes: with --sizes name another one by --out")
    _pin_to_one_core()
    with tempfile.TemporaryDirectory() as folder:
        lines, checks = _measure_all(Path(folder), options.sizes, options.repeats)
    options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    say(f"see {options.out}")
    missed = [check.what for check in checks if not check.kept]
    if missed:
        say(f"limits missed: {', '.join(missed)}")
    sys.exit(1 if missed else 0)


def _pin_to_one_core() -> None:
    """Start over on one core with one thread, as libraries count cores when they are imported."""
    if all(os.environ.get(name) == value for name, value in _ONE_THREAD.items()):
        return
    os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
    os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | _ONE_THREAD)


def _measure_all(folder: Path, sizes: list[int], repeats: int) -> tuple[list[str], list[Check]]:
    """Run everything; give the page and all limits."""
    load = os.getloadavg()[0]
    loop = in_turn({"loop": lambda: spin(_ADDITIONS)}, FEW)["loop"]
    lines = page.introduction(repeats, load, loop)
    warm_up()
    tiny = draw(folder / "tiny.fits", TINY)
    in_turn(chains(tiny.path), 1)
    drawn = {mpx: draw(folder / f"{mpx}.fits", SIZES[mpx]) for mpx in sorted(sizes)}
    tables, checks = page.race_tables([_race(mpx, drawn[mpx], repeats) for mpx in drawn])
    lines += ["", *tables]
    if _PACKED in drawn:
        lines += _encodings(drawn[_PACKED].path, folder, repeats)
    profiled = [mpx for mpx in _PROFILED if mpx in drawn]
    if profiled:
        say("stages")
        lines += page.stage_table({mpx: profile(drawn[mpx].path, repeats) for mpx in profiled})
    others = _others(folder, tiny, drawn, repeats)
    return lines + page.other_table(others), checks + others


def _race(mpx: int, drawn: Drawn, repeats: int) -> page.Race:
    say(f"{mpx} Mpx")
    works = chains(drawn.path)
    if mpx >= page.NO_PHOTUTILS_FROM:
        works.pop(PHOTUTILS, None)
    return page.Race(mpx, drawn, in_turn(works, repeats, slow={PHOTUTILS}))


def _encodings(plain: Path, folder: Path, repeats: int) -> list[str]:
    say("encodings")
    works: dict[tuple[str, str], Callable[[], object]] = {}
    paths = write_encodings(plain, folder)
    for name, path in paths.items():
        works[name, "ours"] = partial(ours, path)
        works[name, "reading"] = partial(fits.getdata, path, memmap=False)
    timed = in_turn(works, repeats)
    pairs = {name: (timed[name, "ours"], timed[name, "reading"]) for name in paths}
    return page.encoding_table(pairs, _PACKED)


def _others(folder: Path, tiny: Drawn, drawn: dict[int, Drawn], repeats: int) -> list[Check]:
    say("fresh processes")
    checks = []
    if _LARGE in drawn:
        ny, nx = SIZES[_LARGE].shape
        peak = fresh.peak_bytes(tiny.path, drawn[_LARGE].path) / (ny * nx)
        what = f"peak memory above imports, {_LARGE} Mpx, bytes a pixel"
        checks.append(Check(what, peak, _BYTES_A_PIXEL_LIMIT))
    help_s = fresh.help_seconds(repeats)
    checks.append(Check("`starwinnow --help`, s", help_s, _HELP_LIMIT_S))
    if _FIRST in drawn:
        start_s = fresh.start_seconds(drawn[_FIRST].path, repeats)
        what = f"start of a fresh process to its first {_FIRST} Mpx frame measured, s"
        checks.append(Check(what, start_s, _START_LIMIT_S))
    checks += [
        Check(f"compiling, once on a machine, on all cores, for {what}, s", took, _COMPILE_LIMIT_S)
        for what, took in _compiling(folder).items()
    ]
    return checks


def _compiling(folder: Path) -> dict[str, NDArray[np.float64]]:
    """Time what commands compile at a time: `score`, then the demo's rest; the first to focus."""
    known = {
        "frames of 16 bit": ("score", ["uint16"]),
        "other frames and masks then": ("score", ["float32", "masks"]),
        "all of it at once": ("focus", ALL_PARTS),
    }
    took: dict[str, list[float]] = {what: [] for what in known}
    for number in range(FEW):
        for what, (cache, parts) in known.items():
            took[what].append(fresh.compile_seconds(folder / f"{cache}-{number}", parts))
    return {what: np.array(seconds) for what, seconds in took.items()}


if __name__ == "__main__":
    main()
