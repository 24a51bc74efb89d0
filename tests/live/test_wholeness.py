"""A file is whole when it has what its header promises, however it came to be."""

import gzip
import io
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starwinnow.readers import Wholeness, wholeness

from .night_frames import fits_bytes

WHOLE = fits_bytes()
DATA = 160 * 200 * 2


def judged(folder: Path, content: bytes, name: str = "a.fits") -> Wholeness:
    path = folder / name
    path.write_bytes(content)
    return wholeness(path)


def test_every_length_but_the_last_is_unfinished(tmp_path: Path) -> None:
    assert judged(tmp_path, WHOLE) is Wholeness.WHOLE
    unpadded = 2880 + DATA
    assert unpadded < len(WHOLE)
    for length in (0, 1, 6, 80, 2879, 2880, 2881, 40_000, unpadded - 1):
        assert judged(tmp_path, WHOLE[:length]) is Wholeness.GROWING, length
    for length in (unpadded, len(WHOLE) - 1):
        assert judged(tmp_path, WHOLE[:length]) is Wholeness.UNPADDED, length


def test_reserved_files_are_hollow_until_the_last_pixel(tmp_path: Path) -> None:
    for written in (2880, 20_000, 2880 + DATA - 4096):
        reserved = WHOLE[:written] + bytes(len(WHOLE) - written)
        assert judged(tmp_path, reserved) is Wholeness.HOLLOW, written
    assert judged(tmp_path, bytes(len(WHOLE))) is Wholeness.UNKNOWN


def test_what_is_no_fits_is_unknown(tmp_path: Path) -> None:
    assert judged(tmp_path, b"hello" * 1000) is Wholeness.UNKNOWN


@pytest.mark.parametrize("kind", ["extension", "tiles"])
def test_later_parts_count_too(tmp_path: Path, kind: str) -> None:
    """Files that astropy wrote: an image in an extension with a table behind it, and tiles."""
    pixels = np.random.default_rng(1).normal(500, 10, (160, 200)).astype(np.int16)
    parts = [fits.PrimaryHDU()]
    if kind == "tiles":
        parts.append(fits.CompImageHDU(pixels, compression_type="RICE_1"))
    else:
        parts += [fits.ImageHDU(pixels), fits.ImageHDU(pixels + 1)]
    buffer = io.BytesIO()
    fits.HDUList(parts).writeto(buffer)
    content = buffer.getvalue()
    assert judged(tmp_path, content) is Wholeness.WHOLE
    for length in (2881, len(content) // 3, len(content) - 2881):
        assert judged(tmp_path, content[:length]) is Wholeness.GROWING, length


def test_gzip_is_whole_when_its_stream_ends(tmp_path: Path) -> None:
    packed = gzip.compress(WHOLE)
    assert judged(tmp_path, packed, "a.fits.gz") is Wholeness.WHOLE
    for length in (2, 10, 1000, len(packed) - 1):
        assert judged(tmp_path, packed[:length], "a.fits.gz") is Wholeness.GROWING, length
    two = gzip.compress(WHOLE[:50_000]) + gzip.compress(WHOLE[50_000:])
    assert judged(tmp_path, two, "a.fits.gz") is Wholeness.WHOLE
    assert judged(tmp_path, two[:-3], "a.fits.gz") is Wholeness.GROWING
    assert judged(tmp_path, packed + bytes(500), "a.fits.gz") is Wholeness.HOLLOW


def test_a_file_that_is_gone_says_so(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        wholeness(tmp_path / "nothing.fits")
