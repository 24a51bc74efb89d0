"""Cards to `Capture`; the clauses are those of the FITS standard, version 4.0."""

import math
from dataclasses import fields
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from starwinnow.frame import Capture
from starwinnow.readers import read_capture
from starwinnow.readers.cards import CARD_NAMES, parse_card


def _utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[arg-type, misc]


@pytest.mark.parametrize(
    ("card", "value", "comment"),
    [
        ("EXPTIME =                  8.5 / [s] exposure", 8.5, "[s] exposure"),
        ("EXPTIME = 060.00 / Exposure time", 60.0, "Exposure time"),
        ("EXPTIME =              1.25D+2", 125.0, ""),
        ("NAXIS   =                   02/two", 2, "two"),
        ("OFFSET  =                  -12", -12, ""),
        ("SIMPLE  =                    T / yes", True, "yes"),
        (
            "OBJECT  = 'M 51 / the gardener''s  '  / it is 'far'",
            "M 51 / the gardener's",
            "it is 'far'",
        ),
        ("OBJECT  = 'open at the end", "open at the end", ""),
        ("OBJECT  = ''", "", ""),
        ("DATE-OBS= 2021-02-03T04:05:06 / no quotes", "2021-02-03T04:05:06", "no quotes"),
        ("DATE-OBS= 26/07/102 / UTC", "26/07/102", "UTC"),
        ("AMBTEMP =                  nan", "nan", ""),
        ("GAINDL  =                      / none", None, "none"),
        ("GAINDL                         / none", None, ""),
        ("COMMENT   it is = what it is", None, ""),
        ("lower   = 3", 3, ""),
    ],
)
def test_cards(card: str, value: object, comment: str) -> None:
    name, found, said = parse_card(card.ljust(80))
    assert name == card[:8].strip().upper()
    assert (found, type(found), said) == (value, type(value), comment)


def test_a_header_that_says_nothing_gives_nothing() -> None:
    assert read_capture({}) == Capture()
    for name in {name for names in CARD_NAMES.values() for name in names}:
        assert read_capture({name: ""}) == Capture(), name
        assert read_capture({name: "   "}) == Capture(), name


_POSITIVE = (
    "exposure_s", "pixel_um", "focal_length_mm", "aperture_mm", "egain_e_per_adu", "scale_arcsec",
    "saturation_adu",
)  # fmt: skip


@pytest.mark.parametrize("field", _POSITIVE)
def test_impossible_numbers_are_missing(field: str) -> None:
    for name in CARD_NAMES[field]:
        for value in (0, 0.0, -1, math.nan, math.inf, "nan", "inf", "-", "ten", "0", True, 10**400):
            assert getattr(read_capture({name: value}), field) is None, (name, value)
        for value in (8, 8.0, "8", "8,0", " 8.0 ", "+8", "0,8E1", "8.D0"):
            assert getattr(read_capture({name: value}), field) == 8, (name, value)


def test_the_next_alias_is_tried_where_one_is_of_no_use() -> None:
    assert read_capture({"EXPTIME": 0, "EXPOSURE": "2,5"}).exposure_s == 2.5
    assert read_capture({"EXPTIME": 3.0, "EXPOSURE": 2.5}).exposure_s == 3


@pytest.mark.parametrize(
    ("value", "comment", "seconds"),
    [
        (8, "[s] exposure", 8.0),
        (8000, "[ms] exposure", 8.0),
        ("8000,0", "Exposure in milliseconds", 8.0),
        (8000000, "[us]", 8.0),
        (8000, "", 8000.0),
        (8, "[s], read from a clock good to 1 ms", 8.0),
    ],
)
def test_exposure_in_the_unit_of_its_comment(value: object, comment: str, seconds: float) -> None:
    """FITS 4.0, 4.3.2: units in brackets before the comment; words are common practice."""
    assert read_capture({"EXPTIME": value}, {"EXPTIME": comment}).exposure_s == seconds


def test_the_driver_gain_is_never_electrons_per_adu() -> None:
    assert read_capture({"GAIN": 1.9}).egain_e_per_adu is None
    assert read_capture({"GAIN": 120, "EGAIN": "0,75"}).egain_e_per_adu == 0.75


@pytest.mark.parametrize(
    ("cards", "start"),
    [
        ({"DATE-OBS": "2021-02-03T04:05:06"}, _utc(2021, 2, 3, 4, 5, 6)),
        ({"DATE-OBS": "2021-02-03T04:05:06.250"}, _utc(2021, 2, 3, 4, 5, 6, 250000)),
        ({"DATE-OBS": "2021-02-03T04:05:06,25Z"}, _utc(2021, 2, 3, 4, 5, 6, 250000)),
        ({"DATE-OBS": "2021-02-03 04:05"}, _utc(2021, 2, 3, 4, 5)),
        ({"DATE-OBS": "2021-2-3T4:5:6 UTC"}, _utc(2021, 2, 3, 4, 5, 6)),
        # A leap second is legal (clause 9.1.1).
        ({"DATE-OBS": "2016-12-31T23:59:60.5"}, _utc(2017, 1, 1, 0, 0, 0, 500000)),
        ({"DATE-OBS": "2021-02-02T21:05:06-0700"}, _utc(2021, 2, 3, 4, 5, 6)),
        ({"DATE-OBS": "2021-02-03T09:35:06+05:30"}, _utc(2021, 2, 3, 4, 5, 6)),
        ({"DATE-OBS": "2021-02-03T04:05:06-0000"}, _utc(2021, 2, 3, 4, 5, 6)),
        (
            {"DATE-OBS": "2021-02-02T21:05:06-0700", "UT-OBS": "2021-02-03T04:05:07-0000"},
            _utc(2021, 2, 3, 4, 5, 7),
        ),
        (
            {"DATE-OBS": "2021-02-03T04:05:06", "DATE-BEG": "2021-02-03T04:05:08"},
            _utc(2021, 2, 3, 4, 5, 8),
        ),
        ({"DATE-OBS": "2021-02-03", "UT": "04:05:06.5"}, _utc(2021, 2, 3, 4, 5, 6, 500000)),
        ({"DATE-OBS": "2021-02-03", "UT-OBS": "04:05:06"}, _utc(2021, 2, 3, 4, 5, 6)),
        ({"DATE-OBS": "2021-02-03", "UTSTART": "04:05:06"}, _utc(2021, 2, 3, 4, 5, 6)),
        ({"DATE-OBS": "2021-02-03", "TIME-OBS": "04:05:06"}, _utc(2021, 2, 3, 4, 5, 6)),
        # Years since 1900: two digits in clause 4.4.2.1, though some write three.
        ({"DATE-OBS": "26/07/102", "TIME-OBS": "20:30:40"}, _utc(2002, 7, 26, 20, 30, 40)),
        ({"DATE-OBS": "25/11/99", "UT": "01:02:03"}, _utc(1999, 11, 25, 1, 2, 3)),
        ({"DATE-OBS": "25/11/2009", "UT": "01:02:03"}, _utc(2009, 11, 25, 1, 2, 3)),
        # MJD 51544.5 is J2000.0 by definition: 2000 January 1 at noon.
        ({"MJD-OBS": 51544.5}, _utc(2000, 1, 1, 12)),
        ({"DATE-OBS": "2000-01-01", "MJD-OBS": 51544.5}, _utc(2000, 1, 1, 12)),
        ({"DATE-OBS": "2000-01-01T06:00:00", "MJD-OBS": 51544.5}, _utc(2000, 1, 1, 6)),
    ],
)
def test_start(cards: dict[str, object], start: datetime) -> None:
    capture = read_capture(cards)
    assert capture.start_utc == start
    assert capture.start_utc is not None
    assert capture.start_utc.tzinfo is UTC
    assert not capture.date_only


@pytest.mark.parametrize(
    ("cards", "day"),
    [
        ({"DATE-OBS": "2021-02-03"}, _utc(2021, 2, 3)),
        ({"DATE-OBS": "2021-02-03", "UT": "late"}, _utc(2021, 2, 3)),
        ({"DATE-OBS": "25/11/99"}, _utc(1999, 11, 25)),
        ({"MJD-OBS": 56486.0}, _utc(2013, 7, 13)),
        ({"MJD-OBS": "56486"}, _utc(2013, 7, 13)),
        ({"DATE-OBS": "2013-07-13", "MJD-OBS": 56486}, _utc(2013, 7, 13)),
    ],
)
def test_a_day_alone_is_called_one(cards: dict[str, object], day: datetime) -> None:
    capture = read_capture(cards)
    assert capture.start_utc == day
    assert capture.date_only


@pytest.mark.parametrize(
    "text",
    ["2021-13-03", "2021-02-30T00:00:00", "1021-02-03", "2021-02-03T24:00:00", "9999-12-31",
     "2021-02-03T04:65:06", "2021-02-03T04:05:06+2300", "2021-02-03T04:05:06 soon", "yesterday",
     "31/31/31", "20210203", "2021-02-031"],
)  # fmt: skip
def test_no_start_from_what_is_no_date(text: str) -> None:
    capture = read_capture({"DATE-OBS": text})
    assert capture.start_utc is None
    assert not capture.date_only


def test_local_time_without_a_zone_is_not_utc() -> None:
    assert read_capture({"DATE-LOC": "2021-02-03T04:05:06"}).start_utc is None
    cards = {"DATE-OBS": "2021-02-03T04:05:06"}
    assert read_capture(cards, {"DATE-OBS": "start, local time"}).start_utc is None
    assert read_capture(cards, {"DATE-OBS": "start of exposure"}).start_utc is not None
    # An offset in the comment is not applied, and must not pass for UTC either.
    assert read_capture(cards, {"DATE-OBS": "local time (UTC-7)"}).start_utc is None
    assert read_capture(cards, {"DATE-OBS": "UTC, not local"}).start_utc == _utc(
        2021, 2, 3, 4, 5, 6
    )
    clock = {"DATE-OBS": "2021-02-03", "UT": "04:05:06", "TIME-OBS": "05:05:06"}
    capture = read_capture(clock, {"UT": "local time"})
    assert capture.start_utc == _utc(2021, 2, 3, 5, 5, 6)
    cards = {"DATE-OBS": "2021-02-02T21:05:06-0700"}
    capture = read_capture(cards, {"DATE-OBS": "start, LT"})
    assert capture.start_utc == _utc(2021, 2, 3, 4, 5, 6)


@pytest.mark.parametrize(
    ("value", "comment", "celsius"),
    [
        (-10.5, "", -10.5),
        ("-10,5", "", -10.5),
        (0, "", 0.0),
        (271.0, "", -2.15),
        (271.0, "in Kelvin, =-1 if no data", -2.15),
        (-1, "in Kelvin, =-1 if no data", None),
        (-1, "", -1.0),
        (77.36, "[K] nitrogen", -195.79),
        (-999, "", None),
        (0, "Kelvin", None),
        ("nan", "", None),
        ("UNKNOWN", "", None),
    ],
)
def test_temperatures(value: object, comment: str, celsius: float | None) -> None:
    capture = read_capture({"CCD-TEMP": value}, {"CCD-TEMP": comment})
    assert capture.sensor_temperature_c == celsius
    assert read_capture({"SET-TEMP": value}).sensor_temperature_c is None
    ambient = read_capture({"AMBTEMP": value}, {"AMBTEMP": comment})
    assert ambient.ambient_temperature_c == celsius
    focuser = read_capture({"FOCTEMP": value}, {"FOCTEMP": comment})
    assert focuser.focuser_temperature_c == celsius


def test_scale() -> None:
    """Scale is 206.264806 um / mm: 3.76 um and 480 mm give 1.61574 arcsec (small angle)."""
    rig = {"XPIXSZ": 3.76, "FOCALLEN": 480}
    assert read_capture(rig).scale_arcsec == pytest.approx(1.61574, abs=5e-6)
    assert read_capture({**rig, "PIXSCALE": "1,5"}).scale_arcsec == 1.5
    assert read_capture({**rig, "FOCALLEN": 0}).scale_arcsec is None
    assert read_capture({**rig, "FOCALLEN": 0}).focal_length_mm is None
    assert read_capture({"XPIXSZ": 1e300, "FOCALLEN": 1e-300}).scale_arcsec is None
    # The stated size of a file pixel is believed: it is not multiplied by the binning.
    assert read_capture({**rig, "XBINNING": 2}).pixel_um == 3.76


@pytest.mark.parametrize(
    ("latitude", "longitude", "comment", "expected"),
    [
        (41.68, 70.88, "", (41.68, 70.88)),
        (-31.5, -70.25, "", (-31.5, -70.25)),
        ("41 30 36", "-70 52 48", "", (41.51, -70.88)),
        ("-00:30:00", "00:15:00", "", (-0.5, 0.25)),
        ("41:57.6", "71:36.0", "", (41.96, 71.6)),
        ("41d30m36s", "70°52'48\"", "", (41.51, 70.88)),
        ("41.68 N", "70.88 W", "", (41.68, -70.88)),
        ("S 33 30", "E 149 15", "", (-33.5, 149.25)),
        ("33 30 S", "W149 15 00", "", (-33.5, -149.25)),
        (41.68, 70.88, "[deg W] site", (41.68, -70.88)),
        (41.68, "339:30:00", "Longitude (degrees W)", (41.68, 20.5)),
        (41.68, 289.12, "[deg] east longitude", (41.68, -70.88)),
        (41.68, 70.88, "degrees +W", (41.68, -70.88)),
        (41.68, 70.88, "west positive", (41.68, -70.88)),
        (41.68, -70.88, "degrees, east positive, west negative", (41.68, -70.88)),
        ("95", "400", "", (None, None)),
        ("north", "12 75 00", "", (None, None)),
        ("1 2 3 4", "", "", (None, None)),
        # Never set: nobody observes from the Gulf of Guinea.
        (0, 0.0, "", (None, None)),
    ],
)
def test_site(
    latitude: object, longitude: object, comment: str, expected: tuple[float | None, float | None]
) -> None:
    cards = {"SITELAT": latitude, "SITELONG": longitude}
    capture = read_capture(cards, {"SITELAT": "degrees N", "SITELONG": comment})
    assert (capture.latitude_deg, capture.longitude_deg) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("text", "image_type"),
    [
        ("Light", "light"),
        ("LIGHT FRAME", "light"),
        ("Light_Frame", "light"),
        ("object  ", "light"),
        ("science", "light"),
        ("Dark", "dark"),
        ("dark frame", "dark"),
        ("Flat Dark", "dark"),
        ("DARKFLAT", "dark"),
        ("Flat Field", "flat"),
        ("twilight flat", "flat"),
        ("Bias Frame", "bias"),
        ("ZERO", "bias"),
        ("twilight", None),
        ("focus", None),
        ("17", None),
        ("", None),
    ],
)
def test_image_types(text: str, image_type: str | None) -> None:
    assert read_capture({"IMAGETYP": text}).image_type == image_type
    assert read_capture({"IMAGETYP": "?", "OBSTYPE": text}).image_type == image_type


@pytest.mark.parametrize(
    ("cards", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 1}, (2, 1)),
        ({"XBINNING": 2.0, "YBINNING": "3"}, (2, 3)),
        ({"CCDXBIN": 4, "CCDYBIN": 4}, (4, 4)),
        ({"BINNING": "2x2"}, (2, 2)),
        ({"BINNING": "2 X 3"}, (2, 3)),
        ({"BINNING": 2}, (2, 2)),
        ({"CCDSUM": "1 2"}, (1, 2)),
        ({"XBINNING": 0, "YBINNING": -1}, (None, None)),
        ({"XBINNING": 1.5, "YBINNING": 4000}, (None, None)),
        ({"BINNING": "fine"}, (None, None)),
    ],
)
def test_binning(cards: dict[str, object], binning: tuple[int | None, int | None]) -> None:
    capture = read_capture(cards)
    assert (capture.binning_x, capture.binning_y) == binning


@pytest.mark.parametrize(
    ("cards", "pattern"),
    [
        ({}, "RGGB"),
        ({"XBAYROFF": 1}, "GRBG"),
        ({"YBAYROFF": 1}, "GBRG"),
        ({"XBAYROFF": 1, "YBAYROFF": 1}, "BGGR"),
        ({"XBAYROFF": -2, "YBAYROFF": 3}, "GBRG"),
        ({"ROWORDER": "TOP-DOWN"}, "RGGB"),
        ({"ROWORDER": "BOTTOM-UP"}, "GBRG"),
        ({"ROWORDER": "bottom-up", "NAXIS2": 1001}, "RGGB"),
        ({"ROWORDER": "BOTTOM-UP", "YBAYROFF": 1}, "RGGB"),
        ({"ROWORDER": "BOTTOM-UP", "XBAYROFF": 1}, "BGGR"),
        # NAXIS2 of a table of tiles is its rows: ZNAXIS2 counts those of the image.
        ({"ROWORDER": "BOTTOM-UP", "NAXIS2": 1001, "ZNAXIS2": 1000}, "GBRG"),
        ({"ROWORDER": "BOTTOM-UP", "NAXIS2": None}, None),
        ({"NAXIS3": 3}, None),
        ({"BAYERPAT": "bggr "}, "BGGR"),
        ({"BAYERPAT": "CMYG"}, None),
        ({"BAYERPAT": "TRUE", "COLORTYP": "GRBG"}, "GRBG"),
    ],
)
def test_bayer_pattern_at_the_first_pixel(cards: dict[str, object], pattern: str | None) -> None:
    """Common practice, no source: see `pattern_at_origin`."""
    header = {"BAYERPAT": "RGGB", "NAXIS2": 1000} | cards
    assert read_capture(header).bayer_pattern == pattern


def test_bayer_pattern_against_a_painted_sensor() -> None:
    """Paint the picture as shown, store it bottom row first, look at the stored corner."""
    for pattern in ("RGGB", "BGGR", "GRBG", "GBRG"):
        for height in (6, 7):
            shown = ["".join(pattern[2 * (y % 2) + x % 2] for x in range(4)) for y in range(height)]
            stored = shown[::-1]
            cards = {"BAYERPAT": pattern, "ROWORDER": "BOTTOM-UP", "NAXIS2": height}
            assert read_capture(cards).bayer_pattern == stored[0][:2] + stored[1][:2]


def test_texts_are_cleaned_and_cut() -> None:
    assert read_capture({"OBJECT": "  two\x00 wor\x1bds\n "}).object_name == "two words"
    assert read_capture({"OBJECT": "\x00\x01"}).object_name is None
    assert read_capture({"OBJECT": "x" * 500}).object_name == "x" * 200
    assert read_capture({"FILTER": 3}).filter_name == "3"
    assert read_capture({"FILTER": True}).filter_name is None
    assert read_capture({"FILTER": "Ha", "FILTER1": "R"}).filter_name == "Ha"


def test_positions_may_be_zero() -> None:
    assert read_capture({"FOCUSPOS": 0}).focuser_position == 0
    assert read_capture({"CAMFOCUS": "1240"}).focuser_position == 1240
    assert read_capture({"FOCUSPOS": "in"}).focuser_position is None


_NAMES = sorted({name for names in CARD_NAMES.values() for name in names})
_ODD_TEXT = st.one_of(
    st.text(max_size=40),
    st.text(alphabet="0123456789-+:/.,TZeEdDnainf NSEW°'\"", max_size=40),
    st.from_regex(r"\d{1,5}[-/]\d{1,3}[-/]\d{1,5}([T ]\d+:\d+:\d+\.?\d*([+-]\d{4})?)?"),
)
_VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), _ODD_TEXT)
_EXTRA = ["ROWORDER", "XBAYROFF", "YBAYROFF", "NAXIS2", "NAXIS3"]


@settings(max_examples=50)
@given(
    cards=st.dictionaries(st.sampled_from([*_NAMES, *_EXTRA]), _VALUES),
    comments=st.dictionaries(st.sampled_from(_NAMES), _ODD_TEXT),
)
def test_any_values_give_a_capture_of_finite_numbers(
    cards: dict[str, object], comments: dict[str, str]
) -> None:
    capture = read_capture(cards, comments)
    for field in fields(capture):
        value = getattr(capture, field.name)
        assert not isinstance(value, float) or math.isfinite(value)
        assert not isinstance(value, str) or (0 < len(value) <= 200 and value == value.strip())
    assert capture.start_utc is None or 1899 < capture.start_utc.year < 2201


@given(name=st.sampled_from(_NAMES), text=_ODD_TEXT)
def test_any_text_in_any_card_is_read_or_passed_over(name: str, text: str) -> None:
    read_capture({name: text})


@given(card=st.text(st.characters(max_codepoint=255), max_size=80))
def test_any_card_is_parsed(card: str) -> None:
    value = parse_card(card)[1]
    assert value is None or isinstance(value, str | int | float)
