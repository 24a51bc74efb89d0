"""Runs killed at random moments and started again: writes the page tables/killed.md.

`python benchmarks/killed.py` takes some minutes. A restart must end with the very files that an
undisturbed run writes, and the raw frames must keep every byte. Each run is a process of its own,
forked from one that has loaded and compiled everything, so that kills fall on the work and not on
the loading.
"""

import argparse
import contextlib
import hashlib
import io
import multiprocessing
import os
import resource
import signal
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

from starwinnow.report import exports  # noqa: F401  (loaded before the forks)
from starwinnow_cli.main import main as starwinnow
from starwinnow_cli.score import make_ready

_SEED = 2_026
_PAGE = Path(__file__).parent / "tables" / "killed.md"
_MOST_RUNS_A_KILL = 4
_FORKS = multiprocessing.get_context("fork")
_RESULTS = ("frames.ecsv", "night.json", "keep.txt")
_FWHM_PX = 3.0


def _write_frames(folder: Path, count: int) -> None:
    rng = np.random.default_rng(_SEED)
    x, y = rng.uniform(10, 150, 24), rng.uniform(10, 110, 24)
    flux = rng.uniform(2_000, 90_000, 24)
    rows, columns = np.indices((120, 160))
    for number in range(count):
        sigma = _FWHM_PX / 2.355 * rng.uniform(0.9, 1.4)
        image = rng.normal(500, 8, rows.shape)
        for x0, y0, total in zip(x + rng.normal(), y + rng.normal(), flux, strict=True):
            r2 = (columns - x0) ** 2 + (rows - y0) ** 2
            image += total / (2 * np.pi * sigma**2) * np.exp(-r2 / (2 * sigma**2))
        hdu = fits.PrimaryHDU(image.clip(0, 65535).astype(np.uint16))
        minute, second = divmod(number * 10, 60)
        hdu.header["DATE-OBS"] = f"2031-10-14T20:{minute:02}:{second:02}"
        hdu.header["EXPTIME"] = 8.0
        hdu.writeto(folder / f"frame_{number:04}.fits")


def _score_here(frames: Path, out: Path) -> int:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return starwinnow(["score", str(frames), "--out", str(out)])


def _score(frames: Path, out: Path) -> None:
    sys.exit(_score_here(frames, out))


def _start(frames: Path, out: Path) -> multiprocessing.process.BaseProcess:
    run = _FORKS.Process(target=_score, args=(frames, out))
    run.start()
    return run


def _finished(frames: Path, out: Path) -> int | None:
    run = _start(frames, out)
    run.join()
    return run.exitcode


def _contents(out: Path) -> dict[str, bytes | None]:
    paths = {name: out / name for name in _RESULTS}
    return {name: path.read_bytes() if path.exists() else None for name, path in paths.items()}


def _hashes(frames: Path) -> dict[str, str]:
    paths = sorted(frames.glob("*"))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def _spent_s(pid: int) -> float:
    """Processor time that a process has used so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _killed(frames: Path, out: Path, after_s: float) -> bool:
    """Kill a run once it has worked for a while; whether it was still going."""
    run = _start(frames, out)
    while run.is_alive() and _spent_s(run.pid or 0) < after_s:
        time.sleep(0.002)
    run.kill()
    run.join()
    return run.exitcode == -signal.SIGKILL


def _trial(undisturbed: Path, out: Path, after_s: float) -> tuple[int, bool] | None:
    """Kill a run and start it again.

    Frames in the store between, and whether the end was right; None where it had ended before.
    """
    frames = undisturbed.with_name("frames")
    if not _killed(frames, out, after_s):
        return None
    measured, code = _measured(out), _finished(frames, out)
    return measured, code == 0 and _contents(out) == _contents(undisturbed)


def _measured(out: Path) -> int:
    """Count the frames in the store that a killed run left."""
    store = out / "night.sqlite"
    if not store.exists():
        return 0
    with contextlib.closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        try:
            return int(connection.execute("SELECT count(*) FROM frames").fetchone()[0])
        except sqlite3.OperationalError:
            return 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--out", type=Path, default=_PAGE)
    options = parser.parse_args()
    make_ready()
    rng, trials = np.random.default_rng(_SEED), list[tuple[float, int, bool]]()
    with tempfile.TemporaryDirectory() as folder:
        frames, undisturbed = Path(folder) / "frames", Path(folder) / "undisturbed"
        frames.mkdir()
        _write_frames(frames, options.frames)
        _score_here(frames, Path(folder) / "first use")
        raw, began = _hashes(frames), _children_s()
        code = _finished(frames, undisturbed)
        took_s = _children_s() - began
        if code != 0 or None in _contents(undisturbed).values():
            raise SystemExit(f"the undisturbed run ended with {code}")
        for number in range(_MOST_RUNS_A_KILL * options.kills):
            after_s = rng.uniform(0, took_s)
            trial = _trial(undisturbed, Path(folder) / f"killed {number}", after_s)
            if trial is not None:
                trials.append((after_s, *trial))
                print(*trials[-1], flush=True)
                untouched = _hashes(frames) == raw
                page = _page(trials, options.frames, took_s, untouched=untouched)
                options.out.write_text(page, encoding="utf-8")
            if len(trials) == options.kills:
                break


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _page(
    trials: list[tuple[float, int, bool]], frames: int, took_s: float, *, untouched: bool
) -> str:
    same = sum(right for _, _, right in trials)
    lines = [
        f"| {after_s:.2f} s | {measured} | {'yes' if right else 'NO'} |"
        for after_s, measured, right in trials
    ]
    return (
        f"# Runs killed and started again\n\nBy `python benchmarks/killed.py`: {frames} frames, "
        f"an undisturbed run of {took_s:.1f} s of processor time, killed (SIGKILL) after a random "
        f"part of it. {same} of {len(trials)} restarts ended with the same files, byte for byte; "
        f"the raw frames are {'unchanged' if untouched else 'CHANGED'}.\n\n"
        "| killed after | frames in its store | same end |\n|-|-|-|\n" + "\n".join(lines) + "\n"
    )


if __name__ == "__main__":
    main()
