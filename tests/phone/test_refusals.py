"""What the server refuses, and that it does so without a word."""

import io
import re
import socket
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.phone.address import AddressError, Place
from starwinnow_cli.phone.board import MOST_OF_ONE_READER, MOST_READERS
from starwinnow_cli.phone.door import MOST_OF_ONE_ADDRESS
from starwinnow_cli.phone.guard import Guard
from starwinnow_cli.phone.server import PageServer

from .asking import ask, connected, read_all, read_until

TOKEN = "abcdefghjkmnpqrs"
# Tests have less patience than the server.
PATIENCE_S = 1.5
WRONG = [
    "/", "/events", "/page.js", f"/{TOKEN}", f"/{TOKEN[:-1]}/", f"/{TOKEN[:-1]}t/page.js",
    f"/{TOKEN.upper()}/", f"//{TOKEN}/", f"/?token={TOKEN}", "/favicon.ico", "/%00", "/%ff%fe/",
]  # fmt: skip
OTHER_FILES = [
    "../page.css", "../../../../etc/passwd", "%2e%2e/%2e%2e/etc/passwd", "..%2f..%2fetc/passwd",
    "/etc/passwd", "page.py", "server.py", "__init__.py", "..\\..\\x", "page.css/../server.py",
    "%00page.css", "night.sqlite", "page-token.txt", "file:///etc/passwd",
]  # fmt: skip
CODE = Path(__file__).parents[2] / "cli" / "starwinnow_cli" / "phone"


@pytest.fixture
def server(
    place: Place, night: LiveSnapshot, monkeypatch: pytest.MonkeyPatch
) -> Iterator[PageServer]:
    monkeypatch.setattr("starwinnow_cli.phone.door.PATIENCE_S", PATIENCE_S)
    with PageServer(place, TOKEN) as running:
        running.publish(night)
        yield running


@pytest.fixture
def bare(place: Place) -> Iterator[PageServer]:
    with PageServer(place, None) as running:
        yield running


def test_with_the_token_the_page_comes_with_strict_headers(server: PageServer) -> None:
    for name in ("", "page.css", "page.js", "icon.svg"):
        reply = ask(server.place, f"/{TOKEN}/{name}")
        assert reply.status == 200
        assert reply.body == (CODE / (name or "page.html")).read_bytes()
        policy = reply.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert reply.headers["x-content-type-options"] == "nosniff"
        assert reply.headers["referrer-policy"] == "no-referrer"
        assert "server" not in reply.headers


def test_no_or_wrong_token_is_403_without_a_word(server: PageServer) -> None:
    for path in WRONG:
        reply = ask(server.place, path)
        assert (reply.status, reply.body) == (403, b""), path


def test_no_way_leads_to_another_file(server: PageServer) -> None:
    for path in OTHER_FILES:
        reply = ask(server.place, f"/{TOKEN}/{path}")
        assert reply.status in {403, 404}, path
        assert b"root:" not in reply.body
        assert b"import" not in reply.body


def test_nothing_but_looking(server: PageServer) -> None:
    for method in ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "SPLIT"]:
        reply = ask(server.place, f"/{TOKEN}/", method=method)
        assert (reply.status, reply.body) == (405, b"")


def test_a_foreign_name_that_points_here_gets_nothing(bare: PageServer) -> None:
    port = bare.place.port
    foreign = [
        "evil.example",
        f"evil.example:{port}",
        f"localhost.evil.example:{port}",
        "127.0.0.1",
    ]
    for host in [*foreign, "", f"127.0.0.1:{port + 1}"]:
        reply = ask(bare.place, "/", host=host)
        assert (reply.status, reply.body) == (403, b""), host
    for host in ("127.0.0.1", "localhost", "LOCALHOST", "[::1]"):
        assert ask(bare.place, "/", host=f"{host}:{port}").status == 200, host


def test_two_host_lines_get_nothing(bare: PageServer) -> None:
    name = f"127.0.0.1:{bare.place.port}"
    with connected(bare.place) as line:
        text = f"GET / HTTP/1.1\r\nHost: {name}\r\nHost: evil.example\r\n\r\n"
        line.sendall(text.encode())
        assert read_all(line).split()[1] in {b"400", b"403"}


def test_beyond_loopback_a_token_is_a_must() -> None:
    with pytest.raises(AddressError, match=r"0\.0\.0\.0 can be reached by others: it needs a tok"):
        PageServer(Place("0.0.0.0", 8765), None)


def test_who_asks_too_often_is_put_off_and_may_ask_again_later() -> None:
    now = [0.0]
    guard = Guard(lambda *_: None, token=None, names=None, clock=lambda: now[0])  # type: ignore[arg-type,return-value]

    def statuses(address: str, count: int) -> list[int]:
        scope = {"client": (address, 1), "headers": [], "path": "/", "method": "GET"}
        return [guard._refusal(scope) for _ in range(count)]

    assert statuses("10.0.0.1", 40) == [0] * 40
    assert statuses("10.0.0.1", 5) == [429] * 5
    assert statuses("10.0.0.2", 1) == [0]
    now[0] = 1.0
    assert statuses("10.0.0.1", 9) == [0] * 8 + [429]
    for number in range(1000):
        statuses(f"10.1.{number // 250}.{number % 250}", 1)
    assert len(guard._allowances) <= 256


def stream(place: Place, source: str) -> socket.socket:
    """Open the stream of news from an address of this machine."""
    line = socket.create_connection((place.host, place.port), 10, source_address=(source, 0))
    line.sendall(f"GET /{TOKEN}/events HTTP/1.1\r\nHost: x\r\n\r\n".encode())
    return line


@pytest.mark.skipif(sys.platform != "linux", reason="no other loopback addresses here")
def test_no_more_pages_than_a_few(server: PageServer) -> None:
    lines = [stream(server.place, f"127.0.1.{number + 1}") for number in range(MOST_READERS)]
    for line in lines:
        assert b"retry:" in read_until(line, b"retry:")
    with stream(server.place, "127.0.2.1") as one_more:
        assert one_more.recv(15).startswith(b"HTTP/1.1 503")
    for line in lines:
        line.close()
    end, status = time.monotonic() + 5, b""
    while status != b"HTTP/1.1 200":
        assert time.monotonic() < end
        with stream(server.place, "127.0.2.1") as again:
            status = again.recv(12)


def test_a_phone_that_comes_back_takes_its_former_place(server: PageServer) -> None:
    lines = [stream(server.place, "127.0.0.1") for _ in range(MOST_READERS + 4)]
    for line in lines[:-MOST_OF_ONE_READER]:
        assert read_all(line).startswith(b"HTTP/1.1 200")
    for line in lines:
        line.close()


def test_a_crowd_is_turned_away_and_who_says_nothing_is_dropped(server: PageServer) -> None:
    crowd: list[socket.socket] = []
    closed = 0
    for _ in range(MOST_OF_ONE_ADDRESS + 20):
        crowd.append(connected(server.place))
    crowd[0].sendall(b"GET / HT")
    began = time.monotonic()
    for line in crowd:
        line.settimeout(PATIENCE_S + 3)
        assert read_all(line) == b""
        closed += 1
        line.close()
    assert closed == len(crowd)
    assert time.monotonic() - began < PATIENCE_S + 3
    assert ask(server.place, f"/{TOKEN}/").status == 200


def test_who_does_not_read_is_dropped_while_others_get_their_news(
    server: PageServer, night: LiveSnapshot
) -> None:
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    slow.connect((server.place.host, server.place.port))
    slow.sendall(f"GET /{TOKEN}/events HTTP/1.1\r\nHost: x\r\n\r\n".encode())
    with connected(server.place) as good:
        good.sendall(f"GET /{TOKEN}/events HTTP/1.1\r\nHost: x\r\n\r\n".encode())
        good.settimeout(5)
        longest, number = 0.0, 0
        end = time.monotonic() + 30
        while len(server._board._readers) != 1 or number < 3:
            number += 1
            began = time.monotonic()
            # Long news fill what the system holds for the slow one.
            server.publish(
                replace(night, target=f"{number}", folder="x", advice=night.advice * 200)
            )
            longest = max(longest, time.monotonic() - began)
            got = b""
            while f'"title":"{number}"'.encode() not in got or not got.endswith(b"\n\r\n"):
                got += good.recv(1 << 16)
            assert time.monotonic() < end
    slow.close()
    assert longest < 0.1


def test_the_picture_comes_on_demand_and_red_is_only_red(place: Place, night: LiveSnapshot) -> None:
    image = pytest.importorskip("PIL.Image", reason="no other reader of PNG is here")
    shades = np.arange(256, dtype=np.uint8).reshape(8, 32)
    with PageServer(place, None) as server:
        server.publish(night)
        assert ask(place, "/picture-red.png").status == 404
        server.publish(replace(night, picture=shades))
        day = np.asarray(image.open(io.BytesIO(ask(place, "/picture-day.png").body)).convert("RGB"))
        red = np.asarray(image.open(io.BytesIO(ask(place, "/picture-red.png").body)).convert("RGB"))
    assert (day == shades[:, :, np.newaxis]).all()
    assert not red[:, :, 1:].any()
    assert (np.diff(red[:, :, 0].ravel().astype(int)) >= 0).all()
    assert 100 < red.max() < 200


def test_the_page_holds_nothing_from_elsewhere_and_nothing_inline() -> None:
    page = (CODE / "page.html").read_text(encoding="utf-8")
    assert not re.search(r"\sstyle=|\son\w+=|<style|<script(?! src=)", page)
    for file in CODE.glob("page.*"):
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "//" not in re.sub(r"(?m)^\s*//.*$", "", text), file
        assert not re.search(r"animation|transition|innerHTML|<blink", text), file
