"""Is a file all there? What its header promises says so, not how long it has been quiet.

Clause numbers are those of the FITS standard, version 4.0.
"""

import io
from enum import Enum
from pathlib import Path

from starwinnow.errors import UnreadableFrameError
from starwinnow.readers.byte_source import PIECE, ByteSource
from starwinnow.readers.hdu import BLOCK, Hdu, read_hdus
from starwinnow.readers.inflating import inflating

__all__ = ["Wholeness", "wholeness"]

_GZIP = b"\x1f\x8b"
_NEXT = b"XTENSION"
# Places looked at for pixels that were never written, and how much is looked at there.
_PROBES = 16
_PROBE_BYTES, _LEAST_PROBE_BYTES = 4096, 64


class Wholeness(Enum):
    """How much of a file is there."""

    WHOLE = "as long as its header promises"
    UNPADDED = "all data, without the padding of its last block"
    GROWING = "shorter than its header promises"
    HOLLOW = "long enough, with stretches of zeros where pixels should be"
    UNKNOWN = "not, or not yet, the beginning of a FITS file"


def wholeness(path: Path) -> Wholeness:
    """Tell whether a file has been written to its end.

    A plain file, tile-compressed or not, must hold an image, and every header's data to the end of
    their last block (clause 3.1). A gzip file must inflate to the end of its last member.

    A writer that reserves the whole size first leaves zeros behind its pen: data with a whole
    stretch of zero bytes are called hollow. Real data can look so, too (dead areas in a calibrated
    frame), so whoever asks must not wait for ever.

    Parameters
    ----------
    path : Path

    Raises
    ------
    OSError
        If the file cannot be opened or read, for example since it is gone.
    """
    with path.open("rb", buffering=0) as file:
        start = file.read(len(_GZIP))
        file.seek(0)
        if start == _GZIP:
            return _packed(file)
        return _plain(file)


def _packed(file: io.FileIO) -> Wholeness:
    inflater = inflating.decompressobj(31)
    try:
        while data := file.read(PIECE):
            while data:
                if inflater.eof:
                    if not data.startswith(_GZIP):
                        # Zeros after the last member: a reserved size, or padding of a tape.
                        return Wholeness.HOLLOW if not data.strip(b"\0") else Wholeness.WHOLE
                    inflater = inflating.decompressobj(31)
                inflater.decompress(data)
                data = inflater.unused_data
    except inflating.error:
        return Wholeness.UNKNOWN
    return Wholeness.WHOLE if inflater.eof else Wholeness.GROWING


def _plain(file: io.FileIO) -> Wholeness:
    source = ByteSource(file)
    if source.size < BLOCK:
        return Wholeness.GROWING if source.size == 0 or _begins(file) else Wholeness.UNKNOWN
    if not _begins(file):
        return Wholeness.UNKNOWN
    image, after = False, 0
    try:
        for hdu in read_hdus(source):
            image |= hdu.is_image
            end = source.at + hdu.data_bytes
            padded = source.at + -(-hdu.data_bytes // BLOCK) * BLOCK
            if source.size < end:
                return Wholeness.GROWING
            if source.size < padded:
                return Wholeness.UNPADDED
            if _is_hollow(file, hdu, source.at):
                return Wholeness.HOLLOW
            source.skip(padded - source.at)
            file.seek(source.at)
            after = source.at
    except UnreadableFrameError:
        # A header without its end, or a further one that has only begun.
        return Wholeness.GROWING if source.at >= source.size else Wholeness.UNKNOWN
    file.seek(after)
    more = file.read(len(_NEXT))
    if not image or (more and _NEXT.startswith(more) and source.size - after < BLOCK):
        return Wholeness.GROWING
    return Wholeness.WHOLE


def _begins(file: io.FileIO) -> bool:
    """Whether the file starts as FITS files do, as far as it goes."""
    file.seek(0)
    start = file.read(6)
    file.seek(0)
    return b"SIMPLE".startswith(start)


def _is_hollow(file: io.FileIO, hdu: Hdu, start: int) -> bool:
    """Whether a stretch of an image's data is nothing but zero bytes."""
    length = min(hdu.data_bytes // (2 * _PROBES), _PROBE_BYTES)
    if not hdu.is_image or length < _LEAST_PROBE_BYTES:
        return False
    last = hdu.data_bytes - length
    for i in range(_PROBES):
        file.seek(start + last * i // (_PROBES - 1))
        if not file.read(length).strip(b"\0"):
            return True
    return False
