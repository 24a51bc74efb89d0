"""Where the page is served, and the addresses under which a phone finds it."""

import ipaddress
import os
import secrets
import socket
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import segno

from starwinnow.errors import StarwinnowError

__all__ = ["AddressError", "Place", "keep_token", "parse_place", "qr_lines"]

_DEFAULT_HOST, _DEFAULT_PORT = "127.0.0.1", 8765
# 16 of 31 signs, none of which looks like another, are 79 bits: with a few tries a second nobody
# finds one.
_TOKEN_SIGNS, _TOKEN_LENGTH = "abcdefghjkmnpqrstuvwxyz23456789", 16
_TOKEN_AGE_S = 24 * 3600.0
_PLAIN_PORT = 80
_WAITING_ROOM = 64
# Asking the system for the way to an address sends nothing. The first is for documents (RFC 5737):
# its way is that to all other networks. Without such a way a network that this machine opened
# itself is tried, by the numbers that common systems give to theirs; from memory.
_TOWARDS = ("192.0.2.1", "10.42.0.2", "192.168.137.2", "192.168.2.2")


class AddressError(StarwinnowError):
    """A place to serve the page that cannot be used."""


@dataclass(frozen=True, slots=True)
class Place:
    """Host, an address or `localhost`, and port."""

    host: str
    port: int

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can reach it."""
        return self.host == "localhost" or ipaddress.ip_address(self.host).is_loopback

    @property
    def names(self) -> frozenset[str]:
        """What a browser of this machine may call it in its Host line."""
        hosts = {self.host, "127.0.0.1", "localhost", "::1"}
        names = {_joined(host, self.port) for host in hosts}
        if self.port == _PLAIN_PORT:
            # Browsers leave the usual port away.
            names |= {name.removesuffix(f":{_PLAIN_PORT}") for name in names}
        return frozenset(names)

    def links(self, token: str | None) -> list[str]:
        """Give the page's addresses, the likeliest first."""
        hosts = [self.host]
        if self.host != "localhost" and ipaddress.ip_address(self.host).is_unspecified:
            hosts = _own_hosts()
        path = f"/{token}/" if token else "/"
        return [f"http://{_joined(host, self.port)}{path}" for host in hosts]

    def bind(self) -> socket.socket:
        """Open the port.

        Raises
        ------
        AddressError
            If it is taken, or is no address of this machine.
        """
        family = socket.AF_INET6 if ":" in self.host else socket.AF_INET
        listener = socket.socket(family, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                # A watch that is started again gets its port back at once.
                listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.host, self.port))
            # From here on nobody is refused; who comes early waits until the server is ready.
            listener.listen(_WAITING_ROOM)
        except OSError as error:
            listener.close()
            another = _joined(self.host, self.port % 65535 + 1)
            raise AddressError(
                f"--serve {_joined(self.host, self.port)} cannot be opened ({error.strerror}): it "
                "is taken, or no address of this machine. Give another, such as "
                f"--serve {another}, or 0.0.0.0 for all addresses of this machine."
            ) from error
        return listener


def parse_place(text: str) -> Place:
    """Read HOST, HOST:PORT or [HOST]:PORT.

    Raises
    ------
    AddressError
        If it is neither.
    """
    host, port = text, str(_DEFAULT_PORT)
    if text.startswith("["):
        host, _, rest = text[1:].partition("]")
        port = rest.removeprefix(":") or port
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    valid = port.isascii() and port.isdigit() and 0 < int(port) < 65536
    with suppress(ValueError):
        if valid:
            host = host if host == "localhost" else str(ipaddress.ip_address(host))
            return Place(host, int(port))
    raise AddressError(
        f"--serve {text} is no address. Give HOST:PORT in figures, such as "
        f"{_DEFAULT_HOST}:{_DEFAULT_PORT} for "
        f"this machine alone or 0.0.0.0:{_DEFAULT_PORT} for a phone in the same network."
    )


def keep_token(path: Path) -> str:
    """Give the token of this night, a new one where there is none from the last day.

    A watch that is started again keeps its address so that the phone finds it.
    """
    with suppress(OSError, UnicodeDecodeError):
        token = path.read_text(encoding="ascii").strip()
        fresh = 0 <= time.time() - path.stat().st_mtime < _TOKEN_AGE_S
        if fresh and len(token) == _TOKEN_LENGTH and set(token) <= set(_TOKEN_SIGNS):
            return token
    token = "".join(secrets.choice(_TOKEN_SIGNS) for _ in range(_TOKEN_LENGTH))
    with suppress(OSError):
        path.unlink(missing_ok=True)
        # Readable by its owner alone from the first moment on.
        number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(number, "w", encoding="ascii") as file:
            file.write(token + "\n")
    return token


def qr_lines(link: str) -> list[str]:
    """Draw an address as a QR code, two of its rows a line, light modules as block signs."""
    matrix = [list(row) for row in segno.make(link, error="l", micro=False).matrix_iter(border=2)]
    if len(matrix) % 2:
        matrix.append([1] * len(matrix[0]))
    signs = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
    return [
        "".join(signs[bool(a), bool(b)] for a, b in zip(upper, lower, strict=True))
        for upper, lower in zip(matrix[::2], matrix[1::2], strict=True)
    ]


def _joined(host: str, port: int) -> str:
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


def _own_hosts() -> list[str]:
    """Addresses of this machine in its networks; the one towards other networks first."""
    found: list[str] = []
    for address in _TOWARDS:
        with suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect((address, 9))
            found.append(probe.getsockname()[0])
    with suppress(OSError):
        found += socket.gethostbyname_ex(socket.gethostname())[2]
    own = [host for host in dict.fromkeys(found) if not ipaddress.ip_address(host).is_loopback]
    return own or [f"{socket.gethostname()}.local"]
