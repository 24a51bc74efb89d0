"""What is loaded and made while a night runs is what its report needs."""

import base64
import io
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from starwinnow.report import loading_ahead, page_pictures
from starwinnow.report.loading_ahead import LoadingAhead
from starwinnow.report.page import night_page
from starwinnow.report.page_data import page_data
from starwinnow.report.page_pictures import pack_ahead, webp
from starwinnow.report.page_plots import plots

from .made_nights import made_night

_LOADED = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from report.made_nights import made_night
from starwinnow.report.exports import write_exports
from starwinnow.report.loading_ahead import LoadingAhead
snapshot, measures = made_night()
latest = next(reversed(measures.values()))
ahead = LoadingAhead(lambda: latest.capture, lambda: latest.thumbnail)
while ahead.step():
    pass
loaded = set(sys.modules)
from starwinnow.report.page import write_page
write_exports(snapshot, Path(sys.argv[2]))
write_page(snapshot, measures, Path(sys.argv[2]), folder="made-up night")
print(sorted(set(sys.modules) - loaded))
"""


def test_writing_the_results_loads_nothing_more(tmp_path) -> None:
    """In a process of its own, where other tests have loaded nothing."""
    command = [sys.executable, "-c", _LOADED, str(Path(__file__).parents[1]), str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.stdout.strip(), done.stderr) == ("[]", "")
    assert (tmp_path / "report.html").is_file()


_STEPS = """
import sys
from starwinnow.report import loading_ahead
ahead = loading_ahead.LoadingAhead(lambda: None, lambda: None)
for name in loading_ahead._MODULES:
    assert ahead.step()
    assert name in sys.modules, name
assert not ahead.step()
"""


def test_each_step_loads_one_module() -> None:
    assert subprocess.run([sys.executable, "-c", _STEPS], check=False).returncode == 0


@pytest.mark.parametrize("known", [True, False])
def test_the_page_finds_its_plots_made(known: bool) -> None:
    snapshot, measures = made_night(known=known)
    plots.cache_clear()
    latest = next(reversed(measures.values()))
    ahead = LoadingAhead(lambda: latest.capture, lambda: None)
    while ahead.step():
        pass
    made = plots.cache_info().misses
    night_page(page_data(snapshot, measures, folder="made-up night"))
    assert made == 1
    assert plots.cache_info().misses == made


def test_each_picture_is_packed_once(monkeypatch) -> None:
    packed = []
    monkeypatch.setattr(loading_ahead, "pack_ahead", packed.append)
    pictures = [np.full((4, 6), level, np.uint8) for level in (10, 20)]
    shown = [pictures[0]]
    ahead = LoadingAhead(lambda: None, lambda: shown[0])
    while ahead.step():
        pass
    shown[0] = pictures[1]
    assert ahead.step()
    assert not ahead.step()
    assert [id(one) for one in packed] == [id(one) for one in pictures]


def test_a_picture_packed_before_comes_out_the_same(monkeypatch) -> None:
    picture = np.arange(600, dtype=np.uint8).reshape(20, 30)
    first = webp(picture)
    pack_ahead(picture)
    monkeypatch.setattr(page_pictures, "_pack", lambda _: "packed anew")
    assert webp(picture.copy()) == first
    assert webp(picture.T) != first
    file = io.BytesIO(base64.b64decode(first))
    assert np.abs(np.asarray(Image.open(file).convert("L"), int) - picture).mean() < 12


def test_plots_wait_for_the_first_frame() -> None:
    plots.cache_clear()
    ahead = LoadingAhead(lambda: None, lambda: None)
    steps = 0
    while ahead.step():
        steps += 1
    assert steps > 0
    assert plots.cache_info().misses == 0
