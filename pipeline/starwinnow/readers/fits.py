"""FITS files to frames.

Arrays stored as they are, in the primary or an extension, gzipped or not, are read here without
a detour: header blocks, then bytes straight into the array that becomes `Frame.pixels`. Tile-
compressed images take the way of `tiles`. Clause numbers are those of the FITS standard,
version 4.0.
"""

import math
import stat
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.errors import UnreadableFrameError
from starwinnow.frame import Frame, Pixels
from starwinnow.readers.byte_source import COPY_AGAIN, PIECE, ByteSource
from starwinnow.readers.hdu import BLOCK, Hdu, read_hdus
from starwinnow.readers.headers import read_capture
from starwinnow.readers.inflating import inflating
from starwinnow.readers.tiles import decode_tiles

__all__ = ["expected_kind", "read_frame"]

# No sensor and no sum of frames comes near; damaged floating-point pixels go up to 3e38, and
# their squares to infinity. Whole numbers end at 2e19.
_MOST_ADU = 1e10
# Tiled integers may carry it under either name (clause 10.1.2).
_BLANKS = {"BLANK", "ZBLANK"}
# Stored type, BSCALE and BZERO of what becomes uint16.
_WHOLE = {("uint8", 1, 0), ("int16", 1, 0), ("int16", 1, 32768)}


def read_frame(path: Path, *, lasting: bool = True) -> Frame:
    """Read the first image of a FITS file.

    Parameters
    ----------
    path : Path
        A FITS file, gzipped or not whatever its name, tile-compressed or not.
    lasting : bool
        False for pixels that need to last only until this thread reads another frame: they then
        take the memory of the one before, which is quicker.

    Returns
    -------
    Frame
        Pixels are uint16 where the file holds 16-bit integers, unsigned or without a negative
        value, or bytes; otherwise float32. BLANK pixels (clause 4.4.2.5), NaN, infinities and
        floating-point values that no sensor gives (1e10 and beyond) are NaN. A cube of three colour
        planes gives the mean of its planes, as float32.

    Raises
    ------
    UnreadableFrameError
        For anything else, with file name and reason in one line.
    """
    try:
        _check_kind(path)
        with path.open("rb", buffering=0) as file:
            pixels, cards, comments = _first_image(ByteSource(file, lasting=lasting))
        return Frame(path=path, pixels=pixels, capture=read_capture(cards, comments))
    except UnreadableFrameError as error:
        reason = str(error)
    except OSError as error:
        reason = f"cannot be opened ({error.strerror or error})"
    except inflating.error as error:
        reason = f"damaged gzip data ({error}); {COPY_AGAIN}"
    except MemoryError:
        reason = "needs more memory than there is"
    line = "".join(c if c.isprintable() else " " for c in f"{path.name}: {reason}")
    raise UnreadableFrameError(" ".join(line.split()))


def expected_kind(path: Path) -> Literal["uint16", "float32"] | None:
    """Tell from a file's headers which pixels `read_frame` will give; None where it gives none.

    Signed 16-bit integers are taken to have no negative value.
    """
    with suppress(UnreadableFrameError, OSError, inflating.error, MemoryError):
        _check_kind(path)
        with path.open("rb", buffering=0) as file:
            source = ByteSource(file)
            for hdu in read_hdus(source):
                if hdu.is_image:
                    scaling = hdu.number("BSCALE", 1.0), hdu.number("BZERO", 0.0)
                    whole = (hdu.dtype(hdu.prefix).name, *scaling) in _WHOLE
                    return "uint16" if whole and len(hdu.shape()) == 2 else "float32"
                source.skip(-(-hdu.data_bytes // BLOCK) * BLOCK)
    return None


def _check_kind(path: Path) -> None:
    # Opening a pipe or a device could wait for ever.
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        found = "a folder" if stat.S_ISDIR(mode) else "a device or pipe"
        raise UnreadableFrameError(f"{found}, expected a FITS file")


def _first_image(source: ByteSource) -> tuple[Pixels, dict[str, object], dict[str, str]]:
    """Pixels of a file's first image, with its cards and comments laid over the primary's."""
    cards: dict[str, object] = {}
    comments: dict[str, str] = {}
    for number, hdu in enumerate(read_hdus(source)):
        if hdu.is_image:
            shape = hdu.shape()
            if hdu.prefix:
                flat = _physical(decode_tiles(hdu, source, shape), hdu)
            else:
                flat = _plain(hdu, source, math.prod(shape))
            # A gzip file ends with its checksum: reading past the padding tests it.
            source.read(BLOCK if source.gzipped else 0)
            pixels = flat.reshape(shape)
            if len(shape) == 3:
                pixels = pixels.mean(axis=0, dtype=np.float64).astype(np.float32)
            return pixels, cards | hdu.cards, comments | hdu.comments
        if number == 0:
            cards, comments = hdu.cards, hdu.comments
        source.skip(-(-hdu.data_bytes // BLOCK) * BLOCK)
    raise UnreadableFrameError("no image in it, expected one with two axes (NAXIS = 2)")


def _plain(hdu: Hdu, source: ByteSource, count: int) -> Pixels:
    """Read an array stored as it is; what cameras mostly write becomes ADU piece by piece."""
    # Compiled code takes a while to load: only where there are pixels.
    from starwinnow.readers.in_place import to_unsigned, to_usable_floats  # noqa: PLC0415

    dtype = hdu.dtype("")
    kind = (dtype.name, hdu.number("BSCALE", 1.0), hdu.number("BZERO", 0.0))
    if kind == ("int16", 1, 32768) and not _BLANKS & hdu.cards.keys():
        return source.take(count, np.uint16, to_unsigned)
    if kind == ("float32", 1, 0):
        limit = np.float32(_MOST_ADU).view(np.uint32)
        bits = source.take(count, np.uint32, lambda piece: to_usable_floats(piece, limit))
        return bits.view(np.float32)
    return _physical(source.take(count, dtype, _to_native), hdu)


def _to_native(piece: NDArray[Any]) -> None:
    # FITS is big-endian (clause 5). Far quicker than numpy's byteswap.
    piece[:] = piece.view(piece.dtype.newbyteorder(">"))


def _physical(stored: NDArray[Any], hdu: Hdu) -> Pixels:
    """ADU from stored values (clause 4.4.2.5), in the memory of `stored` where it can be."""
    scale, zero = hdu.number("BSCALE", 1.0), hdu.number("BZERO", 0.0)
    if scale == 0:
        raise UnreadableFrameError("BSCALE is 0, expected another number")
    blank = None
    if stored.dtype.kind != "f" and _BLANKS & hdu.cards.keys():
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
    """Values as float32, worked out in float64 piece by piece; no usable value gives NaN."""
    in_place = stored.itemsize == np.dtype(np.float32).itemsize
    as_stored = stored.dtype == np.float32 and scale == 1 and zero == 0
    most = _MOST_ADU if stored.dtype.kind == "f" else np.inf
    physical = stored.view(np.float32) if in_place else np.empty(stored.size, np.float32)
    with np.errstate(over="ignore", invalid="ignore"):
        for start in range(0, stored.size, PIECE):
            piece, part = stored[start : start + PIECE], physical[start : start + PIECE]
            if not as_stored:
                values = piece.astype(np.float64)
                if blank is not None:
                    values[piece == blank] = np.nan
                values *= scale
                values += zero
                part[:] = values
            usable = np.abs(part) < most
            if not usable.all():
                part[~usable] = np.nan
    return physical
