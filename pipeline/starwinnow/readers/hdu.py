"""Headers of a FITS file and what they say about the data behind them.

Clause numbers are those of the FITS standard, version 4.0.
"""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from starwinnow.errors import UnreadableFrameError
from starwinnow.readers.byte_source import COPY_AGAIN, ByteSource
from starwinnow.readers.cards import parse_card

__all__ = ["BLOCK", "CARD", "Hdu", "read_hdus"]

# Clause 3.1: blocks; clause 3.3.1: cards, in characters.
BLOCK, CARD = 2880, 80
_DTYPES = {8: "u1", 16: "i2", 32: "i4", 64: "i8", -32: "f4", -64: "f8"}
_LEAST_SIDE_PX = 16
# No camera file comes near these; they keep a damaged or hostile one from filling the memory.
_MOST_PX = 1 << 28
_MOST_HEADER_BLOCKS = 2000
_MOST_HDUS = 1000
_PACKED = {b"\x1f\x9d": "compress (.Z)", b"BZh": "bzip2", b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz"}


@dataclass(frozen=True, slots=True)
class Hdu:
    """A header: cards by name, their comments, and the blocks as they are in the file."""

    cards: dict[str, object]
    comments: dict[str, str]
    blocks: bytes

    @property
    def prefix(self) -> str:
        """'Z' where the cards that describe the image begin so: it is tiled (clause 10.1)."""
        tiled = self.cards.get("XTENSION") == "BINTABLE" and self.cards.get("ZIMAGE") is True
        return "Z" if tiled else ""

    @property
    def is_image(self) -> bool:
        """Whether there is an image of two axes or more, tiled or not."""
        if self.cards.get("XTENSION", "IMAGE") != "IMAGE" and not self.prefix:
            return False
        sizes = self.sizes(self.prefix)
        return len(sizes) > 1 and math.prod(sizes) > 0

    @property
    def data_bytes(self) -> int:
        """Length of the data without padding (clause 4.4.1.2; 6.1.1 for random groups)."""
        sizes = self.sizes("")
        if sizes[:1] == [0] and self.cards.get("GROUPS") is True:
            sizes = sizes[1:]
        elements = math.prod(sizes) if sizes else 0
        groups, extra = self.whole("GCOUNT", 1), self.whole("PCOUNT", 0)
        return self.dtype("").itemsize * groups * (extra + elements)

    def whole(self, name: str, default: int | None = None) -> int:
        """Return a card's whole number from 0 up; anything else is refused."""
        value = self.cards.get(name, default)
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            found = "missing" if value is None else str(value)[:40]
            raise UnreadableFrameError(f"{name} is {found}, expected a whole number, not negative")
        return value

    def number(self, name: str, default: float) -> float:
        """Return a card's finite number; anything else is refused."""
        value = self.cards.get(name, default)
        if not isinstance(value, int | float) or not math.isfinite(value):
            raise UnreadableFrameError(f"{name} is {str(value)[:40]}, expected a number")
        return float(value)

    def dtype(self, prefix: str) -> np.dtype[Any]:
        """Return the type of the stored values, by BITPIX or ZBITPIX (clause 4.4.1.1)."""
        bits = self.cards.get(f"{prefix}BITPIX")
        if not isinstance(bits, int) or bits not in _DTYPES:
            expected = ", ".join(map(str, _DTYPES))
            raise UnreadableFrameError(f"BITPIX is {str(bits)[:40]}, expected one of {expected}")
        return np.dtype(_DTYPES[bits])

    def sizes(self, prefix: str) -> list[int]:
        """Lengths of the axes, axis 1 first."""
        axes = self.whole(f"{prefix}NAXIS")
        if axes > 999:
            raise UnreadableFrameError(f"{prefix}NAXIS is {axes}, expected at most 999")
        return [self.whole(f"{prefix}NAXIS{axis}") for axis in range(1, axes + 1)]

    def shape(self) -> tuple[int, ...]:
        """(ny, nx), or (3, ny, nx) of colour planes; anything else is refused."""
        sizes = self.sizes(self.prefix)
        nx, ny, planes = sizes[0], sizes[1], [n for n in sizes[2:] if n != 1]
        if planes not in ([], [3]):
            found = " x ".join(map(str, sizes[:6]))
            raise UnreadableFrameError(
                f"a cube of {found} px, expected one image or three colour planes"
            )
        if min(nx, ny) < _LEAST_SIDE_PX:
            expected = f"sides of at least {_LEAST_SIDE_PX} px"
        elif nx * ny > _MOST_PX:
            expected = f"at most {_MOST_PX} px in all"
        else:
            return (*planes, ny, nx)
        raise UnreadableFrameError(f"an image of {nx} x {ny} px, expected {expected}")


def read_hdus(source: ByteSource) -> Iterator[Hdu]:
    """Headers of a file; whoever takes one moves the source past its data."""
    for number in range(_MOST_HDUS):
        block = source.read(BLOCK)
        if number == 0:
            _check_start(block)
        elif not block.startswith(b"XTENSION"):
            return
        cards: dict[str, object] = {}
        comments: dict[str, str] = {}
        blocks = [block]
        while not _add_cards(blocks[-1], cards, comments):
            if len(blocks[-1]) < BLOCK or len(blocks) == _MOST_HEADER_BLOCKS:
                raise UnreadableFrameError(
                    f"truncated: no END card in the {source.at} bytes of its header; {COPY_AGAIN}"
                )
            blocks.append(source.read(BLOCK))
        yield Hdu(cards, comments, b"".join(blocks))


def _check_start(block: bytes) -> None:
    if re.match(rb"SIMPLE *=", block):
        return
    if not block:
        raise UnreadableFrameError(f"empty, expected a FITS file; {COPY_AGAIN}")
    for start, packer in _PACKED.items():
        if block.startswith(start):
            raise UnreadableFrameError(
                f"packed with {packer}, expected FITS, plain or gzipped; unpack it first"
            )
    found = block[:9].decode("ascii", "replace")
    raise UnreadableFrameError(f"no FITS file: it starts with {found!r}, expected 'SIMPLE'")


def _add_cards(block: bytes, cards: dict[str, object], comments: dict[str, str]) -> bool:
    """Add the cards of a block, the first of each name; True when END is among them."""
    for start in range(0, len(block), CARD):
        card = block[start : start + CARD].decode("latin-1")
        if card.rstrip() == "END":
            return True
        name, value, comment = parse_card(card)
        if value is not None and name not in cards:
            cards[name], comments[name] = value, comment
    return False
