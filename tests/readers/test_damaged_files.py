"""Damaged files, read and measured: a frame or one reasoned line, in little time."""

import time
from pathlib import Path

import numpy as np

from starwinnow.errors import UnreadableFrameError
from starwinnow.measure import measure
from starwinnow.preparation import warm_up
from starwinnow.readers import read_frame
from starwinnow_sim.damaged_files import damaged_files


def test_damaged_files_are_measured_or_refused_with_a_reason(tmp_path: Path) -> None:
    # Compiling, where it was not done yet, is no time of the files.
    warm_up()
    path = tmp_path / "a frame.fits"
    count, reasons = 0, list[str]()
    for damaged in damaged_files(np.random.default_rng(26), share=0.02, bombs=False):
        path.write_bytes(damaged.content)
        began = time.monotonic()
        try:
            measure(read_frame(path))
        except UnreadableFrameError as error:
            reasons.append(str(error))
        assert time.monotonic() - began < 10, damaged.damage
        count += 1
    assert count >= 150
    assert 0 < len(reasons) < count
    assert all(line.startswith("a frame.fits: ") and line.isprintable() for line in reasons)
