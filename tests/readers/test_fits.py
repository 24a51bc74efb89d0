"""Pixels read against files written, and read again, by astropy."""

import gzip
import hashlib
import io
import subprocess
import sys
import tracemalloc
import warnings
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow.readers import read_frame

_SHAPE = (19, 23)


def _rng() -> np.random.Generator:
    return np.random.default_rng(20)


def _write(path: Path, *hdus: fits.PrimaryHDU | fits.ImageHDU | fits.BinTableHDU) -> Path:
    buffer = io.BytesIO()
    fits.HDUList(list(hdus)).writeto(buffer)
    content = buffer.getvalue()
    path.write_bytes(gzip.compress(content) if path.suffix == ".gz" else content)
    return path


def _card(name: str, value: str) -> bytes:
    return f"{name:<8}= {value:>20}".ljust(80).encode()


def _by_hand(path: Path, cards: dict[str, str], data: bytes) -> Path:
    """Write a file without astropy: the byte layout of the standard, clause 3."""
    header = b"".join(_card(name, value) for name, value in cards.items()) + b"END".ljust(80)
    header += b" " * (-len(header) % 2880)
    path.write_bytes(header + data + bytes(-len(data) % 2880))
    return path


def _whole_numbers(dtype: str) -> NDArray[np.generic]:
    limits = np.iinfo(dtype)
    values = _rng().integers(limits.min, limits.max, _SHAPE, dtype=dtype, endpoint=True)
    values[0, :2] = limits.min, limits.max
    return values


_IMAGES: dict[str, NDArray[np.generic]] = {
    "uint8": _whole_numbers("u1"),
    "int8": _whole_numbers("i1"),
    "uint16": _whole_numbers("u2"),
    "int16": _whole_numbers("i2"),
    "int16 without negative values": np.abs(_whole_numbers("i2") // 2),
    "int32": _whole_numbers("i4"),
    "uint32": _whole_numbers("u4"),
    "int64": _whole_numbers("i8"),
    "uint64": _whole_numbers("u8"),
    "float32": _rng().normal(1000, 300, _SHAPE).astype(np.float32),
    "float64": _rng().normal(1000, 300, _SHAPE),
}
_AS_UINT16 = {"uint8", "uint16", "int16 without negative values"}


@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
@pytest.mark.parametrize("place", ["primary", "extension", "behind a table"])
@pytest.mark.parametrize("kind", _IMAGES)
def test_every_kind_of_number_comes_back(
    kind: str, place: str, suffix: str, tmp_path: Path
) -> None:
    image = _IMAGES[kind]
    path = tmp_path / f"frame{suffix}"
    if place == "primary":
        _write(path, fits.PrimaryHDU(image))
    else:
        column = fits.Column(name="n", format="J", array=np.arange(2000))
        table = [fits.BinTableHDU.from_columns([column])] if place == "behind a table" else []
        _write(path, fits.PrimaryHDU(), *table, fits.ImageHDU(image))
    pixels = read_frame(path).pixels
    expected = np.uint16 if kind in _AS_UINT16 else np.float32
    assert pixels.dtype == expected
    assert pixels.dtype.isnative
    assert pixels.flags.c_contiguous
    assert np.array_equal(pixels, image.astype(expected))


def test_bytes_of_unsigned_16_bit_files(tmp_path: Path) -> None:
    """FITS 4.0, 5.2.5: unsigned by an offset of 32768; big-endian bytes, clause 5.2.2."""
    image = np.zeros((16, 16), np.uint16)
    image[0, :4] = 0, 1, 32768, 65535
    path = _write(tmp_path / "a.fits", fits.PrimaryHDU(image))
    content = path.read_bytes()
    assert len(content) == 5760
    assert content[2880:2888] == bytes.fromhex("80 00 80 01 00 00 7F FF")
    pixels = read_frame(path).pixels
    assert pixels.dtype == np.uint16
    assert pixels[0, :4].tolist() == [0, 1, 32768, 65535]


def test_first_axis_varies_fastest(tmp_path: Path) -> None:
    """FITS 4.0, 3.3.2; a file written by hand, so that no library can be wrong twice."""
    cards = {"SIMPLE": "T", "BITPIX": "8", "NAXIS": "2", "NAXIS1": "20", "NAXIS2": "16"}
    path = _by_hand(tmp_path / "a.fits", cards, bytes(i % 256 for i in range(320)))
    pixels = read_frame(path).pixels
    assert pixels.shape == (16, 20)
    assert pixels[1, 3] == 23


def test_scaled_and_blank_values(tmp_path: Path) -> None:
    """FITS 4.0, 4.4.2.5: BZERO + BSCALE * stored; BLANK is compared with the stored value."""
    cards = {"SIMPLE": "T", "BITPIX": "16", "NAXIS": "2", "NAXIS1": "16", "NAXIS2": "16",
             "BSCALE": "0.5", "BZERO": "10", "BLANK": "-32768"}  # fmt: skip
    stored = np.zeros(256, ">i2")
    stored[:3] = -32768, 0, 5
    pixels = read_frame(_by_hand(tmp_path / "a.fits", cards, stored.tobytes())).pixels
    assert pixels.dtype == np.float32
    assert np.array_equal(pixels[0, :3], [np.nan, 10, 12.5], equal_nan=True)


@pytest.mark.parametrize(("bitpix", "code"), [("8", ">u1"), ("32", ">i4"), ("64", ">i8")])
def test_blank_in_other_whole_numbers(bitpix: str, code: str, tmp_path: Path) -> None:
    cards = {"SIMPLE": "T", "BITPIX": bitpix, "NAXIS": "2", "NAXIS1": "16", "NAXIS2": "16",
             "BLANK": "7"}  # fmt: skip
    stored = np.arange(256).astype(code)
    pixels = read_frame(_by_hand(tmp_path / "a.fits", cards, stored.tobytes())).pixels
    assert np.isnan(pixels).sum() == 1
    assert np.isnan(pixels[0, 7])
    assert pixels[0, 8] == 8


@pytest.mark.parametrize("blank", ["0", "99999999", "-32769"])
def test_blank_that_no_pixel_has_changes_nothing(blank: str, tmp_path: Path) -> None:
    cards = {"SIMPLE": "T", "BITPIX": "16", "NAXIS": "2", "NAXIS1": "16", "NAXIS2": "16",
             "BZERO": "32768", "BLANK": blank}  # fmt: skip
    stored = np.arange(1, 257).astype(">i2")
    pixels = read_frame(_by_hand(tmp_path / "a.fits", cards, stored.tobytes())).pixels
    assert pixels.dtype == np.uint16
    assert pixels[0, 0] == 32769


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_infinite_missing_and_too_large_values_are_nan(
    dtype: type[np.floating], tmp_path: Path
) -> None:
    image = np.ones((16, 16), dtype)
    image[0, :3] = np.nan, np.inf, -np.inf
    image[0, 3] = 1e300 if dtype is np.float64 else np.nan
    pixels = read_frame(_write(tmp_path / "a.fits", fits.PrimaryHDU(image))).pixels
    assert pixels.dtype == np.float32
    assert np.isnan(pixels[0, :4]).all()
    assert np.isfinite(pixels[1:]).all()


def test_numbers_come_back_wherever_they_stand_in_a_large_image(tmp_path: Path) -> None:
    """Images are converted in pieces of a megabyte; this one is of several, the last not full."""
    whole = _rng().integers(0, 65535, (1023, 1537), dtype=np.uint16, endpoint=True)
    pixels = read_frame(_write(tmp_path / "a.fits", fits.PrimaryHDU(whole))).pixels
    assert np.array_equal(pixels, whole)
    # Every pattern of bits: numbers of all sizes, infinities, NaN.
    bits = _rng().integers(0, 2**32, whole.shape, dtype=np.uint32).view(np.float32)
    most = np.float32(1e10)
    bits[0, :4] = most, -most, np.nextafter(most, 0, dtype=np.float32), -0.0
    pixels = read_frame(_write(tmp_path / "b.fits", fits.PrimaryHDU(bits))).pixels
    with np.errstate(invalid="ignore"):
        expected = np.where(np.abs(bits) < 1e10, bits, np.float32(np.nan))
    assert np.array_equal(pixels, expected, equal_nan=True)
    assert np.isnan(pixels[0, :4]).tolist() == [True, True, False, False]


def test_scaled_floats(tmp_path: Path) -> None:
    cards = {"SIMPLE": "T", "BITPIX": "-32", "NAXIS": "2", "NAXIS1": "16", "NAXIS2": "16",
             "BSCALE": "2.0", "BZERO": "-1", "BLANK": "3"}  # fmt: skip
    stored = np.arange(256).astype(">f4")
    pixels = read_frame(_by_hand(tmp_path / "a.fits", cards, stored.tobytes())).pixels
    # 5.3: BLANK is not for floats.
    assert np.array_equal(pixels.ravel(), 2 * np.arange(256) - 1)


def test_one_plane_is_an_image_and_three_are_averaged(tmp_path: Path) -> None:
    planes = _rng().integers(0, 65535, (3, *_SHAPE), dtype=np.uint16)
    flat = read_frame(_write(tmp_path / "a.fits", fits.PrimaryHDU(planes[:1])))
    assert flat.pixels.dtype == np.uint16
    assert np.array_equal(flat.pixels, planes[0])
    colour = read_frame(_write(tmp_path / "b.fits", fits.PrimaryHDU(planes)))
    assert colour.pixels.dtype == np.float32
    assert np.allclose(colour.pixels, planes.mean(axis=0), rtol=1e-6)


_LOSSLESS = ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"]


@pytest.mark.parametrize("suffix", [".fits.fz", ".fits.gz"])
@pytest.mark.parametrize("method", _LOSSLESS)
@pytest.mark.parametrize("kind", ["uint8", "uint16", "int16", "int32"])
def test_tiles_give_the_pixels_of_the_plain_file(
    kind: str, method: str, suffix: str, tmp_path: Path
) -> None:
    # HCOMPRESS sums neighbours in 32 bits: large 32-bit values do not come back.
    image = _IMAGES[kind] // (1000 if method == "HCOMPRESS_1" and kind == "int32" else 1)
    plain = read_frame(_write(tmp_path / "a.fits", fits.PrimaryHDU(image))).pixels
    tiled = fits.CompImageHDU(image, compression_type=method)
    pixels = read_frame(_write(tmp_path / f"b{suffix}", fits.PrimaryHDU(), tiled)).pixels
    assert pixels.dtype == plain.dtype
    assert np.array_equal(pixels, plain)


def test_tiles_of_line_lists(tmp_path: Path) -> None:
    image = (np.arange(19 * 23).reshape(_SHAPE) // 7).astype(np.int16)
    tiled = fits.CompImageHDU(image, compression_type="PLIO_1")
    pixels = read_frame(_write(tmp_path / "a.fits.fz", fits.PrimaryHDU(), tiled)).pixels
    assert pixels.dtype == np.uint16
    assert np.array_equal(pixels, image)


@pytest.mark.parametrize("tile", [(19, 23), (9, 10), (16, 23)])
@pytest.mark.parametrize("method", _LOSSLESS)
def test_tiles_of_any_shape(method: str, tile: tuple[int, int], tmp_path: Path) -> None:
    image = _rng().integers(0, 4000, (43, 50), dtype=np.uint16)
    tiled = fits.CompImageHDU(image, compression_type=method, tile_shape=tile)
    pixels = read_frame(_write(tmp_path / "a.fits.fz", fits.PrimaryHDU(), tiled)).pixels
    assert np.array_equal(pixels, image)


def test_blank_in_tiles(tmp_path: Path) -> None:
    tiled = fits.CompImageHDU(np.abs(_IMAGES["int16"] // 2), compression_type="RICE_1")
    tiled.header["BLANK"] = int(tiled.data[2, 3])
    pixels = read_frame(_write(tmp_path / "a.fits.fz", fits.PrimaryHDU(), tiled)).pixels
    assert np.isnan(pixels[2, 3])
    assert np.array_equal(np.isnan(pixels), tiled.data == tiled.data[2, 3])


def test_tiled_floats_lose_what_the_quantising_says(tmp_path: Path) -> None:
    """Error of quantising in steps of sigma / q is uniform: rms sigma / (q sqrt(12)).

    Analytic; the noise that the writer measures differs from sigma by some per cent.
    """
    image = _rng().normal(1000, 30, (200, 300)).astype(np.float32)
    image[3, 4] = np.nan
    tiled = fits.CompImageHDU(image, compression_type="RICE_1", quantize_level=4)
    path = _write(tmp_path / "a.fits.fz", fits.PrimaryHDU(), tiled)
    pixels = read_frame(path).pixels
    assert pixels.dtype == np.float32
    assert np.isnan(pixels[3, 4])
    assert np.nanstd(pixels - image) / 30 == pytest.approx(0.25 / np.sqrt(12), rel=0.1)
    assert np.array_equal(pixels, fits.getdata(path, 1), equal_nan=True)


def test_cards_of_the_image_come_before_those_of_the_primary(tmp_path: Path) -> None:
    primary = fits.PrimaryHDU(header=fits.Header({"OBJECT": "here", "EXPTIME": 1.0, "BZERO": 5}))
    image = fits.ImageHDU(np.ones(_SHAPE, np.int16), fits.Header({"EXPTIME": 8.0}))
    frame = read_frame(_write(tmp_path / "a.fits", primary, image))
    assert frame.capture.object_name == "here"
    assert frame.capture.exposure_s == 8
    # How pixels are stored is said by their own header alone.
    assert (frame.pixels == 1).all()


def test_illegal_cards_are_passed_over(tmp_path: Path) -> None:
    cards = {"SIMPLE": "T", "BITPIX": "008", "NAXIS": "02", "NAXIS1": "020", "NAXIS2": "016",
             "EXPTIME": "008.00", "OBJECT": "two words / why"}  # fmt: skip
    path = _by_hand(tmp_path / "a.fits", cards, bytes(320))
    content = path.read_bytes()
    end = content.index(b"END".ljust(80))
    odd = (
        b"EXPTIME = 9 / again".ljust(80)
        + b"\xff\x00 not a card".ljust(80)
        + b"LONELY  / no value".ljust(80)
        + b"FILTER  = 'no end quote".ljust(80)
    )
    path.write_bytes(content[:end] + odd + content[end : 2880 - len(odd)] + content[2880:])
    capture = read_frame(path).capture
    assert capture.exposure_s == 8
    assert capture.object_name == "two words"
    assert capture.filter_name == "no end quote"


def test_missing_padding_is_forgiven(tmp_path: Path) -> None:
    path = _write(tmp_path / "a.fits", fits.PrimaryHDU(_IMAGES["uint16"]))
    path.write_bytes(path.read_bytes()[: 2880 + 2 * 19 * 23])
    assert np.array_equal(read_frame(path).pixels, _IMAGES["uint16"])


def test_gzip_is_told_by_content_and_may_have_parts(tmp_path: Path) -> None:
    content = _write(tmp_path / "a.fits", fits.PrimaryHDU(_IMAGES["uint16"])).read_bytes()
    parts = gzip.compress(content[:3000]) + gzip.compress(content[3000:])
    path = tmp_path / "b.fits"
    path.write_bytes(parts + bytes(100))
    assert np.array_equal(read_frame(path).pixels, _IMAGES["uint16"])


def test_gzip_whose_parts_meet_where_a_read_ends(tmp_path: Path) -> None:
    """Block-wise packers write many parts; any offset of their joint must do."""
    image = _rng().integers(0, 65535, (400, 400), dtype=np.uint16)
    content = _write(tmp_path / "a.fits", fits.PrimaryHDU(image)).read_bytes()
    path = tmp_path / "b.fits.gz"
    for joint in range((1 << 18) - 2, (1 << 18) + 3):
        # Stored, not deflated, the part grows by a fixed number of bytes.
        grown = len(gzip.compress(content[:joint], compresslevel=0)) - joint
        first = gzip.compress(content[: joint - grown], compresslevel=0)
        assert len(first) == joint
        path.write_bytes(first + gzip.compress(content[joint - grown :]))
        assert np.array_equal(read_frame(path).pixels, image), joint


def test_reading_changes_no_byte(tmp_path: Path) -> None:
    for name in ("a.fits", "b.fits.gz"):
        path = _write(tmp_path / name, fits.PrimaryHDU(_IMAGES["uint16"]))
        before = hashlib.sha256(path.read_bytes()).digest()
        read_frame(path).pixels[:] = 0
        assert hashlib.sha256(path.read_bytes()).digest() == before


def test_memory_of_an_unsigned_16_bit_frame_is_its_pixels(tmp_path: Path) -> None:
    image = _rng().integers(0, 65535, (1500, 2000), dtype=np.uint16)
    for name, slack in (("a.fits", 100_000), ("b.fits.gz", 1_500_000)):
        path = _write(tmp_path / name, fits.PrimaryHDU(image))
        # Once before: what code and its compiling take is no memory of a frame.
        read_frame(path)
        tracemalloc.start()
        pixels = read_frame(path).pixels
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert pixels.nbytes <= peak < pixels.nbytes + slack


def test_plain_files_do_not_load_astropy(tmp_path: Path) -> None:
    path = _write(tmp_path / "a.fits", fits.PrimaryHDU(_IMAGES["uint16"]))
    code = (
        "import sys; from pathlib import Path; from starwinnow.readers import read_frame; "
        "read_frame(Path(sys.argv[1])); sys.exit('astropy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, path], check=False).returncode == 0


def test_five_encodings_of_one_image(shared_frames: Path) -> None:
    """M13 of astropy's test data (BSD-3) and, brighter, of astrogo/fitsio (BSD-3)."""
    folder = shared_frames / "odd_files"
    plain = read_frame(folder / "astropy" / "m13.fits").pixels
    assert plain.dtype == np.uint16
    for name in ("m13_rice", "m13_gzip", "m13_hcomp"):
        pixels = read_frame(folder / "astropy" / f"{name}.fits").pixels
        assert pixels.dtype == np.uint16
        assert np.array_equal(pixels, plain), name
    real = read_frame(folder / "other" / "m13real.fits").pixels
    assert real.dtype == np.float32
    # Every pixel is the plain one with a fraction below 1 ADU on either side.
    difference = real - plain
    assert np.median(difference) == pytest.approx(0.84, abs=0.01)
    assert (np.abs(difference) < 2).all()


def test_real_files_against_astropy(shared_frames: Path) -> None:
    """Real frames of `published_seeing`, `single`, `defocus`, `galaxies`: sources in README."""
    folders = ("published_seeing", "single", "defocus", "galaxies")
    paths = [path for name in folders for path in (shared_frames / name).glob("*.fits*")]
    frames = [path for path in paths if not path.name.startswith("gaia__")]
    assert len(frames) > 25
    for path in frames:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fits.open(path, memmap=False) as hdus:
                expected = next(hdu.data for hdu in hdus if hdu.is_image and hdu.data is not None)
        pixels = read_frame(path).pixels
        # astropy scales some integers in float32: its last bit may differ.
        same = np.isclose(pixels, expected.squeeze(), rtol=1.3e-7, atol=0, equal_nan=True)
        assert same.all(), path.name
