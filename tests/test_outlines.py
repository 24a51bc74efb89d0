"""Measures whose arrays stay in the store: the same night from a fraction of the memory."""

import tracemalloc
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest

from starwinnow.errors import StoreError
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measuring import measure_files
from starwinnow.night import Night
from starwinnow.outlines import Outliner
from starwinnow.readers import frame_paths
from starwinnow.settings import Settings
from starwinnow.stars import Stars
from starwinnow.store import NightStore

SAMPLE = Path(__file__).parents[1] / "sample_frames"


@pytest.fixture
def store(tmp_path):
    with NightStore(tmp_path / "night.sqlite") as opened:
        yield opened


@pytest.fixture
def measured(store) -> list[FrameMeasures]:
    found = measure_files(frame_paths(SAMPLE), store)
    return [one for one in found if isinstance(one, FrameMeasures)]


def same(one: object, other: object) -> bool:
    if isinstance(one, Stars):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, np.ndarray):
        return np.array_equal(one, other, equal_nan=True) and one.dtype == other.dtype
    return repr(one) == repr(other)


def test_an_outline_tells_what_was_measured(store, measured) -> None:
    outliner = Outliner(store)
    outlines = [outliner.outline(one) for one in measured]
    for one, outline in zip(measured, outlines, strict=True):
        for field in fields(FrameMeasures):
            assert same(getattr(one, field.name), getattr(outline, field.name)), field.name


@pytest.mark.parametrize("aim", ["depth", "detail"])
def test_a_night_of_outlines_is_judged_the_same(store, measured, aim) -> None:
    whole, outlined, outliner = Night(), Night(), Outliner(store)
    for one in measured:
        whole.add(one)
        outlined.add(outliner.outline(one))
    assert repr(outlined.snapshot(Settings(aim=aim))) == repr(whole.snapshot(Settings(aim=aim)))


def test_outlines_take_little_memory_however_many_stars(store, measured) -> None:
    outliner, kept = Outliner(store), []
    tracemalloc.start()
    for _ in range(100):
        kept += [outliner.outline(one) for one in measured]
    taken = tracemalloc.get_traced_memory()[0] / len(kept)
    tracemalloc.stop()
    assert all(len(one.stars) > 100 for one in measured[:3])
    # Of their own; the figures are shared with what they were made of here.
    assert taken < 1000


def test_a_frame_dropped_meanwhile_is_told(store, measured) -> None:
    outline = Outliner(store).outline(measured[0])
    store.forget()
    with pytest.raises(StoreError, match="was dropped while the night was scored"):
        _ = outline.stars
