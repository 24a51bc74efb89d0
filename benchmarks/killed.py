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


def _killed(frames: Path, out: Path, after_s: float) -> bool:
    """Kill a run after a while; whether it was still going."""
    run = _start(frames, out)
    time.sleep(after_s)
    run.kill()
    run.join()
    return run.exitcode == -signal.SIGKILL


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
    rng = np.random.default_rng(_SEED)
    lines, same = list[str](), 0
    with tempfile.TemporaryDirectory() as folder:
        frames = Path(folder) / "frames"
        frames.mkdir()
        _write_frames(frames, options.frames)
        _score_here(frames, Path(folder) / "first use")
        raw, began = _hashes(frames), time.monotonic()
        code = _finished(frames, Path(folder) / "undisturbed")
        took_s = time.monotonic() - began
        expected = _contents(Path(folder) / "undisturbed")
        if code != 0 or None in expected.values():
            raise SystemExit(f"the undisturbed run ended with {code}")
        for number in range(_MOST_RUNS_A_KILL * options.kills):
            if len(lines) == options.kills:
                break
            after_s, out = rng.uniform(0, took_s), Path(folder) / f"killed {number}"
            if not _killed(frames, out, after_s):
                continue  # It ended before: no kill.
            measured, code = _measured(out), _finished(frames, out)
            right = code == 0 and _contents(out) == expected and _hashes(frames) == raw
            same += right
            lines.append(f"| {after_s:.2f} s | {measured} | {'yes' if right else 'NO'} |")
            print(lines[-1], flush=True)
    head = (
        f"# Runs killed and started again\n\nBy `python benchmarks/killed.py`: {options.frames} "
        f"frames, an undisturbed run of {took_s:.1f} s; {same} of {len(lines)} restarts ended "
        "with the same files, byte for byte, and the raw frames unchanged.\n\n"
        "| killed after | frames in its store | same end |\n|-|-|-|\n"
    )
    options.out.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
