"""Bytes of a file in order, plain or inflated on the way; no header can make it ask for more."""

import io
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.errors import UnreadableFrameError
from starwinnow.readers.inflating import inflating
from starwinnow.scratch import scratch

__all__ = ["ALWAYS_ALLOWED_BYTES", "COPY_AGAIN", "MOST_INFLATION", "PIECE", "ByteSource"]

_MOST_SKIPPED_BYTES = 1 << 32
# Deflate shrinks by 1032 at most (zlib's technical notes), and tiles of an image with noise by
# far less; below this size any promise may be tried.
MOST_INFLATION, ALWAYS_ALLOWED_BYTES = 1032, 1 << 26
PIECE = 1 << 18
# Worked on as soon as it is read, a piece of this size is still in the processor's cache; smaller
# ones cost more calls than that saves.
_CACHED_PIECE = 1 << 20
_GZIP = b"\x1f\x8b"
COPY_AGAIN = "copy it again from the camera"


class _Inflated(io.RawIOBase):
    """Content of a gzip file, forward only; a truncated one just ends."""

    def __init__(self, packed: io.FileIO) -> None:
        self._packed = packed
        self._inflater = inflating.decompressobj(31)

    def readinto(self, target: Any) -> int:
        while True:
            data = self._inflater.unconsumed_tail or self._inflater.unused_data
            # One byte is too little to tell whether another member of the file begins.
            if len(data) < len(_GZIP):
                data += self._packed.read(PIECE)
            if self._inflater.eof and data.startswith(_GZIP):
                self._inflater = inflating.decompressobj(31)
            if self._inflater.eof:
                return 0
            # It may hold something back when all data are taken.
            piece = self._inflater.decompress(data, min(len(target), PIECE))
            if piece or not data:
                target[: len(piece)] = piece
                return len(piece)


class ByteSource:
    """Bytes of a file, plain or inflated, in order.

    `at` counts the bytes taken or passed over; `size` is how many there can be at most. What is
    taken lasts, or only until this thread takes something else where `lasting` is False.
    """

    def __init__(self, file: io.FileIO, *, lasting: bool = True) -> None:
        self._lasting = lasting
        self.at, self.size = 0, file.seek(0, io.SEEK_END)
        file.seek(0)
        self.gzipped = file.read(len(_GZIP)) == _GZIP
        file.seek(0)
        self._stream: io.RawIOBase = _Inflated(file) if self.gzipped else file
        if self.gzipped:
            self.size = max(self.size * MOST_INFLATION, ALWAYS_ALLOWED_BYTES)

    def take(
        self, count: int, dtype: Any, convert: Callable[[NDArray[Any]], object] | None = None
    ) -> NDArray[Any]:
        """Next `count` numbers; refused where they are not all there.

        They are in an array of their own, or in this thread's scratch memory where they need not
        last.
        `convert` changes each piece of them in place once it is read.
        """
        size = np.dtype(dtype).itemsize
        promised, left = count * size, self.size - self.at
        # Before any memory is asked for: a header can promise anything.
        if promised <= left:
            array: NDArray[Any] = (
                np.empty(count, dtype) if self._lasting else scratch("stored", (count,), dtype)
            )
            left = 0
            for start in range(0, count, _CACHED_PIECE // size):
                piece = array[start : start + _CACHED_PIECE // size]
                got = self._fill(piece.data.cast("B"))
                left += got
                if got < piece.nbytes:
                    break
                if convert is not None:
                    convert(piece)
            if left == promised:
                return array
        raise UnreadableFrameError(
            f"truncated: {max(left, 0)} of {promised} bytes of the image; {COPY_AGAIN}"
        )

    def read(self, most: int) -> bytes:
        """Next bytes, fewer than `most` only where the file ends."""
        buffer = bytearray(most)
        return bytes(buffer[: self._fill(memoryview(buffer))])

    def skip(self, count: int) -> None:
        """Pass over bytes, or what is left of them."""
        if not self.gzipped:
            self.at += count
            self._stream.seek(min(self.at, self.size))
            return
        if count > _MOST_SKIPPED_BYTES:
            raise UnreadableFrameError(f"{count} bytes before its image, expected far fewer")
        while count > 0 and (piece := self.read(min(count, PIECE))):
            count -= len(piece)

    def _fill(self, view: memoryview) -> int:
        done = 0
        while done < len(view) and (got := self._stream.readinto(view[done:])):
            done += got
        self.at += done
        return done
