"""Requests written by hand, byte by byte: what no browser would send."""

import socket
from dataclasses import dataclass

from starwinnow_cli.phone.address import Place


@dataclass(frozen=True)
class Reply:
    status: int
    headers: dict[str, str]
    body: bytes


def connected(place: Place) -> socket.socket:
    return socket.create_connection((place.host, place.port), timeout=10)


def ask(place: Place, path: str, *, method: str = "GET", host: str | None = None) -> Reply:
    """Send one request and read to the end; status 0 where no answer came."""
    name = f"{place.host}:{place.port}" if host is None else host
    with connected(place) as line:
        line.sendall(f"{method} {path} HTTP/1.1\r\nHost: {name}\r\n\r\n".encode("latin-1"))
        return parsed(read_all(line))


def read_all(line: socket.socket) -> bytes:
    got = b""
    try:
        while part := line.recv(65536):
            got += part
    except ConnectionResetError:
        pass
    return got


def parsed(got: bytes) -> Reply:
    if not got:
        return Reply(0, {}, b"")
    head, _, body = got.partition(b"\r\n\r\n")
    first, *rest = head.decode("latin-1").split("\r\n")
    headers = dict(line.lower().split(": ", 1) for line in rest)
    return Reply(int(first.split()[1]), headers, body)


def read_until(line: socket.socket, wanted: bytes) -> bytes:
    got = b""
    while wanted not in got and (part := line.recv(65536)):
        got += part
    return got
