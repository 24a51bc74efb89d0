"""A made-up night, and free places to serve it."""

import importlib.util
import socket
import sys
from pathlib import Path

import pytest

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.phone.address import Place

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="session")
def night() -> LiveSnapshot:
    """The night that the documents show."""
    spec = importlib.util.spec_from_file_location("draw_screens", DOCS / "draw_screens.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    made: LiveSnapshot = module.made_up_night()
    return made


@pytest.fixture
def place() -> Place:
    """A port of this machine that nobody uses."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return Place("127.0.0.1", probe.getsockname()[1])
