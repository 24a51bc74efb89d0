"""Time and memory of fresh processes."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["compile_seconds", "help_seconds", "peak_bytes", "start_seconds"]

_IMPORTS = """
import sys
from pathlib import Path
from starwinnow.measure import measure
from starwinnow.readers import read_frame
"""
_FIRST_FRAME = f"""{_IMPORTS}
measure(read_frame(Path(sys.argv[1]), lasting=False))
print("done", flush=True)
"""
# VmHWM is the peak of resident memory since the process began (Linux, proc(5)); the resource
# module's would include the parent's.
_PEAK = f"""{_IMPORTS}
def peak_bytes():
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) * 1024

measure(read_frame(Path(sys.argv[1]), lasting=False))
before = peak_bytes()
measure(read_frame(Path(sys.argv[2]), lasting=False))
print(peak_bytes() - before)
"""
# On all cores, as on a user's machine.
_COMPILE = """
import os, sys
os.sched_setaffinity(0, range(os.cpu_count()))
from starwinnow.preparation import prepare
prepare(sys.argv[1:])
"""


def peak_bytes(tiny: Path, path: Path) -> NDArray[np.float64]:
    """Growth of peak memory by measuring a frame, over a warm-up on a tiny one."""
    command = [sys.executable, "-c", _PEAK, str(tiny), str(path)]
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return np.array([float(printed)])


def help_seconds(repeats: int) -> NDArray[np.float64]:
    """Time of asking the command for its help."""
    command = shutil.which("starwinnow", path=str(Path(sys.executable).parent)) or "starwinnow"
    return np.array([_seconds([command, "--help"]) for _ in range(repeats)])


def start_seconds(path: Path, repeats: int) -> NDArray[np.float64]:
    """Time from the start of a process until it has measured its first frame."""
    took = []
    for _ in range(repeats):
        begun = time.perf_counter()
        command = [sys.executable, "-c", _FIRST_FRAME, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            said = process.stdout.readline()
            took.append(time.perf_counter() - begun)
        if said != "done\n":
            raise RuntimeError(f"measuring {path} in a fresh process failed")
    return np.array(took)


def compile_seconds(folder: Path, parts: Sequence[str]) -> float:
    """Time of a fresh process that compiles some parts into a folder, with what is there."""
    environment = os.environ | {"NUMBA_CACHE_DIR": str(folder)}
    return _seconds([sys.executable, "-c", _COMPILE, *parts], environment)


def _seconds(command: list[str], environment: dict[str, str] | None = None) -> float:
    begun = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=environment)
    return time.perf_counter() - begun
