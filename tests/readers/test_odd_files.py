"""Files that cannot be read: always one line with a reason, whatever is wrong with them."""

import gzip
import io
import os
import time
import tracemalloc
import zlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from starwinnow.errors import UnreadableFrameError
from starwinnow.frame import Frame
from starwinnow.readers import read_frame

_IMAGE = np.random.default_rng(21).integers(0, 65535, (20, 30), dtype=np.uint16)


def _bytes_of(*hdus: object) -> bytes:
    buffer = io.BytesIO()
    fits.HDUList(list(hdus)).writeto(buffer)
    return buffer.getvalue()


def _header(**cards: object) -> bytes:
    lines = [f"{name:<8}= {value!s:>20}".ljust(80) for name, value in cards.items()]
    return "".join([*lines, "END".ljust(80)]).encode().ljust(2880)


def _image_header(**changes: object) -> bytes:
    cards: dict[str, object] = {"SIMPLE": "T", "BITPIX": 16, "NAXIS": 2, "NAXIS1": 30, "NAXIS2": 20}
    return _header(**(cards | changes))


_PLAIN = _bytes_of(fits.PrimaryHDU(_IMAGE))
_GZIPPED = gzip.compress(_PLAIN)
_DATA = bytes(2880)


def _tiled(method: str) -> bytes:
    image = (_IMAGE // 16).astype(np.int16)
    return _bytes_of(fits.PrimaryHDU(), fits.CompImageHDU(image, compression_type=method))


def _reason(path: Path) -> str:
    """Reason why a file cannot be read, without its name."""
    with pytest.raises(UnreadableFrameError) as caught:
        read_frame(path)
    text = str(caught.value)
    assert text.isprintable()
    assert text.startswith(f"{path.name}: ")
    return text.removeprefix(f"{path.name}: ")


_REFUSED: Mapping[str, tuple[bytes, str]] = {
    "empty": (b"", "empty, expected a FITS file"),
    "text": (b"frame list\nof tonight\n", r"no FITS file: it starts with 'frame lis', expected"),
    "zeros": (bytes(5760), "no FITS file"),
    "header cut": (_PLAIN[:400], "truncated: no END card in the 400 bytes of its header"),
    "no END": (_PLAIN[:80].ljust(2880), "truncated: no END card"),
    "data cut": (_PLAIN[:3380], "truncated: 500 of 1200 bytes of the image; copy it again"),
    "no data": (_PLAIN[:2880], "truncated: 0 of 1200 bytes of the image"),
    "empty gzip": (gzip.compress(b""), "empty"),
    "gzipped header cut": (gzip.compress(_PLAIN[:400]), "truncated: no END card in the 400 bytes"),
    "gzipped data cut": (gzip.compress(_PLAIN[:3380]), "truncated: 500 of 1200 bytes"),
    "gzip of text": (gzip.compress(b"tonight"), "no FITS file: it starts with 'tonight'"),
    "gzip damaged": (_GZIPPED[:700] + b"\x00\xff" * 40 + _GZIPPED[780:], "damaged gzip data"),
    "gzip checksum": (_GZIPPED[:-8] + bytes(4) + _GZIPPED[-4:], "damaged gzip data"),
    "many axes": (_image_header(NAXIS=777777701) + _DATA, "NAXIS is 777777701, expected at most"),
    "wide": (_image_header(NAXIS1=777777701) + _DATA, "777777701 x 20 px, expected at most"),
    "many pixels": (_image_header(NAXIS1=15000, NAXIS2=15000), "truncated: 0 of 450000000 bytes"),
    "negative axis": (_image_header(NAXIS2=-20) + _DATA, "NAXIS2 is -20, expected a whole number"),
    "no axis": (_image_header(NAXIS2="") + _DATA, "NAXIS2 is missing"),
    "axis of words": (_image_header(NAXIS2="wide") + _DATA, "NAXIS2 is wide"),
    "axis in parts": (_image_header(NAXIS2="20.5") + _DATA, "NAXIS2 is 20.5"),
    "BITPIX": (_image_header(BITPIX=17) + _DATA, "BITPIX is 17, expected one of 8, 16, 32"),
    "BSCALE 0": (_image_header(BSCALE=0) + _DATA, "BSCALE is 0, expected"),
    "BZERO of words": (_image_header(BZERO="'much'") + _DATA, "BZERO is much, expected a number"),
    "BSCALE too large": (_image_header(BSCALE="1E999") + _DATA, "BSCALE is inf, expected a number"),
    "small": (_image_header(NAXIS1=15) + _DATA, "an image of 15 x 20 px, expected sides of at"),
    "spectrum": (_image_header(NAXIS=1) + _DATA, "no image in it, expected one with two axes"),
    "header only": (_image_header(NAXIS=0), "no image in it"),
    "cube": (
        _image_header(NAXIS=3, NAXIS3=2) + _DATA,
        "a cube of 30 x 20 x 2 px, expected one image or three colour planes",
    ),
    "table": (
        _bytes_of(
            fits.PrimaryHDU(),
            fits.BinTableHDU.from_columns([fits.Column(name="n", format="J", array=[1, 2])]),
        ),
        "no image in it",
    ),
    "bzip2": (b"BZh91AY" + bytes(90), "packed with bzip2, expected FITS, plain or gzipped; unpack"),
    "zip": (b"PK\x03\x04" + bytes(90), "packed with zip"),
    "compress": (b"\x1f\x9d\x90" + bytes(90), "packed with compress"),
    "tiles cut": (_tiled("RICE_1")[:-2880], "truncated: "),
}  # fmt: skip


@pytest.mark.parametrize("what", _REFUSED)
def test_refused_with_a_reason(what: str, tmp_path: Path) -> None:
    content, reason = _REFUSED[what]
    path = tmp_path / "a frame.fits"
    path.write_bytes(content)
    assert reason in _reason(path)


@pytest.mark.parametrize("name", ["NAXIS", "NAXIS1", "NAXIS2", "BITPIX", "GCOUNT"])
def test_absurd_numbers_cost_neither_time_nor_memory(name: str, tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    header = _image_header(**{name: 777777701, "EXTEND": "T"})
    path.write_bytes(header + _DATA)
    tracemalloc.start()
    began = time.monotonic()
    try:
        result = _frame_or_reason(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert time.monotonic() - began < 2
    assert peak < 1e6
    # GCOUNT means nothing in a primary image; the others cannot be believed.
    assert isinstance(result, Frame) == (name == "GCOUNT")


def test_truncated_gzip(tmp_path: Path) -> None:
    path = tmp_path / "a.fits.gz"
    for length in (3, 12, 200, len(_GZIPPED) // 2, len(_GZIPPED) - 300):
        path.write_bytes(_GZIPPED[:length])
        assert _reason(path).startswith(("truncated", "empty"))


def test_missing_folder_and_link(tmp_path: Path) -> None:
    assert _reason(tmp_path / "none.fits") == "cannot be opened (No such file or directory)"
    (tmp_path / "link.fits").symlink_to(tmp_path / "none.fits")
    assert _reason(tmp_path / "link.fits") == "cannot be opened (No such file or directory)"
    (tmp_path / "folder.fits").mkdir()
    assert _reason(tmp_path / "folder.fits") == "a folder, expected a FITS file"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes in the file system here")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.fits")
    assert _reason(tmp_path / "pipe.fits") == "a device or pipe, expected a FITS file"


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="all files can be read here")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(_PLAIN)
    path.chmod(0)
    assert _reason(path) == "cannot be opened (Permission denied)"


def test_the_reason_is_one_line_whatever_the_name(tmp_path: Path) -> None:
    path = tmp_path / "two\nlines\x07.fits"
    try:
        path.write_bytes(b"")
    except OSError:
        pytest.skip("the file system does not take such names")
    with pytest.raises(UnreadableFrameError) as caught:
        read_frame(path)
    assert str(caught.value).isprintable()


def _deflated(start: bytes, zeros: int) -> bytes:
    """Gzip file of some bytes and very many zeros, without ever holding the zeros."""
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    pieces = [packer.compress(start)]
    pieces += [packer.compress(bytes(1 << 20)) for _ in range(zeros >> 20)]
    return b"".join([*pieces, packer.flush()])


_TABLE = _header(
    XTENSION="'BINTABLE'", BITPIX=8, NAXIS=2, NAXIS1=8, NAXIS2=8, PCOUNT=10**13, GCOUNT=1, TFIELDS=0
)
# Start of the file, zeros behind it, reason; each is far more than the memory allowed below.
_BOMBS: Mapping[str, tuple[bytes, int, str | None]] = {
    "endless header": (_image_header()[:160], 64 << 20, "no END card"),
    "large image": (_image_header(NAXIS1=16000, NAXIS2=16000), 1 << 20, "truncated: "),
    "large table before": (
        _image_header(NAXIS=0) + _TABLE, 1 << 20, "before its image, expected far fewer",
    ),
    "data behind the image": (_PLAIN, 64 << 20, None),
}  # fmt: skip


@pytest.mark.parametrize("what", _BOMBS)
def test_gzip_that_inflates_without_end(what: str, tmp_path: Path) -> None:
    path = tmp_path / "a.fits.gz"
    start, zeros, reason = _BOMBS[what]
    path.write_bytes(_deflated(start, zeros))
    began = time.monotonic()
    tracemalloc.start()
    try:
        if reason is None:
            assert np.array_equal(read_frame(path).pixels, _IMAGE)
        else:
            assert reason in _reason(path)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 30e6
    assert time.monotonic() - began < 5


@pytest.mark.parametrize(
    ("name", "value", "reason"),
    [
        ("ZNAXIS1", "777777701", "at most"),
        ("ZNAXIS1", "3000", "they do not make up the image"),
        ("ZTILE2", "2", "they do not make up the image"),
        ("ZNAXIS2", "0", "no image in it"),
        ("NAXIS", "0", "they do not make up the image"),
        ("NAXIS1", "0", "they do not make up the image"),
        ("TFIELDS", "9223372036854775807", "TFIELDS is 9223372036854775807, expected at most 999"),
        ("TFIELDS", "'many'", "TFIELDS is many, expected a whole number"),
        ("ZNAXIS2", "1000000", "1000000 tiles, expected at most 262144"),
        ("ZBITPIX", "17", "BITPIX is 17"),
        ("ZCMPTYPE", "'NOSUCH_1'", "damaged tiles"),
        ("PCOUNT", "777777701", "truncated: "),
        ("TFORM1", "'1PB(0)'", None),
    ],
)
def test_tables_of_tiles_that_contradict_themselves(
    name: str, value: str, reason: str | None, tmp_path: Path
) -> None:
    content = bytearray(_tiled("RICE_1"))
    at = content.rindex(name.ljust(8).encode() + b"=")
    content[at + 10 : at + 80] = value.ljust(70).encode()
    path = tmp_path / "a.fits.fz"
    path.write_bytes(content)
    if reason is None:
        assert read_frame(path).pixels.shape == _IMAGE.shape
    else:
        assert reason in _reason(path)


def test_wavelet_tiles_that_lie_about_their_size(tmp_path: Path) -> None:
    """Such a tile made the decoder write outside its memory and ended the whole process."""
    content = bytearray(_tiled("HCOMPRESS_1"))
    start = content.index(b"\xdd\x99")
    content[start + 2 : start + 10] = (3000).to_bytes(4) + (2000).to_bytes(4)
    path = tmp_path / "a.fits.fz"
    path.write_bytes(content)
    assert "damaged tiles (a tile is not of its size)" in _reason(path)


@pytest.mark.parametrize(("word", "value"), [(1, -30_000), (3, 32_000), (4, 20_000), (2, 30_000)])
def test_pixel_lists_that_lie_about_their_length(tmp_path: Path, word, value) -> None:
    """Such a tile made the decoder read outside its memory, which could end the whole process."""
    content = bytearray(_tiled("PLIO_1"))
    # A list's first three words.
    start = content.index(np.array([0, 7, -100], ">i2").tobytes()) + 2 * word
    content[start : start + 2] = value.to_bytes(2, signed=True)
    path = tmp_path / "a.fits.fz"
    path.write_bytes(content)
    assert "damaged tiles (a list of pixels is not as long as it says)" in _reason(path)


_FILES = {
    "plain": _PLAIN,
    "extension": _bytes_of(fits.PrimaryHDU(), fits.ImageHDU(_IMAGE)),
    "gzip": _GZIPPED,
    **{method: _tiled(method) for method in ("RICE_1", "GZIP_1", "HCOMPRESS_1", "PLIO_1")},
}


def _frame_or_reason(path: Path) -> Frame | str:
    try:
        return read_frame(path)
    except UnreadableFrameError as error:
        return str(error)


@pytest.mark.parametrize("kind", _FILES)
@given(data=st.data())
@settings(max_examples=30, deadline=None, suppress_health_check=[*HealthCheck])
def test_any_damage_gives_a_frame_or_a_reason(
    kind: str, data: st.DataObject, tmp_path: Path
) -> None:
    content = bytearray(_FILES[kind])
    places = st.integers(0, len(content) - 1)
    marks = st.one_of(st.integers(0, 255), st.sampled_from(b"0123456789 -.'=/TE"))
    for at, mark in data.draw(st.lists(st.tuples(places, marks), max_size=12)):
        content[at] = mark
    path = tmp_path / "a.fits"
    path.write_bytes(content[: data.draw(st.one_of(st.just(len(content)), places))])
    result = _frame_or_reason(path)
    assert isinstance(result, Frame) or (result.isprintable() and result.startswith("a.fits: "))


_PRINTABLE = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=70)
_CARD_BYTES = st.one_of(
    st.binary(min_size=80, max_size=80),
    st.builds(
        lambda name, text: f"{name:<8}= {text}".encode()[:80].ljust(80),
        st.sampled_from(
            ["BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "BSCALE", "BZERO", "BLANK", "PCOUNT",
             "GCOUNT", "GROUPS", "DATE-OBS", "UT", "EXPTIME", "CCD-TEMP", "SITELAT", "BAYERPAT"]
        ),
        st.one_of(_PRINTABLE, st.integers().map(str), st.floats().map(str)),
    ),
)  # fmt: skip


@given(cards=st.lists(_CARD_BYTES, max_size=35), legal=st.booleans(), packed=st.booleans())
@settings(max_examples=80, deadline=None, suppress_health_check=[*HealthCheck])
def test_header_blocks_of_random_bytes(
    cards: list[bytes], legal: bool, packed: bool, tmp_path: Path
) -> None:
    """Random cards behind a legal start, where the first of a name counts, or alone."""
    start = _image_header()[:400] if legal else _image_header()[:80]
    header = start + b"".join(cards[: 35 - len(start) // 80]) + b"END".ljust(80)
    content = header.ljust(-(-len(header) // 2880) * 2880) + bytes(2880)
    path = tmp_path / "a.fits"
    path.write_bytes(gzip.compress(content) if packed else content)
    result = _frame_or_reason(path)
    assert isinstance(result, Frame) or (result.isprintable() and result.startswith("a.fits: "))


@given(block=st.binary(max_size=6000))
@settings(deadline=None, suppress_health_check=[*HealthCheck])
def test_random_bytes_are_no_frame(block: bytes, tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(block)
    assert _reason(path)
    path.write_bytes(b"SIMPLE  =                    T".ljust(80) + block)
    result = _frame_or_reason(path)
    assert isinstance(result, Frame) or result.isprintable()


_READABLE = {
    "checksum", "checksum_false", "comp", "m13", "m13_gzip", "m13_hcomp", "m13_rice", "scale",
    "test0", "test1", "file-img2-bitpix+08", "file-img2-bitpix+16", "file-img2-bitpix+32",
    "file-img2-bitpix+64", "file-img2-bitpix-32", "file-img2-bitpix-64", "m13real",
    "noao_apphot_fits1", "noao_apphot_fits2", "noao_apphot_fits3", "noao_apphot_fits4",
    "noao_apphot_fits5",
}  # fmt: skip


def test_odd_files_of_other_projects(shared_frames: Path) -> None:
    """Test files of astropy, astrogo/fitsio, nom-tam-fits, IRAF, ccdproc: sources in README.

    Those with an image of 16 px or more a side are read; every other says why not.
    """
    read = set()
    paths = [path for path in (shared_frames / "odd_files").rglob("*") if path.is_file()]
    assert len(paths) > 40
    for path in paths:
        result = _frame_or_reason(path)
        if isinstance(result, Frame):
            read.add(path.stem)
            assert result.pixels.dtype in (np.uint16, np.float32)
        else:
            assert result.isprintable(), path.name
            assert result.startswith(f"{path.name}: "), path.name
    assert read == _READABLE
    assert "packed with compress (.Z)" in _reason(shared_frames / "odd_files/other/test.fits.Z")
    reason = _reason(shared_frames / "odd_files/astropy/arange.fits")
    assert "a cube of 11 x 10 x 7 px" in reason
