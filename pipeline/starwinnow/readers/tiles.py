"""Tile-compressed images (FITS 4.0, clause 10.1), decoded by astropy, which is loaded only then."""

import io
import itertools
import math
import re
import warnings
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.errors import UnreadableFrameError
from starwinnow.readers.byte_source import (
    ALWAYS_ALLOWED_BYTES,
    COPY_AGAIN,
    MOST_INFLATION,
    ByteSource,
)
from starwinnow.readers.hdu import BLOCK, CARD, Hdu

__all__ = ["decode_tiles"]

# Columns of a table (FITS 4.0, clause 7.3.1): the decoder counts up to whatever a header says.
_MOST_COLUMNS = 999
# Each takes a call: 16 384 px squared in tiles of 32 px squared. A row holds at least the place
# and length of its tile, two numbers of 32 bits.
_MOST_TILES, _LEAST_ROW_BYTES = 1 << 18, 8
# What astropy needs to know of a table of tiles; cards of the observer could trip it.
_TILE_CARD = re.compile(rb"XTENSION|BITPIX|NAXIS|[PG]COUNT|TFIELDS|TTYPE|TFORM|TDIM|THEAP|Z|END ")
_EMPTY_PRIMARY = (
    b"SIMPLE  =                    T".ljust(CARD)
    + b"BITPIX  =                    8".ljust(CARD)
    + b"NAXIS   =                    0".ljust(CARD)
    + b"EXTEND  =                    T".ljust(CARD)
    + b"END"
).ljust(BLOCK)


def decode_tiles(hdu: Hdu, source: ByteSource, shape: tuple[int, ...]) -> NDArray[Any]:
    """Decode a tile-compressed image, flat; astropy sees no more than its table."""
    dtype, sizes = hdu.dtype("Z"), hdu.sizes("Z")
    tile = [
        max(1, hdu.whole(f"ZTILE{axis}", size if axis == 1 else 1))
        for axis, size in enumerate(sizes, start=1)
    ]
    tiles = math.prod(-(-size // span) for size, span in zip(sizes, tile, strict=True))
    if (columns := hdu.whole("TFIELDS")) > _MOST_COLUMNS:
        raise UnreadableFrameError(f"TFIELDS is {columns}, expected at most {_MOST_COLUMNS}")
    if tiles > _MOST_TILES:
        raise UnreadableFrameError(f"{tiles} tiles, expected at most {_MOST_TILES}")
    table = source.take(hdu.data_bytes, np.uint8)
    most = max(table.size * MOST_INFLATION, ALWAYS_ALLOWED_BYTES)
    rows = hdu.sizes("")
    whole = len(rows) == 2 and rows[0] >= _LEAST_ROW_BYTES and rows[1] == tiles
    if not whole or math.prod(shape) * dtype.itemsize > most:
        raise _tiles_damaged("they do not make up the image")
    cards = (hdu.blocks[at : at + CARD] for at in range(0, len(hdu.blocks), CARD))
    header = b"".join(card.ljust(CARD) for card in cards if _TILE_CARD.match(card))
    header += b" " * (-len(header) % BLOCK)
    padding = bytes(-table.size % BLOCK)
    content = b"".join((_EMPTY_PRIMARY, header, table.data, padding))
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            from astropy.io import fits  # noqa: PLC0415

            if (method := hdu.cards.get("ZCMPTYPE")) in ("HCOMPRESS_1", "PLIO_1"):
                file = io.BytesIO(content)
                with fits.open(file, memmap=False, disable_image_compression=True) as hdus:
                    coded = hdus[1].data["COMPRESSED_DATA"]
                    if method == "PLIO_1":
                        _check_pixel_lists(coded)
                    else:
                        _check_wavelets(coded, sizes, tile)
            with fits.open(io.BytesIO(content), memmap=False) as hdus:
                image = np.asarray(hdus[1].data)
    # Broken tiles raise whatever the decoder of the day stumbles over.
    except Exception as error:
        raise _tiles_damaged(str(error)) from error
    if image.size != math.prod(shape) or image.dtype.kind not in "iuf":
        raise _tiles_damaged("they do not make up the image")
    return np.require(image, dtype, ["C", "W"]).reshape(-1)


def _tiles_damaged(how: str) -> UnreadableFrameError:
    return UnreadableFrameError(f"damaged tiles ({how}); {COPY_AGAIN}")


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


def _check_pixel_lists(tiles: Iterable[Any]) -> None:
    """Refuse PLIO tiles that state a longer list than theirs.

    The decoder believes them, and would read past the end of its memory.
    """
    for coded in tiles:
        words = [int(word) for word in coded[:5]]
        if len(words) == 0:
            continue
        # Old lists state their length in the third word; later ones in the fourth and fifth, and
        # where they begin in the second.
        old = len(words) > 2 and words[2] > 0
        if not old and len(words) < 5:
            raise ValueError("a list of pixels has no beginning")
        length = words[2] if old else (words[4] << 15) + words[3]
        if length > len(coded) or (not old and words[1] < 0):
            raise ValueError("a list of pixels is not as long as it says")
