"""Header cards in the dialects cameras write, to a `Capture`.

No standard defines most of these names: the aliases are common practice, no source, where the
FITS standard (version 4.0) does not give them. A card that is missing, empty or impossible is
passed over for the next alias, and gives None where none is left.
"""

import math
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from starwinnow.frame import Capture
from starwinnow.readers.bayer import pattern_at_origin

__all__ = ["CARD_NAMES", "parse_card", "read_capture"]

CARD_NAMES: dict[str, tuple[str, ...]] = {
    "exposure_s": ("EXPTIME", "EXPOSURE", "EXP_TIME", "EXP-TIME", "EXPOSED", "ITIME", "INTTIME"),
    "pixel_um": ("XPIXSZ", "XPIXELSZ", "PIXSIZE1", "PIXSIZE", "PIXELSZ", "PIXSZ"),
    "focal_length_mm": ("FOCALLEN", "FOCAL", "FOCLEN"),
    "aperture_mm": ("APTDIA", "APERDIA"),
    # GAIN is the driver's setting, or who knows what, and never taken for electrons per ADU.
    "egain_e_per_adu": ("EGAIN", "E-GAIN", "EPERADU"),
    # Set points (SET-TEMP and its like) say what was wished for, not what was.
    "sensor_temperature_c": (
        "CCD-TEMP", "CCDTEMP", "CCD_TEMP", "CAMTEMP", "CCDATEMP", "DETTEMP", "DET-TEMP", "SENSTEMP",
    ),
    "ambient_temperature_c": (
        "AMBTEMP", "AMB-TEMP", "AMB_TEMP", "AOCAMBT", "AIRTEMP", "OUTTEMP", "ENVTEMP", "WMSTEMP",
        "TELTEMP", "TEMPERT",
    ),
    "focuser_temperature_c": ("FOCTEMP", "FOCUSTEM", "FOC-TEMP", "FOCUSTMP"),
    "filter_name": ("FILTER", "FILTERS", "FILTNAM", "FILTNAME", "FILTER1"),
    "object_name": ("OBJECT", "OBJNAME", "TARGET", "TARGNAME"),
    "image_type": ("IMAGETYP", "OBSTYPE", "FRAMETYP", "FRAME", "IMGTYPE"),
    "latitude_deg": ("SITELAT", "LATITUDE", "LAT-OBS", "OBS-LAT", "OBSLAT", "OBSGEO-B"),
    "longitude_deg": ("SITELONG", "LONGITUD", "LONG-OBS", "OBS-LONG", "OBSLONG", "OBSGEO-L"),
    "focuser_position": ("FOCUSPOS", "FOCPOS", "FOC-POS", "FOCUSSTP", "CAMFOCUS", "FOCUS"),
    "binning_x": ("XBINNING", "CCDXBIN", "CCDBIN1", "XBIN", "BINX", "XFACTOR"),
    "binning_y": ("YBINNING", "CCDYBIN", "CCDBIN2", "YBIN", "BINY", "YFACTOR"),
    "binning": ("BINNING", "CCDSUM"),
    "bayer_pattern": ("BAYERPAT", "COLORTYP"),
    "scale_arcsec": (
        "IM_SCALE", "PIXSCALE", "PIXSCAL", "SECPIX", "SECPIX1", "PIXSCAL1", "SCALE",
    ),
    "saturation_adu": ("SATURATE", "SATLEVEL", "SATURATA"),
    # DATE-LOC is local time without a zone: not UTC, and no help.
    "start": ("DATE-BEG", "UT-OBS", "DATE-OBS", "DATE_OBS", "DATEOBS", "UTC-OBS"),
    "start_clock": (
        "UT", "UT-OBS", "UTC-OBS", "UTSTART", "UT-START", "UTC", "TIME-BEG", "TIME-OBS", "TIME_OBS",
    ),
    "start_mjd": ("MJD-BEG", "MJD-OBS", "MJDSTART", "MJD"),
}  # fmt: skip
"""Names of the cards behind each field of `Capture`, the one to be believed first leading."""

_ARCSEC_PER_UM_MM = 206.264806
_KELVIN = 273.15
# The sensor of no camera is this hot in Celsius or this cold in kelvin.
_LEAST_KELVIN = 150.0
_MOST_TEXT = 200
_IMAGE_TYPES = (
    ("dark", "dark"), ("flat", "flat"), ("bias", "bias"), ("zero", "bias"), ("offset", "bias"),
)  # fmt: skip
_LIGHT_WORDS = frozenset({"light", "object", "science", "target", "expose", "exposure"})

_VALUE = re.compile(
    r"=\s*(?:'(?P<text>(?:[^']|'')*)'?"
    r"|(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?)(?=\s|/(?!\d+/\d)|$)"
    r"|(?P<logical>[TF])(?=\s|/|$)"
    r"|(?P<bare>(?!/).*?)(?=\s/|$))"
    r"[^/]*(?:/\s*(?P<comment>.*))?",
    re.ASCII | re.DOTALL,
)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?", re.ASCII)
_SEXAGESIMAL = re.compile(
    r"([NSEW])?\s*([+-])?\s*(\d+(?:[.,]\d*)?)"
    r"(?:[\s:°dh]+(\d+(?:[.,]\d*)?))?(?:[\s:'′m]+(\d+(?:[.,]\d*)?))?[\s°'′\"″dms]*([NSEW])?"
)
_ISO_DAY = re.compile(r"(\d{4})[-/](\d{1,2})[-/](\d{1,2})(?!\d)", re.ASCII)
_OLD_DAY = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{2,4})(?!\d)", re.ASCII)
_CLOCK = re.compile(
    r"(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d*)?))?\s*(?:Z|UTC?|([+-])(\d\d):?(\d\d))?",
    re.ASCII | re.IGNORECASE,
)
_LOCAL_TIME = re.compile(r"(?<!\bnot )\b(?:local|LT)\b", re.IGNORECASE)
_MJD_ZERO = datetime(1858, 11, 17, tzinfo=UTC)
_SMALL_UNITS = (
    (re.compile(r"\[ms\]|\bmilliseconds?\b", re.IGNORECASE), 1e3),
    (re.compile(r"\[us\]|\bmicroseconds?\b", re.IGNORECASE), 1e6),
)
_YEARS = range(1900, 2200)


def parse_card(card: str) -> tuple[str, object, str]:
    """Name, value and comment of one card of 80 characters.

    Tolerant on purpose: padded numbers, text without quotes and a missing end quote are read;
    the value is str, int, float, bool, or None where there is none. A string continued on
    further cards (clause 4.2.1.2) is cut.
    """
    name = card[:8].strip().upper()
    match = _VALUE.match(card, 8)
    if match is None:
        return name, None, ""
    comment = (match["comment"] or "").strip()
    if match["text"] is not None:
        return name, match["text"].replace("''", "'").rstrip(), comment
    if match["number"] is not None:
        number = match["number"].upper().replace("D", "E")
        return name, float(number) if re.search(r"[.E]", number) else int(number), comment
    if match["logical"] is not None:
        return name, match["logical"] == "T", comment
    return name, match["bare"].strip() or None, comment


def read_capture(cards: Mapping[str, object], comments: Mapping[str, str] | None = None) -> Capture:
    """Read what a header says about how a frame was taken.

    Parameters
    ----------
    cards : mapping of str to object
        Values by card name in upper case: str, int, float or bool; others are passed over.
        NAXIS2 and NAXIS3 (ZNAXIS2, ZNAXIS3 of tiled images) describe the image.
    comments : mapping of str to str, optional
        Comments by card name; they tell kelvin, west longitudes and local times apart.

    Returns
    -------
    Capture
        What the cards do not say is None.

    Notes
    -----
    `pixel_um` is the stated size of a file pixel: programs differ in whether XPIXSZ is already
    multiplied by the binning, and the header cannot tell; a scale worked out from it is as
    good as that. A bare longitude keeps its sign: west-positive ones (70.9 for a site in
    Chile, say) cannot be told from east-positive ones without a letter or a comment. A site of
    exactly 0, 0 is taken for not set. Time scales other than UTC (TIMESYS) are not converted;
    TT is 69 s ahead.
    """
    header = _Header(cards, comments or {})
    start_utc, date_only = _start(header)
    pixel_um, focal_mm = header.positive("pixel_um"), header.positive("focal_length_mm")
    latitude, longitude = _angle(header, "latitude_deg", 90), _angle(header, "longitude_deg", 360)
    if latitude == 0 and longitude == 0:
        latitude = longitude = None
    binning = _binning_pair(header)
    return Capture(
        start_utc=start_utc,
        date_only=date_only,
        exposure_s=_exposure(header),
        pixel_um=pixel_um,
        focal_length_mm=focal_mm,
        aperture_mm=header.positive("aperture_mm"),
        egain_e_per_adu=header.positive("egain_e_per_adu"),
        sensor_temperature_c=_temperature(header, "sensor_temperature_c"),
        ambient_temperature_c=_temperature(header, "ambient_temperature_c"),
        focuser_temperature_c=_temperature(header, "focuser_temperature_c"),
        filter_name=header.text("filter_name"),
        object_name=header.text("object_name"),
        image_type=_image_type(header),
        latitude_deg=latitude,
        longitude_deg=longitude,
        focuser_position=next((value for value, _ in header.numbers("focuser_position")), None),
        binning_x=_binning(header, "binning_x") or binning[0],
        binning_y=_binning(header, "binning_y") or binning[1],
        bayer_pattern=_bayer_pattern(header),
        scale_arcsec=header.positive("scale_arcsec") or _scale(pixel_um, focal_mm),
        saturation_adu=header.positive("saturation_adu"),
    )


@dataclass(frozen=True, slots=True)
class _Header:
    cards: Mapping[str, object]
    comments: Mapping[str, str]

    def numbers(self, field: str) -> Iterator[tuple[float, str]]:
        """Finite numbers of a field's cards, with comments, in order of belief."""
        for name in CARD_NAMES[field]:
            value = _number(self.cards.get(name))
            if value is not None:
                yield value, self.comments.get(name, "")

    def texts(self, field: str) -> Iterator[tuple[str, str]]:
        """Texts that are not empty, with comments, in order of belief."""
        for name in CARD_NAMES[field]:
            value = _text(self.cards.get(name))
            if value is not None:
                yield value, self.comments.get(name, "")

    def positive(self, field: str) -> float | None:
        return next((value for value, _ in self.numbers(field) if value > 0), None)

    def text(self, field: str) -> str | None:
        return next((value for value, _ in self.texts(field)), None)

    def whole(self, *names: str) -> int | None:
        """First of some cards that holds a whole number."""
        for name in names:
            value = _number(self.cards.get(name))
            if value is not None and value.is_integer():
                return int(value)
        return None


def _number(value: object) -> float | None:
    """Take a finite number or a text that is one; a comma is a decimal comma."""
    if isinstance(value, str):
        text = value.strip().replace(",", ".").upper().replace("D", "E")
        value = float(text) if _NUMBER.fullmatch(text) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def _text(value: object) -> str | None:
    """Text without control characters, or a number as text; None when nothing is left."""
    if not isinstance(value, str):
        return None if _number(value) is None else str(value)
    kept = "".join(c for c in value if unicodedata.category(c)[0] != "C")
    return kept.strip()[:_MOST_TEXT].strip() or None


def _exposure(header: _Header) -> float | None:
    """Seconds; the comment may state a smaller unit, as '[ms]' (clause 4.3.2) or in words."""
    for value, comment in header.numbers("exposure_s"):
        if value > 0:
            parts_a_second = next((n for unit, n in _SMALL_UNITS if unit.search(comment)), 1.0)
            return value / parts_a_second
    return None


def _temperature(header: _Header, field: str) -> float | None:
    """Degrees Celsius; kelvin where the comment says so or the number can be nothing else."""
    for value, comment in header.numbers(field):
        missing = re.search(r"=\s*(-?\d+)\s*if no data", comment)
        if missing and value == float(missing[1]):
            continue
        kelvin = value > _LEAST_KELVIN or re.search(r"\bkelvin\b|\[K\]", comment, re.IGNORECASE)
        celsius = round(value - _KELVIN, 6) if kelvin else value
        if celsius > -_KELVIN:
            return celsius
    return None


def _angle(header: _Header, field: str, most_deg: float) -> float | None:
    """Degrees, north and east positive, from a number or 'D M S' text.

    A letter S or W, or a comment such as '[deg W]' or '+W', turns the sign.
    """
    letter, word = ("S", "south") if field == "latitude_deg" else ("W", "west")
    turned = re.compile(
        rf"(?:\bdeg(?:s|rees?)?\b\.?|\+)\s*{letter}(?:{word[1:]})?\b|\b{word}[- ]positive"
        rf"|\bpositive[- ]{word}",
        re.IGNORECASE,
    )
    for text, comment in header.texts(field):
        value, letters = _degrees(text)
        if value is None or abs(value) > most_deg:
            continue
        if letter in letters or turned.search(comment):
            value = -abs(value)
        return (value + 180) % 360 - 180 if abs(value) > 180 else value
    return None


def _degrees(text: str) -> tuple[float | None, str]:
    """Degrees of a number or of 'D M S' text, and the letters of direction beside it."""
    number = _number(text)
    match = _SEXAGESIMAL.fullmatch(text)
    if number is not None or match is None:
        return number, ""
    degrees, minutes, seconds = (float((match[i] or "0").replace(",", ".")) for i in (3, 4, 5))
    if minutes >= 60 or seconds >= 60:
        return None, ""
    value = degrees + minutes / 60 + seconds / 3600
    return -value if match[2] == "-" else value, f"{match[1]}{match[6]}"


def _image_type(header: _Header) -> str | None:
    for text, _ in header.texts("image_type"):
        letters = re.sub(r"[^a-z]|frame$", "", text.lower())
        if letters in _LIGHT_WORDS:
            return "light"
        for word, image_type in _IMAGE_TYPES:
            if word in letters:
                return image_type
    return None


def _binning(header: _Header, field: str) -> int | None:
    values = (value for value, _ in header.numbers(field))
    return next((int(v) for v in values if v.is_integer() and 1 <= v <= 64), None)


def _binning_pair(header: _Header) -> tuple[int | None, int | None]:
    """Both binnings from one card such as '2x2', '1 1' or 2."""
    for text, _ in header.texts("binning"):
        match = re.fullmatch(r"([1-9]\d?)(?:\s*[x*, ]\s*([1-9]\d?))?", text.lower(), re.ASCII)
        if match:
            return int(match[1]), int(match[2] or match[1])
    return None, None


def _bayer_pattern(header: _Header) -> str | None:
    # Colour planes are no mosaic any more, whatever card was left behind.
    if header.whole("ZNAXIS3", "NAXIS3") == 3:
        return None
    patterns = (
        pattern_at_origin(
            text,
            x_offset=header.whole("XBAYROFF") or 0,
            y_offset=header.whole("YBAYROFF") or 0,
            bottom_up=str(header.cards.get("ROWORDER")).strip().upper() == "BOTTOM-UP",
            height_px=header.whole("ZNAXIS2", "NAXIS2"),
        )
        for text, _ in header.texts("bayer_pattern")
    )
    return next((pattern for pattern in patterns if pattern), None)


def _scale(pixel_um: float | None, focal_mm: float | None) -> float | None:
    """Arcseconds per pixel: small angle, 206.264806 um / mm."""
    if pixel_um is None or focal_mm is None:
        return None
    scale = _ARCSEC_PER_UM_MM * pixel_um / focal_mm
    return scale if 0 < scale < math.inf else None


def _start(header: _Header) -> tuple[datetime | None, bool]:
    """Start of the exposure, UTC, and whether only its day is known.

    In this order: a card with day and time, a day and a card with a time of day, a fraction of
    a Julian date, a day alone. Times with an offset are moved to UTC ('-0000' is none, though
    no standard allows it); times that the comment calls local and that have no offset of their
    own are passed over, also where the comment gives one ('local time, UTC-7'). Old days are
    DD/MM/YY, with the years since 1900 (clause 4.4.2.1).
    """
    day = None
    for text, comment in header.texts("start"):
        midnight, rest = _midnight(text)
        clock = _since_midnight(rest)
        zoned = re.search(r"(?:[+-]\d\d:?\d\d|Z|UTC?)$", rest, re.IGNORECASE)
        if midnight is None or (_LOCAL_TIME.search(comment) and not zoned):
            continue
        if clock is not None:
            return midnight + clock, False
        if day is None and not rest:
            day = midnight
    for text, comment in header.texts("start_clock") if day else ():
        clock = _since_midnight(text)
        if day and clock is not None and not _LOCAL_TIME.search(comment):
            return day + clock, False
    for mjd, _ in header.numbers("start_mjd"):
        if 15020 < mjd < 124594:
            moment = _MJD_ZERO + timedelta(days=mjd)
            if not mjd.is_integer():
                return moment, False
            day = day or moment
    return day, day is not None


def _midnight(text: str) -> tuple[datetime | None, str]:
    """Start of the day a text begins with, and what follows it."""
    if match := _ISO_DAY.match(text):
        year, month, day = (int(part) for part in match.groups())
    elif match := _OLD_DAY.match(text):
        day, month, year = (int(part) for part in match.groups())
        year += 1900 if len(match[3]) < 4 else 0
    else:
        return None, text
    try:
        midnight = datetime(year, month, day, tzinfo=UTC) if year in _YEARS else None
    except ValueError:
        midnight = None
    return midnight, text[match.end() :].removeprefix("T").strip()


def _since_midnight(text: str) -> timedelta | None:
    """Time since midnight UTC of the day it stands with; its offset from UTC taken off."""
    match = _CLOCK.fullmatch(text)
    if match is None:
        return None
    hours, minutes, zone_hours, zone_minutes = (int(match[i] or 0) for i in (1, 2, 5, 6))
    seconds = float((match[3] or "0").replace(",", "."))
    if hours > 23 or minutes > 59 or seconds >= 61 or zone_hours > 14 or zone_minutes > 59:
        return None
    zone = timedelta(hours=zone_hours, minutes=zone_minutes) * (-1 if match[4] == "-" else 1)
    return timedelta(hours=hours, minutes=minutes, seconds=seconds) - zone
