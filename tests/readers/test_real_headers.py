"""Headers of real frames: what they say is known from the files themselves."""

import gzip
import warnings
from datetime import UTC, datetime
from pathlib import Path

import pytest
from astropy.io import fits

from starwinnow.readers import frame_paths, read_frame
from starwinnow.readers.cards import parse_card


def _card_text(path: Path, name: str) -> str:
    """Quoted value of a card, cut out of the raw header."""
    header = gzip.decompress(path.read_bytes())[:8640].decode("latin-1")
    return header[header.index(f"{name:<8}=") :][10:80].split("'")[1].strip()


def test_real_night(shared_frames: Path) -> None:
    """48 frames of a robotic telescope; README of the frames: 60 s, 5.2 arcsec, kelvin."""
    paths = frame_paths(shared_frames / "real_night")
    assert len(paths) == 48
    for path in paths:
        frame = read_frame(path)
        capture = frame.capture
        assert frame.pixels.shape == (500, 650)
        text = _card_text(path, "UT-OBS").removesuffix("-0000")
        assert capture.start_utc == datetime.fromisoformat(text).replace(tzinfo=UTC), path.name
        assert capture.start_utc is not None
        # The name holds the same instant, to the second: yymmddhhmmss in Greenwich time.
        assert capture.start_utc.strftime("%y%m%d%H%M%S") in path.name
        assert not capture.date_only
        assert capture.exposure_s == 60
        assert capture.scale_arcsec == 5.21
        assert capture.sensor_temperature_c == pytest.approx(-2, abs=2)
        assert capture.ambient_temperature_c == pytest.approx(12, abs=8)
        assert capture.latitude_deg == 31.68
        # It lies in the west; the card has no sign, and nothing in the header tells.
        assert capture.longitude_deg == 110.88
        assert capture.focuser_position == float(_card_text(path, "CAMFOCUS"))
        assert capture.filter_name == "Clear"
        assert capture.image_type is None
        assert capture.egain_e_per_adu is None


def test_single_frames(shared_frames: Path) -> None:
    """Frames from the test data of ccdproc (BSD-3), ASTRiDE (MIT) and SNU_AOclass (BSD-3)."""
    meter = read_frame(shared_frames / "single" / "a8280271.fits").capture
    assert meter.start_utc == datetime(2013, 7, 13, 0, 57, 33, tzinfo=UTC)
    assert meter.exposure_s == 150.04
    assert meter.sensor_temperature_c == pytest.approx(180.2 - 273.15)
    assert meter.image_type == "light"
    # It has GAIN = 1.9, even with the unit e-/ADU.
    assert meter.egain_e_per_adu is None
    trail = read_frame(shared_frames / "single" / "long.fits").capture
    assert trail.start_utc == datetime(2002, 7, 26, 19, 36, 37, tzinfo=UTC)
    assert trail.sensor_temperature_c == -17
    assert trail.latitude_deg == pytest.approx(-(32 + 22 / 60 + 50 / 3600))
    assert trail.longitude_deg == pytest.approx(20 + 48 / 60 + 40 / 3600)
    crop = read_frame(shared_frames / "single" / "20180413SAAO_targ.fits").capture
    assert crop.start_utc == datetime(2018, 4, 13, 21, 30, 26, tzinfo=UTC)
    assert crop.scale_arcsec == 0.4
    # Stated as 339:11:22 degrees west: the same place as `long.fits`, to 0.01 deg.
    assert crop.longitude_deg == pytest.approx(trail.longitude_deg, abs=0.01)
    assert crop.latitude_deg == pytest.approx(trail.latitude_deg, abs=0.01)


def test_survey_frames(shared_frames: Path) -> None:
    """Cards in the primary, image in the extension (legacypipe test data, BSD-3)."""
    folder = shared_frames / "published_seeing"
    frame = read_frame(folder / "mzlsbass2__ksb_170430_055945_ooi_r_ls9.CCD4.fits")
    capture = frame.capture
    assert capture.start_utc == datetime(2017, 4, 30, 5, 59, 45, 939000, tzinfo=UTC)
    assert capture.exposure_s == 80.32
    # '31:58.8' north and '111:36.0' "(degrees W)".
    assert capture.latitude_deg == pytest.approx(31.98)
    assert capture.longitude_deg == pytest.approx(-111.6)
    assert capture.saturation_adu == 52250
    assert capture.image_type == "light"


def test_tiled_frames(shared_frames: Path) -> None:
    """Frames of a robotic network, Rice-compressed floats (GPL-3 repository, read only)."""
    path = shared_frames / "defocus" / "coj1m011-fl08-20151216-0048-x00.fits.fz"
    capture = read_frame(path).capture
    assert capture.start_utc == datetime(2015, 12, 16, 11, 48, 39, 307000, tzinfo=UTC)
    assert capture.exposure_s == 10
    assert capture.scale_arcsec == 0.389
    assert capture.sensor_temperature_c == -100
    assert capture.ambient_temperature_c == 10.199
    assert (capture.latitude_deg, capture.longitude_deg) == (-31.2727986, 149.0708771)
    # SATURATE is 0: missing.
    assert capture.saturation_adu is None


def test_cards_against_astropy(shared_frames: Path) -> None:
    """Every card of real headers that astropy can parse gives the same value here."""
    compared = 0
    for folder in ("real_night", "published_seeing", "single", "defocus", "galaxies"):
        for path in sorted((shared_frames / folder).glob("*.fits*"))[:8]:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                with fits.open(path, disable_image_compression=True) as hdus:
                    cards = [card for hdu in hdus for card in hdu.header.cards]
                    images = [(card.image, card.keyword, card.value) for card in cards]
            for image, name, value in images:
                undefined = isinstance(value, fits.card.Undefined) or name in ("COMMENT", "HISTORY")
                if undefined or len(image) > 80 or image[8:10] != "= ":
                    continue
                assert parse_card(image)[:2] == (name, value), (path.name, image)
                compared += 1
    assert compared > 2000
