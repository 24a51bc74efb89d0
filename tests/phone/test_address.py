"""Where the page is served, its token and its code for a camera."""

import os
import socket
from pathlib import Path

import pytest
import segno

from starwinnow_cli.phone.address import AddressError, Place, keep_token, parse_place, qr_lines


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("127.0.0.1:8765", Place("127.0.0.1", 8765)),
        ("0.0.0.0", Place("0.0.0.0", 8765)),
        ("localhost:99", Place("localhost", 99)),
        ("::1", Place("::1", 8765)),
        ("[::1]:80", Place("::1", 80)),
        ("[::1]", Place("::1", 8765)),
    ],
)
def test_places_are_read(text: str, place: Place) -> None:
    assert parse_place(text) == place


@pytest.mark.parametrize("text", ["", "8765", "garden:1", "1.2.3.4:0", "1.2.3.4:70000", "1.2:³"])
def test_what_is_no_address_is_said(text: str) -> None:
    with pytest.raises(AddressError, match=r"is no address\. Give HOST:PORT in figures"):
        parse_place(text)


def test_a_taken_port_is_said(place: Place) -> None:
    with socket.socket() as other:
        other.bind((place.host, place.port))
        other.listen()
        with pytest.raises(AddressError, match=rf"{place.port} cannot be opened .* Give another"):
            place.bind()


def test_only_loopback_is_loopback() -> None:
    hosts = ["127.0.0.1", "127.9.9.9", "::1", "localhost"]
    assert all(Place(host, 1).is_loopback for host in hosts)
    assert not any(Place(host, 1).is_loopback for host in ["0.0.0.0", "::", "192.168.1.2"])


def test_the_usual_port_may_be_left_away() -> None:
    assert {"localhost", "127.0.0.1:80", "[::1]"} <= Place("127.0.0.1", 80).names
    assert "localhost" not in Place("127.0.0.1", 8765).names


def test_links_carry_the_token_and_name_no_loopback_for_others() -> None:
    assert Place("192.168.1.2", 80).links("abc") == ["http://192.168.1.2:80/abc/"]
    assert Place("::1", 80).links(None) == ["http://[::1]:80/"]
    assert "0.0.0.0" not in "".join(Place("0.0.0.0", 80).links("abc"))


def test_without_a_network_the_machine_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_way(*_: object) -> None:
        raise OSError(101, "Network is unreachable")

    monkeypatch.setattr(socket.socket, "connect", no_way)
    monkeypatch.setattr(socket, "gethostname", lambda: "laptop")
    monkeypatch.setattr(socket, "gethostbyname_ex", lambda name: (name, [], ["127.0.1.1"]))
    assert Place("0.0.0.0", 80).links("abc") == ["http://laptop.local:80/abc/"]


def test_a_token_is_kept_for_a_night_and_no_longer(tmp_path: Path) -> None:
    path = tmp_path / "token.txt"
    first = keep_token(path)
    assert len(first) == 16
    assert keep_token(path) == first
    if os.name == "posix":
        assert path.stat().st_mode & 0o077 == 0
    os.utime(path, (path.stat().st_atime, path.stat().st_mtime - 25 * 3600))
    second = keep_token(path)
    assert second != first
    path.write_text("a\n")
    assert keep_token(path) not in {first, second, "a"}


def test_the_code_on_the_terminal_is_the_code() -> None:
    link = "http://192.168.43.125:8765/abcdefghjkmnpqrs/"
    upper = {"█": 0, "▀": 0, "▄": 1, " ": 1}
    lower = {"█": 0, "▀": 1, "▄": 0, " ": 1}
    rows = []
    for line in qr_lines(link):
        rows += [[upper[sign] for sign in line], [lower[sign] for sign in line]]
    wanted = [list(row) for row in segno.make(link, error="l", micro=False).matrix_iter(border=2)]
    assert rows[: len(wanted)] == wanted
    # With two lines above and below it fits a terminal of 80 x 24.
    assert len(qr_lines(link)) <= 20
