"""A night of large frames watched while it is written: writes the page tables/live.md.

`python benchmarks/live.py` takes about as many seconds as frames are asked for, and needs their
room on the disk (18 MB each). A writer process writes frames of 9 Mpx at a steady pace, in chunks,
straight under their final names; the command watches the folder like an observer's would, with a
page open. The moment of a verdict is when its line arrives here through the pipe, and for the page
when its message does.
"""

import argparse
import filecmp
import http.client
import json
import multiprocessing
import os
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from starwinnow.preparation import is_prepared, prepare

_PAGE = Path(__file__).parent / "tables" / "live.md"
_SHAPE = (2448, 3672)
_STARS = 900
_BASES = 12
_SEED = 20_260
_FWHM_PX = 3.2
_SKY_ADU, _NOISE_ADU = 500, 12.0
_CHUNK = 1 << 20
_SCRIPT = "import sys; from starwinnow_cli.main import main; sys.exit(main())"
_BLOCK, _CARD = 2880, 80
_VERDICT = re.compile(r"\d\d:\d\d:\d\d (keep|leave out|not scored)\?? (bench_\d+\.fits)")
_CHANGE = re.compile(r"\d\d:\d\d:\d\d ~ (bench_\d+\.fits): now (keep|leave out)")


@dataclass
class Record:
    """What was seen of each frame, by name, on the clock that all processes share."""

    closed: dict[str, float] = field(default_factory=dict)
    judged: dict[str, list[float]] = field(default_factory=dict)
    paged: dict[str, float] = field(default_factory=dict)
    kept: set[str] = field(default_factory=set)
    resident_mb: dict[int, float] = field(default_factory=dict)
    cpu_s: dict[int, float] = field(default_factory=dict)


def main() -> None:
    """Run the night and write the page; exit status 1 when a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=500, help="frames (500)")
    parser.add_argument("--pace", type=float, default=1.0, help="seconds between frames (1)")
    parser.add_argument("--where", type=Path, help="folder for the frames (the system's)")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/live.md)")
    options = parser.parse_args()
    if not is_prepared():
        prepare()
    with tempfile.TemporaryDirectory(dir=options.where) as folder:
        lines, missed = _night(Path(folder), options.frames, options.pace)
    options.out.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))
    sys.exit(1 if missed else 0)


def _night(folder: Path, frames: int, pace: float) -> tuple[list[str], bool]:
    watched, feed = folder / "night", folder / "feed"
    watched.mkdir()
    record = Record()
    command = [sys.executable, "-c", _SCRIPT, "watch", str(watched), "--feed", str(feed), "--link"]
    port = _free_port()
    command += ["--serve", f"127.0.0.1:{port}"]
    load = os.getloadavg()[0]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    reader = threading.Thread(target=_read, args=(process, record), daemon=True)
    reader.start()
    threading.Thread(target=_follow, args=(port, record), daemon=True).start()
    closed: multiprocessing.Queue[tuple[str, float]] = multiprocessing.Queue()
    writer = multiprocessing.Process(target=_write_night, args=(watched, frames, pace, closed))
    writer.start()
    for _ in range(frames):
        name, moment = closed.get()
        record.closed[name] = moment
    writer.join()
    deadline = time.monotonic() + 60
    while len(record.judged) < frames and time.monotonic() < deadline:
        time.sleep(0.1)
    load = max(load, os.getloadavg()[0])
    stop = time.monotonic()
    process.send_signal(signal.SIGINT)
    process.wait(timeout=300)
    stop_s = time.monotonic() - stop
    reader.join(timeout=5)
    again = folder / "again"
    subprocess.run(
        [sys.executable, "-c", _SCRIPT, "score", str(watched), "--out", str(again)],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    ours = watched / "starwinnow"
    names = ["frames.ecsv", "night.json", "keep.txt"]
    equal = not filecmp.cmpfiles(ours, again, names, shallow=False)[1]
    feed_right = {path.name for path in feed.iterdir()} == record.kept
    return _page(record, frames, pace, stop_s, load=load, equal=equal, feed_right=feed_right)


def _read(process: subprocess.Popen[str], record: Record) -> None:
    """Note when each verdict arrives, and what the process uses then."""
    assert process.stdout is not None
    for line in process.stdout:
        if changed := _CHANGE.match(line):
            # A frame that is passed on stays, whatever is thought of it later.
            record.kept.update([changed[1]] if changed[2] == "keep" else [])
        verdict = _VERDICT.match(line)
        if verdict is None:
            continue
        name = verdict[2]
        record.judged.setdefault(name, []).append(time.monotonic())
        record.kept.update([name] if verdict[1] == "keep" else [])
        count = len(record.judged)
        record.resident_mb[count] = _resident_mb(process.pid)
        record.cpu_s[count] = _cpu_s(process.pid)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _follow(port: int, record: Record) -> None:
    """Read the page's messages, as a page that is open does; note when each frame is in one."""
    events = None
    for _ in range(600):
        line = http.client.HTTPConnection("127.0.0.1", port)
        try:
            line.request("GET", "/events")
            events = line.getresponse()
            break
        except OSError:
            time.sleep(0.1)
    assert events is not None
    while text := events.readline():
        last = json.loads(text[6:])["last"] if text.startswith(b"data: {") else None
        if last is not None:
            record.paged.setdefault(last["file"], time.monotonic())


def _resident_mb(pid: int) -> float:
    """Resident memory (Linux, proc(5))."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return float("nan")


def _cpu_s(pid: int) -> float:
    """Processor time of a process (Linux, proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _write_night(
    folder: Path, frames: int, pace: float, closed: "multiprocessing.Queue[tuple[str, float]]"
) -> None:
    """Write frames at a steady pace; each differs from all others."""
    rng = np.random.default_rng(_SEED)
    bases = [_frame(rng, number) for number in range(_BASES)]
    noise = rng.normal(0, _NOISE_ADU, _SHAPE).round().astype(np.int32)
    began = time.monotonic()
    for number in range(frames):
        time.sleep(max(began + number * pace - time.monotonic(), 0))
        # No two frames have the same noise.
        away = tuple(rng.integers(_SHAPE))
        pixels = np.clip(bases[number % _BASES] + np.roll(noise, away, axis=(0, 1)), 0, 60_000)
        name = f"bench_{number:04d}.fits"
        data = memoryview((pixels.astype(np.uint16) ^ np.uint16(0x8000)).astype(">u2").tobytes())
        with (folder / name).open("wb") as file:
            file.write(_header(number, pace))
            for at in range(0, len(data), _CHUNK):
                file.write(data[at : at + _CHUNK])
            file.write(bytes(-len(data) % _BLOCK))
        closed.put((name, time.monotonic()))


def _frame(rng: np.random.Generator, number: int) -> NDArray[np.int32]:
    """Draw Gaussian stars on a flat sky without noise, drifting by two pixels a frame."""
    stars = np.random.default_rng(_SEED + 1)
    ny, nx = _SHAPE
    x, y = stars.uniform(0, nx, _STARS), stars.uniform(0, ny, _STARS)
    flux = np.minimum(4000 * (1 + stars.pareto(1.2, _STARS)), 400_000)
    image = np.full(_SHAPE, _SKY_ADU, np.float32)
    sigma = _FWHM_PX * (1 + 0.03 * rng.standard_normal()) / 2.3548
    reach = 9
    for place_x, place_y, light in zip(x + 2 * number, y - number, flux, strict=True):
        column, row = int(place_x), int(place_y)
        if reach < column < nx - reach - 1 and reach < row < ny - reach - 1:
            yy, xx = np.mgrid[row - reach : row + reach + 1, column - reach : column + reach + 1]
            r2 = (xx - place_x) ** 2 + (yy - place_y) ** 2
            star = light / (2 * np.pi * sigma**2) * np.exp(-r2 / (2 * sigma**2))
            image[row - reach : row + reach + 1, column - reach : column + reach + 1] += star
    return np.rint(image).astype(np.int32)


def _header(number: int, pace: float) -> bytes:
    seconds = number * pace
    start = f"2031-10-14T{20 + int(seconds // 3600):02d}:{int(seconds // 60) % 60:02d}:"
    cards = {
        "SIMPLE": "T",
        "BITPIX": "16",
        "NAXIS": "2",
        "NAXIS1": str(_SHAPE[1]),
        "NAXIS2": str(_SHAPE[0]),
        "BSCALE": "1",
        "BZERO": "32768",
        "EXPTIME": f"{pace:.3f}",
        "IMAGETYP": "'Light'",
        "DATE-OBS": f"'{start}{seconds % 60:06.3f}'",
    }
    text = "".join(f"{name:8}= {value:>20}".ljust(_CARD) for name, value in cards.items())
    return (text + "END").ljust(_BLOCK).encode("ascii")


def _page(
    record: Record, frames: int, pace: float, stop_s: float, *, load: float, equal: bool,
    feed_right: bool,
) -> tuple[list[str], bool]:  # fmt: skip
    judged = record.judged
    waits = np.array([judged[n][0] - t for n, t in record.closed.items() if n in judged])
    paged = record.paged
    on_page = float(np.median([paged[n] - t for n, t in record.closed.items() if n in paged]))
    missed = [name for name in record.closed if name not in record.judged]
    twice = [name for name, moments in record.judged.items() if len(moments) > 1]
    early, late = min(100, frames // 5), frames
    growth = record.resident_mb[late] / record.resident_mb[early] - 1 if not missed else np.nan
    counts = sorted(record.cpu_s)
    per_frame = np.diff([record.cpu_s[count] for count in counts])
    first_cost = 1000 * float(np.mean(per_frame[early : 2 * early]))
    last_cost = 1000 * float(np.mean(per_frame[-early:]))
    median, most = float(np.median(waits)), float(np.percentile(waits, 99))
    rows = [
        ("frames missed", f"{len(missed)}", "0", not missed),
        ("frames judged twice", f"{len(twice)}", "0", not twice),
        ("verdict after closing, median, s", f"{median:.2f}", "1.0", median <= 1),
        ("the same, 99 % of frames, s", f"{most:.2f}", "2.0", most <= 2),
        ("the same, slowest frame, s", f"{float(waits.max()):.2f}", "-", True),
        ("frames shown on the page", f"{len(record.paged)}", "-", True),
        ("verdict on the page after closing, median, s", f"{on_page:.2f}", "1.0", on_page <= 1),
        (
            f"resident memory at frame {early}, at {late}, MB",
            f"{record.resident_mb[early]:.0f}, {record.resident_mb.get(late, np.nan):.0f}",
            "-",
            True,
        ),
        (f"growth of memory from frame {early} on", f"{100 * growth:+.1f} %", "5 %", growth < 0.05),
        (
            f"processor time a frame, frames {early}-{2 * early}, last {early}, ms",
            f"{first_cost:.0f}, {last_cost:.0f}",
            "alike",
            last_cost < 1.25 * first_cost,
        ),
        ("Ctrl-C to the end with all results, s", f"{stop_s:.1f}", "2.0", stop_s <= 2),
        ("results equal to those of `score`", "yes" if equal else "no", "yes", equal),
        ("feed folder equal to the verdicts", "yes" if feed_right else "no", "yes", feed_right),
    ]
    lines = [
        "# Watching while frames are written",
        "",
        f"Written by `python benchmarks/live.py`: {frames} frames of 9 Mpx with {_STARS} stars,",
        f"one each {pace:g} s, written in chunks under their final names, watched by the command",
        "with `--feed --link` and a page open with `--serve`, output to a pipe. Two cores, shared",
        f"with the writer and other work; load average up to {load:.1f}.",
        "Kernels were compiled before.",
        "",
        "| what | measured | limit | met |",
        "| --- | --- | --- | --- |",
        *(f"| {a} | {b} | {c} | {'yes' if met else 'no'} |" for a, b, c, met in rows),
    ]  # fmt: skip
    return lines, not all(met for *_, met in rows)


if __name__ == "__main__":
    main()
