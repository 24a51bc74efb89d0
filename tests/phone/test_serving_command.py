"""The watch command with a page: what it refuses, and what its terminal shows."""

import io
from collections.abc import Iterator
from pathlib import Path

import pytest

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.main import main
from starwinnow_cli.phone.address import Place
from starwinnow_cli.phone.server import PageServer
from starwinnow_cli.screen import RedEmphasis
from starwinnow_cli.watch import _View

from .asking import connected, read_until

TOKEN = "abcdefghjkmnpqrs"


class Terminal(io.StringIO):
    """A stream that says it is a terminal with block signs."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.fixture
def open_server(place: Place, monkeypatch: pytest.MonkeyPatch) -> Iterator[PageServer]:
    # Served to this machine alone, it acts as if it were open to others.
    monkeypatch.setattr(PageServer, "is_open_to_others", True)
    with PageServer(place, TOKEN) as server:
        yield server


def test_a_bad_place_is_refused_before_anything_is_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["watch", str(tmp_path), "--serve", "garden"]) == 2
    assert "--serve garden is no address" in capsys.readouterr().err


def test_focusing_has_no_page(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["watch", str(tmp_path), "--serve", "--focusing"]) == 2
    assert "Leave it out with --focusing" in capsys.readouterr().err


def test_the_code_stays_until_a_page_was_opened(
    open_server: PageServer, night: LiveSnapshot, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("TERM", "xterm")
    terminal = Terminal()
    monkeypatch.setattr("sys.stdout", terminal)
    view = _View(RedEmphasis(terminal), bell=False, page=open_server)
    view.update(night, [])
    shown = terminal.getvalue()
    assert all(line in shown for line in open_server.code)
    assert open_server.links[0] in shown
    with connected(open_server.place) as line:
        line.sendall(f"GET /{TOKEN}/events HTTP/1.1\r\nHost: x\r\n\r\n".encode())
        assert b"retry:" in read_until(line, b"retry:")
    terminal.truncate(0)
    view.update(night, [])
    shown = terminal.getvalue()
    assert open_server.code[5] not in shown
    assert open_server.links[0] in shown
    assert "KEEP" in shown
