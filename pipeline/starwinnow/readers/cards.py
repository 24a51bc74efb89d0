"""Cards of a header: names, values and comments, in the dialects cameras write.

No standard defines most of these names: the aliases are common practice, no source, where the
FITS standard (version 4.0) does not give them. A card that is missing, empty or impossible is
passed over for the next alias.
"""

import math
import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

__all__ = ["CARD_NAMES", "Header", "number_in", "parse_card", "text_in"]

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
    "target_ra_deg": ("RA", "OBJCTRA"),
    "target_dec_deg": ("DEC", "OBJCTDEC"),
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

_MOST_TEXT = 200
_VALUE = re.compile(
    r"=\s*(?:'(?P<text>(?:[^']|'')*)'?"
    r"|(?P<number>[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?)(?=\s|/(?!\d+/\d)|$)"
    r"|(?P<logical>[TF])(?=\s|/|$)"
    r"|(?P<bare>(?!/).*?)(?=\s/|$))"
    r"[^/]*(?:/\s*(?P<comment>.*))?",
    re.ASCII | re.DOTALL,
)
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?", re.ASCII)


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


@dataclass(frozen=True, slots=True)
class Header:
    """Cards of one image by name, with their comments; fields are those of `CARD_NAMES`."""

    cards: Mapping[str, object]
    comments: Mapping[str, str]

    def numbers(self, field: str) -> Iterator[tuple[float, str]]:
        """Finite numbers of a field's cards, with comments, in order of belief."""
        for name in CARD_NAMES[field]:
            # Most are missing: that is told without a call.
            value = number_in(self.cards[name]) if name in self.cards else None
            if value is not None:
                yield value, self.comments.get(name, "")

    def texts(self, field: str) -> Iterator[tuple[str, str]]:
        """Texts that are not empty, with comments, in order of belief."""
        for name in CARD_NAMES[field]:
            value = text_in(self.cards[name]) if name in self.cards else None
            if value is not None:
                yield value, self.comments.get(name, "")

    def positive(self, field: str) -> float | None:
        """Return the first number above zero."""
        return next((value for value, _ in self.numbers(field) if value > 0), None)

    def text(self, field: str) -> str | None:
        """Return the first text that is not empty."""
        return next((value for value, _ in self.texts(field)), None)

    def whole(self, *names: str) -> int | None:
        """First of some cards that holds a whole number."""
        for name in names:
            value = number_in(self.cards.get(name))
            if value is not None and value.is_integer():
                return int(value)
        return None


def number_in(value: object) -> float | None:
    """Take a finite number or a text that is one; a comma is a decimal comma."""
    if isinstance(value, str):
        text = value.strip().replace(",", ".").upper().replace("D", "E")
        value = float(text) if _NUMBER.fullmatch(text) else None
    # A pair of types: their union is made anew at each call.
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def text_in(value: object) -> str | None:
    """Text without control characters, or a number as text; None when nothing is left."""
    if not isinstance(value, str):
        return None if number_in(value) is None else str(value)
    kept = "".join(c for c in value if unicodedata.category(c)[0] != "C")
    return kept.strip()[:_MOST_TEXT].strip() or None
