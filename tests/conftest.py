"""Fixtures that every test may use."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# How quickly examples come says more of the machine's load than of a test.
settings.register_profile("any load", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any load")


@pytest.fixture(scope="session")
def shared_frames() -> Path:
    """Folder of real frames beside the project; they are no part of it."""
    folder = Path(__file__).parents[2] / "shared" / "frames"
    if not folder.is_dir():
        pytest.skip("real frames are not here: ../shared/frames")
    return folder
