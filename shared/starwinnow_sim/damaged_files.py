"""Damaged and absurd files, made from sound ones: bytes turned, cut, repeated, cards rewritten."""

import gzip
import io
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

__all__ = ["DAMAGES", "Damaged", "damaged_files", "sound_files"]

_CARD, _BLOCK = 80, 2880
_ABSURD = (
    "777777701", "-20", "0", "1", "-1", "99999999999999999999", "2147483648",
    "9223372036854775807", "1E999", "NAN", "-0.0", "1,5", "12,0", "'1200'", "'wide'", "T", "",
    "0x10", "20.5", "17", "1E300", "/", "'", "'''", "16 17", "1D400", "١٢",
)  # fmt: skip
_NAMES = (
    "SIMPLE", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "NAXIS4", "EXTEND", "PCOUNT",
    "GCOUNT", "GROUPS", "BSCALE", "BZERO", "BLANK", "XTENSION", "ZIMAGE", "ZBITPIX", "ZNAXIS",
    "ZNAXIS1", "ZNAXIS2", "ZTILE1", "ZTILE2", "ZCMPTYPE", "ZBLANK", "TFIELDS", "TFORM1", "TTYPE1",
    "THEAP", "ZVAL1", "ZQUANTIZ", "ZDITHER0", "DATE-OBS", "EXPTIME", "XPIXSZ", "FOCALLEN", "EGAIN",
    "SATURATE", "CCD-TEMP", "SITELAT", "SITELONG", "BAYERPAT", "XBAYROFF", "ROWORDER", "FILTER",
    "OBJECT", "IMAGETYP", "END", "CONTINUE", "HIERARCH", "COMMENT",
)  # fmt: skip
_TEXTS = (
    b"'2031-99-77T25:61:61'", b"'0000-00-00'", b"'31/02/99'", b"' '", b"'-91 99 99 N'", b"inf",
    b"'M\xfcnchen \xe9toile \xff\xfe'", b"\x00\x01\x02\x7f", b"'\xf0\x9f\x94\xad'", b"'RGGBX'",
    b"12:34:56,7", b"9" * 70, b"'" + b"x" * 69, b"8 / [ms] \xb5s", b"-273,15",
)  # fmt: skip

Damage = Callable[[bytes, np.random.Generator], bytes]


@dataclass(frozen=True)
class Damaged:
    """One damaged file: what it was, what was done to it, and its bytes."""

    original: str
    damage: str
    content: bytes


def _stars(shape: tuple[int, int]) -> NDArray[np.float64]:
    rng = np.random.default_rng(20)
    y, x = np.indices(shape)
    pixels = rng.normal(600, 12, shape)
    for _ in range(14):
        x0, y0 = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        pixels += rng.uniform(200, 9000) * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / 5)
    return pixels


def _file(*hdus: object) -> bytes:
    buffer = io.BytesIO()
    fits.HDUList(list(hdus)).writeto(buffer)
    return buffer.getvalue()


def _described(hdu: fits.PrimaryHDU) -> fits.PrimaryHDU:
    hdu.header.update(
        {
            "DATE-OBS": "2031-10-14T20:15:00", "EXPTIME": 8.0, "XPIXSZ": 3.76, "FOCALLEN": 480.0,
            "EGAIN": 0.75, "CCD-TEMP": -5.0, "SITELAT": "47 30 00", "SITELONG": 8.5,
            "FILTER": "L", "OBJECT": "field", "IMAGETYP": "Light Frame",
        }
    )  # fmt: skip
    return hdu


def sound_files() -> dict[str, bytes]:
    """Small frames with stars in every kind of file that is read."""
    stars = _stars((90, 120))
    whole = stars.astype(np.uint16)
    plain = _file(_described(fits.PrimaryHDU(whole)))
    files = {
        "16 bits": plain,
        "float": _file(_described(fits.PrimaryHDU(stars.astype(np.float32)))),
        "32 bits": _file(_described(fits.PrimaryHDU(stars.astype(np.int32)))),
        "double": _file(_described(fits.PrimaryHDU(stars))),
        "8 bits": _file(_described(fits.PrimaryHDU((stars / 40).astype(np.uint8)))),
        "three colours": _file(_described(fits.PrimaryHDU(np.stack([whole] * 3)))),
        "extension": _file(fits.PrimaryHDU(), fits.ImageHDU(whole)),
        "gzip": gzip.compress(plain),
    }
    small = (stars / 16).astype(np.int16)
    for method in ("RICE_1", "GZIP_1", "HCOMPRESS_1", "PLIO_1"):
        tiled = fits.CompImageHDU(small, compression_type=method)
        files[method] = _file(fits.PrimaryHDU(), tiled)
    tiled = fits.CompImageHDU(stars.astype(np.float32), compression_type="RICE_1")
    files["RICE_1 of floats"] = _file(fits.PrimaryHDU(), tiled)
    return files


def _flipped(content: bytes, rng: np.random.Generator, end: int, most: int) -> bytes:
    changed = np.frombuffer(content, np.uint8).copy()
    count = 1 + int(most ** rng.random())
    places = rng.integers(0, min(end, len(changed)), count)
    np.bitwise_xor.at(changed, places, (1 << rng.integers(0, 8, count)).astype(np.uint8))
    return changed.tobytes()


def _bits_anywhere(content: bytes, rng: np.random.Generator) -> bytes:
    return _flipped(content, rng, len(content), 3000)


def _bits_of_header(content: bytes, rng: np.random.Generator) -> bytes:
    return _flipped(content, rng, 2 * _BLOCK, 60)


def _truncated(content: bytes, rng: np.random.Generator) -> bytes:
    return content[: rng.integers(0, len(content))]


def _bytes_missing(content: bytes, rng: np.random.Generator) -> bytes:
    at, count = rng.integers(0, len(content)), rng.integers(1, 4000)
    return content[:at] + content[at + count :]


def _bytes_added(content: bytes, rng: np.random.Generator) -> bytes:
    at = rng.integers(0, len(content))
    return content[:at] + rng.bytes(int(rng.integers(1, 4000))) + content[at:]


def _zeros(content: bytes, rng: np.random.Generator) -> bytes:
    """Zero a whole block or more, as a card that failed leaves."""
    at = int(rng.integers(0, len(content) // 512 + 1)) * 512
    count = int(rng.integers(1, 24)) * 512
    return content[:at] + bytes(min(count, len(content) - at)) + content[at + count :]


def _lines_translated(content: bytes, _: np.random.Generator) -> bytes:
    """Copy as text: line feeds became two bytes."""
    return content.replace(b"\n", b"\r\n")


def _random_pixels(content: bytes, rng: np.random.Generator) -> bytes:
    """Put any bytes behind the header."""
    at = content.find(b"END" + b" " * 77)
    at = -(-(at + _CARD) // _BLOCK) * _BLOCK
    return content[:at] + rng.bytes(max(0, len(content) - at))


def _edge_pixels(content: bytes, rng: np.random.Generator) -> bytes:
    """Put one byte all over behind the header: zeros, NaN, the largest and least numbers."""
    at = content.find(b"END" + b" " * 77)
    at = -(-(at + _CARD) // _BLOCK) * _BLOCK
    fill = bytes([int(rng.choice([0x00, 0xFF, 0x7F, 0x80, 0x7E, 0x01]))])
    part = max(0, len(content) - at)
    kept = part // 2 if rng.random() < 0.5 else 0
    return content[: at + kept] + fill * (part - kept)


def _absurd_card(content: bytes, rng: np.random.Generator) -> bytes:
    """Give one to four cards other values, or new cards before the first that fits."""
    for _ in range(int(rng.integers(1, 5))):
        name = str(rng.choice(_NAMES)).ljust(8).encode()
        absurd = rng.random() < 0.6
        value = str(rng.choice(_ABSURD)).encode() if absurd else _TEXTS[rng.integers(len(_TEXTS))]
        card = (name + b"= " + value.rjust(20))[:_CARD].ljust(_CARD)
        places = [at for at in range(0, len(content), _CARD) if content[at : at + 8] == name]
        if places:
            at = places[int(rng.integers(len(places)))]
            content = content[:at] + card + content[at + _CARD :]
        else:
            content = _with_card(content, card, rng)
    return content


def _repeated_card(content: bytes, rng: np.random.Generator) -> bytes:
    """Repeat names that are there already, with another value, before or behind the first."""
    for _ in range(int(rng.integers(1, 12))):
        name = str(rng.choice((*_NAMES[:12], "EXPTIME", "DATE-OBS"))).ljust(8)
        value = str(rng.choice([*_ABSURD, "16", "8", "2", "90", "120"]))
        card = f"{name}= {value:>20}".encode()[:_CARD].ljust(_CARD)
        content = _with_card(content, card, rng)
    return content


def _with_card(content: bytes, card: bytes, rng: np.random.Generator) -> bytes:
    """Put a card somewhere in the header, over the padding behind END or the last card there."""
    end = content.find(b"END" + b" " * 77)
    if end < 0:
        return content
    at = int(rng.integers(0, end // _CARD + 1)) * _CARD
    full = -(-(end + _CARD) // _BLOCK) * _BLOCK
    return (content[:at] + card + content[at:end] + content[end : full - _CARD]).ljust(
        full
    ) + content[full:]


def _gzip_around(content: bytes, rng: np.random.Generator) -> bytes:
    """Pack, once or more, and damage then."""
    for _ in range(int(rng.integers(1, 3))):
        content = gzip.compress(content, mtime=0)
    return content if rng.random() < 0.3 else _bits_anywhere(content, rng)


def _gzip_bomb(content: bytes, rng: np.random.Generator) -> bytes:
    """Make a header that promises much, and pack many zeros into next to nothing."""
    side = int(rng.choice([4000, 9000, 16000]))
    bits = int(rng.choice([8, 16, -32]))
    cards = [("SIMPLE", "T"), ("BITPIX", bits), ("NAXIS", 2), ("NAXIS1", side), ("NAXIS2", side)]
    header = b"".join(f"{name:<8}= {value:>20}".ljust(80).encode() for name, value in cards)
    kind = rng.integers(4)
    if kind == 0:  # a header that does not end
        start, zeros = header, 96 << 20
    elif kind == 1:  # an image much larger than its data
        start, zeros = (header + b"END").ljust(_BLOCK), 1 << 20
    elif kind == 2:  # an image of zeros
        start, zeros = (header + b"END").ljust(_BLOCK), side**2 * abs(bits) // 8 + _BLOCK
    else:  # endless data behind a sound frame
        start, zeros = content, 96 << 20
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    pieces = [packer.compress(start)]
    pieces += [packer.compress(bytes(1 << 20)) for _ in range(-(-zeros >> 20))]
    return b"".join([*pieces, packer.flush()])


DAMAGES: dict[str, tuple[Damage, int]] = {
    "bits anywhere": (_bits_anywhere, 14),
    "bits of the header": (_bits_of_header, 18),
    "truncated": (_truncated, 8),
    "bytes missing": (_bytes_missing, 8),
    "bytes added": (_bytes_added, 8),
    "zeros": (_zeros, 8),
    "copied as text": (_lines_translated, 1),
    "random pixels": (_random_pixels, 8),
    "pixels at the limits": (_edge_pixels, 10),
    "absurd cards": (_absurd_card, 80),
    "repeated cards": (_repeated_card, 20),
    "packed again": (_gzip_around, 8),
}
"""Damages, and how many files of each to make from every sound one."""

_BOMBS = 24


def damaged_files(
    rng: np.random.Generator, share: float = 1.0, *, bombs: bool = True
) -> Iterator[Damaged]:
    """Make damaged files, one after the other.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    share : float
        Part of the whole set to make; every damage of every sound file comes at least once.
    bombs : bool
        Whether to make gzip bombs too.
    """
    for original, content in sound_files().items():
        for name, (damage, count) in DAMAGES.items():
            for _ in range(max(1, round(share * count))):
                yield Damaged(original, name, damage(content, rng))
    sound = sound_files()["16 bits"]
    for _ in range(max(1, round(share * _BOMBS)) if bombs else 0):
        yield Damaged("16 bits", "gzip bomb", _gzip_bomb(sound, rng))
