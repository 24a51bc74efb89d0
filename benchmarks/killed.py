"""Runs killed at random moments and started again: writes the page tables/killed.md.

`python benchmarks/killed.py` takes some minutes. A restart must end with the very files that an
undisturbed run writes, and the raw frames must keep every byte.
"""

import argparse
import hashlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from astropy.io import fits

_SEED = 2_026
_PAGE = Path(__file__).parent / "tables" / "killed.md"
_COMMAND = "import sys; from starwinnow_cli.main import main; sys.exit(main(sys.argv[1:]))"
_RESULTS = ("frames.ecsv", "night.json", "keep.txt")
_FWHM_PX = 3.0


def _write_frames(folder: Path, count: int) -> None:
    rng = np.random.default_rng(_SEED)
    x, y = rng.uniform(10, 310, 60), rng.uniform(10, 230, 60)
    flux = rng.uniform(2_000, 90_000, 60)
    rows, columns = np.indices((240, 320))
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


def _start(frames: Path, out: Path) -> subprocess.Popen[bytes]:
    arguments = ["score", str(frames), "--out", str(out)]
    return subprocess.Popen(
        [sys.executable, "-c", _COMMAND, *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def _contents(out: Path) -> dict[str, bytes | None]:
    paths = {name: out / name for name in _RESULTS}
    return {name: path.read_bytes() if path.exists() else None for name, path in paths.items()}


def _hashes(frames: Path) -> dict[str, str]:
    paths = sorted(frames.glob("*"))
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def _killed_run(frames: Path, out: Path, after_s: float) -> tuple[bool, int]:
    """Whether the run was still going when killed, and the exit code of the restart."""
    run = _start(frames, out)
    time.sleep(after_s)
    going = run.poll() is None
    run.kill()
    run.wait()
    return going, _start(frames, out).wait()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=100)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--out", type=Path, default=_PAGE)
    options = parser.parse_args()
    rng = np.random.default_rng(_SEED)
    lines, same = [], 0
    with tempfile.TemporaryDirectory() as folder:
        frames = Path(folder) / "frames"
        frames.mkdir()
        _write_frames(frames, options.frames)
        _start(frames, Path(folder) / "first use").wait()
        raw, began = _hashes(frames), time.monotonic()
        _start(frames, Path(folder) / "undisturbed").wait()
        took_s = time.monotonic() - began
        expected = _contents(Path(folder) / "undisturbed")
        for number in range(options.kills):
            after_s = rng.uniform(0, took_s)
            out = Path(folder) / f"killed {number}"
            going, code = _killed_run(frames, out, after_s)
            right = code == 0 and _contents(out) == expected and _hashes(frames) == raw
            same += right
            lines.append(
                f"| {after_s:.2f} s | {'yes' if going else 'no'} | {'yes' if right else 'NO'} |"
            )
            print(lines[-1], flush=True)
    head = (
        f"# Runs killed and started again\n\nBy `python benchmarks/killed.py`: {options.frames} "
        f"frames, an undisturbed run of {took_s:.1f} s; {same} of {options.kills} restarts ended "
        "with the same files, byte for byte, and the raw frames unchanged.\n\n"
        "| killed after | still running | same end |\n|-|-|-|\n"
    )
    options.out.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
