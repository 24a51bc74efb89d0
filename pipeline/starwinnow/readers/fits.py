"""FITS files to frames.

Arrays stored as they are, in the primary or an extension, gzipped or not, are read here without
a detour: header blocks, then bytes straight into the array that becomes `Frame.pixels`. Tile-
compressed images are decoded by astropy, which is loaded only then. Clause numbers are those of
the FITS standard, version 4.0.
"""

import io
import itertools
import math
import re
import stat
import sys
import warnings
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.errors import UnreadableFrameError
from starwinnow.frame import Frame, Pixels
from starwinnow.readers.headers import parse_card, read_capture

__all__ = ["read_frame"]

_BLOCK, _CARD = 2880, 80
_DTYPES = {8: "u1", 16: "i2", 32: "i4", 64: "i8", -32: "f4", -64: "f8"}
_LEAST_SIDE_PX = 16
# No camera file comes near these; they keep a damaged or hostile one from filling the memory.
_MOST_PX = 1 << 28
_MOST_HEADER_BLOCKS = 2000
_MOST_HDUS = 1000
_MOST_SKIPPED_BYTES = 1 << 32
# Deflate shrinks by 1032 at most (zlib's technical notes), and tiles of an image with noise by
# far less; below this size any promise may be tried.
_MOST_INFLATION, _ALWAYS_ALLOWED_BYTES = 1032, 1 << 26
_PIECE = 1 << 18
_GZIP = b"\x1f\x8b"
_PACKED = {b"\x1f\x9d": "compress (.Z)", b"BZh": "bzip2", b"PK\x03\x04": "zip", b"\xfd7zXZ": "xz"}
_AGAIN = "copy it again from the camera"
# What astropy needs to know of a table of tiles; cards of the observer could trip it.
_TILE_CARD = re.compile(rb"XTENSION|BITPIX|NAXIS|[PG]COUNT|TFIELDS|TTYPE|TFORM|TDIM|THEAP|Z|END ")
_EMPTY_PRIMARY = (
    b"SIMPLE  =                    T".ljust(_CARD)
    + b"BITPIX  =                    8".ljust(_CARD)
    + b"NAXIS   =                    0".ljust(_CARD)
    + b"EXTEND  =                    T".ljust(_CARD)
    + b"END"
).ljust(_BLOCK)


def read_frame(path: Path) -> Frame:
    """Read the first image of a FITS file.

    Parameters
    ----------
    path : Path
        A FITS file, gzipped or not whatever its name, tile-compressed or not.

    Returns
    -------
    Frame
        Pixels are uint16 where the file holds 16-bit integers, unsigned or without a negative
        value, or bytes; otherwise float32. BLANK pixels (clause 4.4.2.5), NaN and infinities
        are NaN. A cube of three colour planes gives the mean of its planes, as float32.

    Raises
    ------
    UnreadableFrameError
        For anything else, with file name and reason in one line.
    """
    try:
        _check_kind(path)
        with path.open("rb", buffering=0) as file:
            pixels, cards, comments = _first_image(_Source(file))
        return Frame(path=path, pixels=pixels, capture=read_capture(cards, comments))
    except UnreadableFrameError as error:
        reason = str(error)
    except OSError as error:
        reason = f"cannot be opened ({error.strerror or error})"
    except zlib.error as error:
        reason = f"damaged gzip data ({error}); {_AGAIN}"
    except MemoryError:
        reason = "needs more memory than there is"
    line = "".join(c if c.isprintable() else " " for c in f"{path.name}: {reason}")
    raise UnreadableFrameError(" ".join(line.split()))


def _check_kind(path: Path) -> None:
    # Opening a pipe or a device could wait for ever.
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        found = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
        raise UnreadableFrameError(f"{found}, expected a FITS file")


class _Inflated(io.RawIOBase):
    """Content of a gzip file, forward only; a truncated one just ends."""

    def __init__(self, packed: io.FileIO) -> None:
        self._packed = packed
        self._inflater = zlib.decompressobj(31)

    def readinto(self, target: Any) -> int:
        while True:
            data = self._inflater.unconsumed_tail or self._inflater.unused_data
            # One byte is too little to tell whether another member of the file begins.
            if len(data) < len(_GZIP):
                data += self._packed.read(_PIECE)
            if self._inflater.eof and data.startswith(_GZIP):
                self._inflater = zlib.decompressobj(31)
            if self._inflater.eof or not data:
                return 0
            piece = self._inflater.decompress(data, min(len(target), _PIECE))
            if piece:
                target[: len(piece)] = piece
                return len(piece)


class _Source:
    """Bytes of a file, plain or inflated, in order.

    `at` counts the bytes taken or passed over; `size` is how many there can be at most.
    """

    def __init__(self, file: io.FileIO) -> None:
        self.at, self.size = 0, file.seek(0, io.SEEK_END)
        file.seek(0)
        self.gzipped = file.read(len(_GZIP)) == _GZIP
        file.seek(0)
        self._stream: io.RawIOBase = _Inflated(file) if self.gzipped else file
        if self.gzipped:
            self.size = max(self.size * _MOST_INFLATION, _ALWAYS_ALLOWED_BYTES)

    def take(self, count: int, dtype: Any) -> NDArray[Any]:
        """Next `count` numbers, in an array of their own; refused where they are not all there."""
        promised, left = count * np.dtype(dtype).itemsize, self.size - self.at
        # Before any memory is asked for: a header can promise anything.
        if promised <= left:
            array: NDArray[Any] = np.empty(count, dtype)
            left = self._fill(array.data.cast("B"))
            if left == promised:
                return array
        raise UnreadableFrameError(
            f"truncated: {max(left, 0)} of {promised} bytes of the image; {_AGAIN}"
        )

    def read(self, most: int) -> bytes:
        buffer = bytearray(most)
        return bytes(buffer[: self._fill(memoryview(buffer))])

    def skip(self, count: int) -> None:
        if not self.gzipped:
            self.at += count
            self._stream.seek(min(self.at, self.size))
            return
        if count > _MOST_SKIPPED_BYTES:
            raise UnreadableFrameError(f"{count} bytes before its image, expected far fewer")
        while count > 0 and (piece := self.read(min(count, _PIECE))):
            count -= len(piece)

    def _fill(self, view: memoryview) -> int:
        done = 0
        while done < len(view) and (got := self._stream.readinto(view[done:])):
            done += got
        self.at += done
        return done


@dataclass(frozen=True, slots=True)
class _Hdu:
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
        value = self.cards.get(name, default)
        if isinstance(value, bool) or not isinstance(value, int) or value < 0:
            found = "missing" if value is None else str(value)[:40]
            raise UnreadableFrameError(f"{name} is {found}, expected a whole number, not negative")
        return value

    def number(self, name: str, default: float) -> float:
        value = self.cards.get(name, default)
        if not isinstance(value, int | float) or not math.isfinite(value):
            raise UnreadableFrameError(f"{name} is {str(value)[:40]}, expected a number")
        return float(value)

    def dtype(self, prefix: str) -> np.dtype[Any]:
        bits = self.cards.get(f"{prefix}BITPIX")
        if not isinstance(bits, int) or bits not in _DTYPES:
            expected = ", ".join(map(str, _DTYPES))
            raise UnreadableFrameError(f"BITPIX is {str(bits)[:40]}, expected one of {expected}")
        return np.dtype(_DTYPES[bits])

    def sizes(self, prefix: str) -> list[int]:
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


def _first_image(source: _Source) -> tuple[Pixels, dict[str, object], dict[str, str]]:
    """Pixels of a file's first image, with its cards and comments laid over the primary's."""
    cards: dict[str, object] = {}
    comments: dict[str, str] = {}
    for number, hdu in enumerate(_hdus(source)):
        if hdu.is_image:
            shape = hdu.shape()
            stored = _untiled(hdu, source, shape) if hdu.prefix else _plain(hdu, source, shape)
            # A gzip file ends with its checksum: reading past the padding tests it.
            source.read(_BLOCK if source.gzipped else 0)
            pixels = _physical(stored, hdu).reshape(shape)
            if len(shape) == 3:
                pixels = pixels.mean(axis=0, dtype=np.float64).astype(np.float32)
            return pixels, cards | hdu.cards, comments | hdu.comments
        if number == 0:
            cards, comments = hdu.cards, hdu.comments
        source.skip(-(-hdu.data_bytes // _BLOCK) * _BLOCK)
    raise UnreadableFrameError("no image in it, expected one with two axes (NAXIS = 2)")


def _hdus(source: _Source) -> Iterator[_Hdu]:
    """Headers of a file; whoever takes one moves the source past its data."""
    for number in range(_MOST_HDUS):
        block = source.read(_BLOCK)
        if number == 0:
            _check_start(block)
        elif not block.startswith(b"XTENSION"):
            return
        cards: dict[str, object] = {}
        comments: dict[str, str] = {}
        blocks = [block]
        while not _add_cards(blocks[-1], cards, comments):
            if len(blocks[-1]) < _BLOCK or len(blocks) == _MOST_HEADER_BLOCKS:
                raise UnreadableFrameError(
                    f"truncated: no END card in the {source.at} bytes of its header; {_AGAIN}"
                )
            blocks.append(source.read(_BLOCK))
        yield _Hdu(cards, comments, b"".join(blocks))


def _check_start(block: bytes) -> None:
    if re.match(rb"SIMPLE *=", block):
        return
    if not block:
        raise UnreadableFrameError(f"empty, expected a FITS file; {_AGAIN}")
    for start, packer in _PACKED.items():
        if block.startswith(start):
            raise UnreadableFrameError(
                f"packed with {packer}, expected FITS, plain or gzipped; unpack it first"
            )
    found = block[:9].decode("ascii", "replace")
    raise UnreadableFrameError(f"no FITS file: it starts with {found!r}, expected 'SIMPLE'")


def _add_cards(block: bytes, cards: dict[str, object], comments: dict[str, str]) -> bool:
    """Add the cards of a block, the first of each name; True when END is among them."""
    for start in range(0, len(block), _CARD):
        card = block[start : start + _CARD].decode("latin-1")
        if card.rstrip() == "END":
            return True
        name, value, comment = parse_card(card)
        if value is not None and name not in cards:
            cards[name], comments[name] = value, comment
    return False


def _plain(hdu: _Hdu, source: _Source, shape: tuple[int, ...]) -> NDArray[Any]:
    stored = source.take(math.prod(shape), hdu.dtype(""))
    # FITS is big-endian (clause 5).
    return stored.byteswap(inplace=True) if sys.byteorder == "little" else stored


def _untiled(hdu: _Hdu, source: _Source, shape: tuple[int, ...]) -> NDArray[Any]:
    """Decode a tile-compressed image, flat; astropy sees no more than its table."""
    dtype, sizes = hdu.dtype("Z"), hdu.sizes("Z")
    tile = [
        max(1, hdu.whole(f"ZTILE{axis}", size if axis == 1 else 1))
        for axis, size in enumerate(sizes, start=1)
    ]
    tiles = math.prod(-(-size // span) for size, span in zip(sizes, tile, strict=True))
    table = source.take(hdu.data_bytes, np.uint8)
    most = max(table.size * _MOST_INFLATION, _ALWAYS_ALLOWED_BYTES)
    if hdu.sizes("")[1:] != [tiles] or math.prod(shape) * dtype.itemsize > most:
        raise _tiles_damaged("they do not make up the image")
    cards = (hdu.blocks[at : at + _CARD] for at in range(0, len(hdu.blocks), _CARD))
    header = b"".join(card.ljust(_CARD) for card in cards if _TILE_CARD.match(card))
    header += b" " * (-len(header) % _BLOCK)
    padding = bytes(-table.size % _BLOCK)
    content = b"".join((_EMPTY_PRIMARY, header, table.data, padding))
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            from astropy.io import fits  # noqa: PLC0415

            if hdu.cards.get("ZCMPTYPE") == "HCOMPRESS_1":
                file = io.BytesIO(content)
                with fits.open(file, memmap=False, disable_image_compression=True) as hdus:
                    _check_wavelets(hdus[1].data["COMPRESSED_DATA"], sizes, tile)
            with fits.open(io.BytesIO(content), memmap=False) as hdus:
                image = np.asarray(hdus[1].data)
    # Broken tiles raise whatever the decoder of the day stumbles over.
    except Exception as error:
        raise _tiles_damaged(str(error)) from error
    if image.size != math.prod(shape) or image.dtype.kind not in "iuf":
        raise _tiles_damaged("they do not make up the image")
    return np.require(image, dtype, ["C", "W"]).reshape(-1)


def _tiles_damaged(how: str) -> UnreadableFrameError:
    return UnreadableFrameError(f"damaged tiles ({how}); {_AGAIN}")


def _check_wavelets(tiles: Iterable[Any], sizes: list[int], tile: list[int]) -> None:
    """Refuse HCOMPRESS tiles that state another size than theirs.

    The decoder believes them, and would write past the end of its memory.
    """
    spans = [
        [min(span, size - at) for at in range(0, size, span)]
        for size, span in zip(sizes, tile, strict=True)
    ]
    # Axis 1 varies fastest.
    for coded, span in zip(tiles, itertools.product(*reversed(spans)), strict=True):
        start = bytes(coded[:10])
        stated = int.from_bytes(start[2:6]) * int.from_bytes(start[6:10])
        if start and stated != math.prod(span):
            raise ValueError("a tile is not of its size")


def _physical(stored: NDArray[Any], hdu: _Hdu) -> Pixels:
    """ADU from stored values (clause 4.4.2.5), in the memory of `stored` where it can be."""
    scale, zero = hdu.number("BSCALE", 1.0), hdu.number("BZERO", 0.0)
    if scale == 0:
        raise UnreadableFrameError("BSCALE is 0, expected another number")
    blank = None
    if stored.dtype.kind != "f" and {"BLANK", "ZBLANK"} & hdu.cards.keys():
        # Tiled integers may carry it under either name (clause 10.1.2).
        stated = hdu.number("BLANK" if "BLANK" in hdu.cards else "ZBLANK", 0.0)
        limits = np.iinfo(stored.dtype)
        if limits.min <= stated <= limits.max and np.any(stored == int(stated)):
            blank = int(stated)
    if scale == 1 and blank is None:
        if stored.dtype == np.uint8 and zero == 0:
            return stored.astype(np.uint16)
        if stored.dtype == np.int16 and zero == 32768:
            unsigned = stored.view(np.uint16)
            # Adding 32768 to a 16-bit integer turns over its top bit.
            unsigned ^= np.uint16(0x8000)
            return unsigned
        if stored.dtype == np.int16 and zero == 0 and stored.min() >= 0:
            return stored.view(np.uint16)
    return _floats(stored, scale, zero, blank)


def _floats(stored: NDArray[Any], scale: float, zero: float, blank: int | None) -> Pixels:
    """Values as float32, worked out in float64 piece by piece; no finite value gives NaN."""
    in_place = stored.itemsize == np.dtype(np.float32).itemsize
    as_stored = stored.dtype == np.float32 and scale == 1 and zero == 0
    physical = stored.view(np.float32) if in_place else np.empty(stored.size, np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for start in range(0, stored.size, _PIECE):
            piece, part = stored[start : start + _PIECE], physical[start : start + _PIECE]
            if not as_stored:
                values = piece.astype(np.float64)
                if blank is not None:
                    values[piece == blank] = np.nan
                values *= scale
                values += zero
                part[:] = values
            finite = np.isfinite(part)
            if not finite.all():
                part[~finite] = np.nan
    return physical
