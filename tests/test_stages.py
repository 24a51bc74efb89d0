"""The profile of a frame's stages finds them all, and they are most of the time."""

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def stages() -> ModuleType:
    spec = importlib.util.spec_from_file_location("stages", ROOT / "benchmarks" / "stages.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_stage_takes_time_and_together_they_take_it_all(stages: ModuleType) -> None:
    frame = next(iter(sorted((ROOT / "sample_frames").glob("*.fits"))))
    unwatched = {name: getattr(stages.steps, name) for name in sum(stages.STAGES.values(), ())}
    found = stages.profile(frame, repeats=3)
    everything = found.pop("all")
    assert found.keys() == {"reading", *stages.STAGES, "rest"}
    assert all((seconds > 0).all() for seconds in found.values())
    np.testing.assert_allclose(sum(found.values()), everything)
    assert np.median(found["rest"]) < np.median(everything) / 2
    # Nothing stays wrapped.
    assert unwatched == {name: getattr(stages.steps, name) for name in unwatched}
