"""Preparing compiles all that any frame needs: nothing is left to compile at the telescope."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SAMPLES = str(Path(__file__).parents[1] / "sample_frames")

# In a process of its own, since other tests load kernels too. Frames of every kind that takes a
# way of its own: rings far out of focus, doubled stars, a mosaic, a streak, gaps, very narrow
# stars, and none; each as whole and as floating-point numbers.
SCRIPT = """
import sys
from pathlib import Path

import numpy as np

from starwinnow import preparation
from starwinnow.compiled import _dispatchers as kernels
from starwinnow.frame import Capture, Frame
from starwinnow.measure import measure
from starwinnow.readers import frame_paths, read_frame

def known():
    return {(k.py_func.__module__, k.py_func.__name__, s) for k in kernels for s in k.signatures}

samples, parts = frame_paths(Path(sys.argv[1])), sys.argv[2:]
preparation.usable_cores = lambda: 1
preparation.prepare(parts)
prepared = known()

rng = np.random.default_rng(5)
y, x = np.indices((360, 480))
places = [(40 + 55 * i + 9 * (j % 3), 35 + 48 * j) for i in range(8) for j in range(6)]

def drawn(shape):
    light = 400 + rng.normal(0, 5, x.shape)
    for k, (x0, y0) in enumerate(places):
        light += (600 + 150 * (k % 7)) * shape(x - x0, y - y0)
    return np.clip(np.rint(light), 0, 65535)

def gaussian(sigma):
    return lambda dx, dy: np.exp(-(dx**2 + dy**2) / 2 / sigma**2)

def ring(dx, dy):
    r = np.hypot(dx, dy)
    return np.clip(9.5 - r, 0, 1) * np.clip(r - 3.5, 0, 1)

plain = drawn(gaussian(1.6))
streak = plain + 500 * np.exp(-((y - 0.6 * x - 20) ** 2) / 4)
gaps = plain.astype(np.float32)
gaps[100:140, 200:260] = np.nan
mosaic = plain.copy()
mosaic[0::2, 0::2] *= 0.5
mosaic[1::2, 1::2] *= 0.7
faint = 400 + rng.normal(0, 5, x.shape) + 0.05 * (drawn(gaussian(1.6)) - 400)
kinds = {
    "plain": plain, "faint": faint, "rings": drawn(ring), "narrow": drawn(gaussian(0.55)),
    "streak": streak,
    "doubled": plain + 0.6 * np.roll(plain - 400, (6, 9), (0, 1)), "gaps": gaps, "mosaic": mosaic,
    "dark": np.full(x.shape, 400.0), "empty": 400 + rng.normal(0, 5, x.shape),
}
def measured(name, frame):
    measure(frame)
    for module, function, signature in sorted(known() - prepared, key=str):
        print(name, frame.pixels.dtype, module, function)
    prepared.update(known())

for name, pixels in kinds.items():
    for kind in parts:
        if name != "gaps" or kind == "float32":
            frame = Frame(path=Path(name), pixels=pixels.astype(kind), capture=Capture())
            measured(name, frame)
if "uint16" in parts:
    for path in samples:
        measured(path.name, read_frame(path))
"""


@pytest.mark.parametrize("parts", [["uint16"], ["float32"], ["uint16", "float32"]])
def test_no_frame_needs_code_that_was_not_prepared(parts) -> None:
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT, SAMPLES, *parts],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    assert run.stdout == ""


PREPARE = """
from starwinnow import preparation
from starwinnow.compiled import _dispatchers as kernels

if __name__ == "__main__":
    preparation.usable_cores = lambda: 2
    preparation.prepare(["uint16"])
    print(preparation.is_prepared(["uint16"]), preparation.is_prepared())
    hits = sum(sum(one.stats.cache_hits.values()) for one in kernels)
    misses = sum(sum(one.stats.cache_misses.values()) for one in kernels)
    print(hits > 0, misses)
    scene = next(iter(preparation._scenes()))
    figures = preparation.measure(scene.frame("uint16"))
    print(figures.fwhm_px, figures.hfr_px, figures.nea_px)
"""


def test_processes_share_the_work_and_the_next_one_finds_it_done(tmp_path) -> None:
    environment = os.environ | {"NUMBA_CACHE_DIR": str(tmp_path / "code")}
    said = []
    for _ in range(2):
        run = subprocess.run(
            [sys.executable, "-c", PREPARE],
            env=environment, capture_output=True, text=True, check=True, timeout=300,
        )  # fmt: skip
        assert run.stderr == ""
        said.append(run.stdout.split())
    first, second = said
    assert first[:3] == second[:3] == ["True", "False", "True"]
    assert int(first[3]) > 20
    assert second[3] == "0"
    # To the last digit, whoever compiled.
    assert first[4:] == second[4:]
    assert len(first) == 7
