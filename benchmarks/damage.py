"""Damaged files, read and measured in a process of limited memory: writes tables/damage.md.

`python benchmarks/damage.py` takes some minutes. A file passes when it gives measures or one
reasoned line, within 10 s of processor time; the process that reads is not allowed more than its
memory, and its death would count. A part of the files is scored by the command too, all in one
folder.
"""

import argparse
import contextlib
import io
import json
import multiprocessing
import resource
import sys
import tempfile
import time
import warnings
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from starwinnow.errors import UnreadableFrameError
from starwinnow.measure import measure
from starwinnow.preparation import warm_up
from starwinnow.readers import read_frame
from starwinnow_cli.main import main as starwinnow
from starwinnow_cli.score import make_ready
from starwinnow_sim.damaged_files import damaged_files

_SEED = 2_026
_PAGE = Path(__file__).parent / "tables" / "damage.md"
_ODD_FILES = Path(__file__).parents[1] / ".." / "shared" / "frames" / "odd_files"
_MOST_S, _MOST_BYTES = 10.0, 4 << 30
_HUNG_S = 120.0
_EVERY = 8
_FORKS = multiprocessing.get_context("fork")


@dataclass
class _Tally:
    measured: int = 0
    refused: int = 0
    failed: int = 0
    slowest_s: float = 0.0


def _files(share: float) -> Iterator[tuple[str, str, bytes]]:
    for path in sorted(_ODD_FILES.rglob("*")):
        if path.is_file():
            yield "odd files", path.name, path.read_bytes()
    for file in damaged_files(np.random.default_rng(_SEED), share):
        yield file.damage, file.original, file.content


def _limit_memory() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))


def _peak_bytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _verdict(path: Path) -> tuple[bool, str]:
    """Read and measure one file: whether it was measured, and what is wrong about the answer."""
    try:
        measure(read_frame(path))
    except UnreadableFrameError as error:
        reasoned = str(error).isprintable() and str(error).startswith(f"{path.name}: ")
        return False, "" if reasoned else f"no reasoned line: {error!r}"
    except Exception as error:
        return False, f"{type(error).__name__}: {error}"
    return True, ""


def _answer(requests: Connection) -> None:
    """Answer for files, in a process of its own, until there are no more."""
    _limit_memory()
    warnings.simplefilter("error")
    while (path := requests.recv()) is not None:
        # By the clock, other work of the machine would count.
        began = time.process_time()
        measured, wrong = _verdict(path)
        requests.send((measured, wrong, time.process_time() - began, _peak_bytes()))


class _Reader:
    """The process that reads; another one takes its place when it dies or hangs."""

    def __init__(self) -> None:
        self.peak_bytes = 0
        self._start()

    def _start(self) -> None:
        self._requests, other = _FORKS.Pipe()
        self._process = _FORKS.Process(target=_answer, args=(other,), daemon=True)
        self._process.start()
        other.close()

    def judge(self, path: Path, tally: _Tally) -> str:
        """Have one file read and measured; what is wrong about it, '' for nothing."""
        self._requests.send(path)
        measured, took_s, peak_bytes = False, 0.0, 0
        if not self._requests.poll(_HUNG_S):
            wrong, took_s = "no answer", _HUNG_S
        else:
            try:
                measured, wrong, took_s, peak_bytes = self._requests.recv()
            except (EOFError, ConnectionError):
                wrong = "the process died"
        if not peak_bytes:
            self._process.kill()
            self._process.join()
            self._start()
        self.peak_bytes = max(self.peak_bytes, peak_bytes)
        if not wrong and took_s > _MOST_S:
            wrong = f"{took_s:.1f} s"
        tally.slowest_s = max(tally.slowest_s, took_s)
        tally.failed += bool(wrong)
        tally.measured += measured and not wrong
        tally.refused += not measured and not wrong
        return wrong

    def end(self) -> None:
        """Let the process go."""
        self._requests.send(None)
        self._process.join()


def _scored(folder: Path) -> None:
    _limit_memory()
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        code = starwinnow(["score", str(folder)])
    sys.exit(code)


def _score_together(folder: Path) -> str:
    """Score a folder of damaged files by the command; a sentence on what came of it."""
    names = {path.name for path in folder.iterdir()}
    began = time.monotonic()
    process = _FORKS.Process(target=_scored, args=(folder,))
    process.start()
    process.join()
    took_s = time.monotonic() - began
    results = folder / "starwinnow" / "night.json"
    rows = json.loads(results.read_text(encoding="utf-8"))["frames"] if results.exists() else []
    told = {row["file"] for row in rows if row["verdict"] != "not-scored" or row["note"]}
    return (
        f"{len(names)} of them in one folder, by `starwinnow score`: exit code "
        f"{process.exitcode}, {len(names & told)} with a verdict or a reason, {took_s:.0f} s."
    )


def _page(tallies: dict[str, _Tally], peak_bytes: int, together: str) -> str:
    lines = ["| damage | files | measured | refused | failed | slowest |", "|-|-|-|-|-|-|"]
    for name, tally in tallies.items():
        files = tally.measured + tally.refused + tally.failed
        lines.append(
            f"| {name} | {files} | {tally.measured} | {tally.refused} | {tally.failed} "
            f"| {tally.slowest_s:.1f} s |"
        )
    count = sum(tally.measured + tally.refused + tally.failed for tally in tallies.values())
    return "\n".join(
        [
            "# Damaged files",
            "",
            f"By `python benchmarks/damage.py`: {count} files, each read and measured. Failed: an "
            f"error without a reasoned line, a death of the process, or more than {_MOST_S:.0f} s "
            f"of processor time; no answer within {_HUNG_S:.0f} s by the clock counts too. "
            f"The process was held to {_MOST_BYTES >> 30} GiB of address space; peak of its "
            f"resident memory {peak_bytes / 2**30:.2f} GiB. {together}",
            "",
            *lines,
            "",
        ]
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--share", type=float, default=1.0, help="part of the files to make")
    parser.add_argument("--out", type=Path, default=_PAGE)
    options = parser.parse_args()
    make_ready()
    warm_up()
    tallies: dict[str, _Tally] = defaultdict(_Tally)
    reader = _Reader()
    with tempfile.TemporaryDirectory() as name:
        path, folder = Path(name) / "frame.fits", Path(name) / "together"
        folder.mkdir()
        for number, (damage, original, content) in enumerate(_files(options.share)):
            path.write_bytes(content)
            if wrong := reader.judge(path, tallies[damage]):
                print(f"{number}: {damage} of {original}: {wrong}", flush=True)
            if number % _EVERY == 0:
                (folder / f"{number:04}.fits").write_bytes(content)
        reader.end()
        together = _score_together(folder)
    page = _page(tallies, reader.peak_bytes, together)
    options.out.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
