"""Fixtures that every test may use."""

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def shared_frames() -> Path:
    """Folder of real frames beside the project; they are no part of it."""
    folder = Path(__file__).parents[2] / "shared" / "frames"
    if not folder.is_dir():
        pytest.skip("real frames are not here: ../shared/frames")
    return folder
