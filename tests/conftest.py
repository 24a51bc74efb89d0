"""Fixtures that every test may use."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

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


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's package chromium, driven by playwright."""
    player = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Debian's package chromium is not here")
    with player.sync_playwright() as playing:
        running = playing.chromium.launch(executable_path=chromium)
        yield running
        running.close()
