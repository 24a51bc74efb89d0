"""Preparing compiles all that reading a mask needs."""

import subprocess
import sys

import numpy as np
from astropy.io import fits

from .prysm_star import Telescope, star_image

SCRIPT = """
import sys
from pathlib import Path

from starwinnow import preparation
from starwinnow.compiled import _dispatchers as kernels
from starwinnow.focus_mask import read_mask
from starwinnow.readers import read_frame

def known():
    return {(k.py_func.__module__, k.py_func.__name__, s) for k in kernels for s in k.signatures}

preparation.usable_cores = lambda: 1
preparation.prepare(["masks"])
prepared = known()
for path in sys.argv[1:]:
    print(len(read_mask(read_frame(Path(path))).stars))
for module, function, signature in sorted(known() - prepared, key=str):
    print(module, function)
"""


def test_no_mask_needs_code_that_was_not_prepared(tmp_path) -> None:
    scope = Telescope(centre_deg=37.0, defocus_um=60.0)
    light = star_image(scope, np.linspace(0.42, 0.68, 7), half_px=75, seeing_px=1.5)
    rng = np.random.default_rng(8)
    pixels = rng.poisson(300 + np.pad(2e6 * light / light.sum(), 40)).clip(0, 65_535)
    paths = [str(tmp_path / f"{kind}.fits") for kind in ("uint16", "float32")]
    for path, kind in zip(paths, ("uint16", "float32"), strict=True):
        fits.writeto(path, pixels.astype(kind))
    run = subprocess.run(
        [sys.executable, "-c", SCRIPT, *paths],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    assert run.stdout.split() == ["1", "1"]
