"""Damaged files, read and measured in a process of limited memory: writes tables/damage.md.

`python benchmarks/damage.py` takes some minutes. A file passes when it gives measures or one
reasoned line, within 10 s; the process is not allowed more than its memory.
"""

import argparse
import resource
import tempfile
import time
import warnings
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from starwinnow.errors import UnreadableFrameError
from starwinnow.measure import measure, warm_up
from starwinnow.readers import read_frame
from starwinnow_sim.damaged_files import damaged_files

_SEED = 2_026
_PAGE = Path(__file__).parent / "tables" / "damage.md"
_ODD_FILES = Path(__file__).parents[1] / ".." / "shared" / "frames" / "odd_files"
_MOST_S, _MOST_BYTES = 10.0, 6 << 30


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


def _judge(path: Path, tally: _Tally) -> str | None:
    """Read and measure one file; what is wrong about it, if anything."""
    began, wrong = time.monotonic(), None
    try:
        measure(read_frame(path))
        tally.measured += 1
    except UnreadableFrameError as error:
        tally.refused += 1
        if not (str(error).isprintable() and str(error).startswith(f"{path.name}: ")):
            wrong = f"no reasoned line: {error!r}"
    except Exception as error:
        wrong = f"{type(error).__name__}: {error}"
    took_s = time.monotonic() - began
    tally.slowest_s = max(tally.slowest_s, took_s)
    if wrong is None and took_s > _MOST_S:
        wrong = f"{took_s:.1f} s"
    tally.failed += wrong is not None
    return wrong


def _peak_bytes() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _page(tallies: dict[str, _Tally]) -> str:
    lines = ["| damage | files | measured | refused | failed | slowest |", "|-|-|-|-|-|-|"]
    for name, tally in tallies.items():
        files = tally.measured + tally.refused + tally.failed
        lines.append(
            f"| {name} | {files} | {tally.measured} | {tally.refused} | {tally.failed} "
            f"| {tally.slowest_s:.1f} s |"
        )
    return "\n".join(
        [
            "# Damaged files",
            "",
            "By `python benchmarks/damage.py`: each file read and measured. Failed: an error "
            f"without a reasoned line, or more than {_MOST_S:.0f} s. Address space is limited to "
            f"{_MOST_BYTES >> 30} GiB; peak of resident memory {_peak_bytes() / 2**30:.2f} GiB.",
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
    warm_up()
    resource.setrlimit(resource.RLIMIT_AS, (_MOST_BYTES, _MOST_BYTES))
    warnings.simplefilter("error")
    tallies: dict[str, _Tally] = defaultdict(_Tally)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.fits"
        for damage, original, content in _files(options.share):
            path.write_bytes(content)
            if wrong := _judge(path, tallies[damage]):
                print(f"{damage} of {original}: {wrong}", flush=True)
    options.out.write_text(_page(tallies), encoding="utf-8")


if __name__ == "__main__":
    main()
