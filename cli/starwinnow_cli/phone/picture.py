"""The last frame's small picture as a PNG: grey by day, nothing but dim red in the dark."""

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

__all__ = ["png"]

_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PALETTE_COLOURS = 3
# The brightest star in red gives no more light than the page's dimmest text.
_BRIGHTEST_RED = 176


def png(picture: NDArray[np.uint8], *, red: bool) -> bytes:
    """Encode a picture with a palette (PNG specification, 11.2).

    Parameters
    ----------
    picture : ndarray of uint8, shape (h, w)
    red : bool
        Shades of red without green or blue, or of grey.
    """
    height, width = picture.shape
    shades = np.arange(256)
    palette = np.zeros((256, 3), np.uint8)
    if red:
        palette[:, 0] = shades * _BRIGHTEST_RED // 255
    else:
        palette[:] = shades[:, np.newaxis]
    header = struct.pack(">IIBBBBB", width, height, 8, _PALETTE_COLOURS, 0, 0, 0)
    # Each row begins with the number of its filter, 0 for none.
    rows = np.zeros((height, width + 1), np.uint8)
    rows[:, 1:] = picture
    return b"".join(
        [
            _SIGNATURE,
            _chunk(b"IHDR", header),
            _chunk(b"PLTE", palette.tobytes()),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), 6)),
            _chunk(b"IEND", b""),
        ]
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
