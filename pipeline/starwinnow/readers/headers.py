"""Header cards to a `Capture`: what no card says, or says impossibly, is None."""

import math
import re
from collections.abc import Mapping

from starwinnow.frame import Capture
from starwinnow.readers.bayer import pattern_at_origin
from starwinnow.readers.cards import Header, number_in
from starwinnow.readers.start_time import exposure_start

__all__ = ["read_capture"]

_ARCSEC_PER_UM_MM = 206.264806
_KELVIN = 273.15
# The sensor of no camera is this hot in Celsius or this cold in kelvin.
_LEAST_KELVIN = 150.0
_IMAGE_TYPES = (
    ("dark", "dark"), ("flat", "flat"), ("bias", "bias"), ("zero", "bias"), ("offset", "bias"),
)  # fmt: skip
_LIGHT_WORDS = frozenset({"light", "object", "science", "target", "expose", "exposure"})
_SEXAGESIMAL = re.compile(
    r"([NSEW])?\s*([+-])?\s*(\d+(?:[.,]\d*)?)"
    r"(?:[\s:°dh]+(\d+(?:[.,]\d*)?))?(?:[\s:'′m]+(\d+(?:[.,]\d*)?))?[\s°'′\"″dms]*([NSEW])?"
)
_SMALL_UNITS = (
    (re.compile(r"\[ms\]|\bmilliseconds?\b", re.IGNORECASE), 1e3),
    (re.compile(r"\[us\]|\bmicroseconds?\b", re.IGNORECASE), 1e6),
)


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
    header = Header(cards, comments or {})
    start_utc, date_only = exposure_start(header)
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
        target_ra_deg=_right_ascension(header),
        target_dec_deg=_declination(header),
        focuser_position=next((value for value, _ in header.numbers("focuser_position")), None),
        binning_x=_binning(header, "binning_x") or binning[0],
        binning_y=_binning(header, "binning_y") or binning[1],
        bayer_pattern=_bayer_pattern(header),
        scale_arcsec=header.positive("scale_arcsec") or _scale(pixel_um, focal_mm),
        saturation_adu=header.positive("saturation_adu"),
    )


def _exposure(header: Header) -> float | None:
    """Seconds; the comment may state a smaller unit, as '[ms]' (clause 4.3.2) or in words."""
    for value, comment in header.numbers("exposure_s"):
        if value > 0:
            parts_a_second = next((n for unit, n in _SMALL_UNITS if unit.search(comment)), 1.0)
            return value / parts_a_second
    return None


def _temperature(header: Header, field: str) -> float | None:
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


def _angle(header: Header, field: str, most_deg: float) -> float | None:
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
    number = number_in(text)
    match = _SEXAGESIMAL.fullmatch(text)
    if number is not None or match is None:
        return number, ""
    degrees, minutes, seconds = (float((match[i] or "0").replace(",", ".")) for i in (3, 4, 5))
    if minutes >= 60 or seconds >= 60:
        return None, ""
    value = degrees + minutes / 60 + seconds / 3600
    return -value if match[2] == "-" else value, f"{match[1]}{match[6]}"


def _right_ascension(header: Header) -> float | None:
    """Degrees: of a number as it is, of 'H M S' text, or of hours by the comment, times 15."""
    for text, comment in header.texts("target_ra_deg"):
        value, _ = _degrees(text)
        in_hours = number_in(text) is None or re.search(r"\bhours?\b|\bh\b", comment)
        if value is not None and 0 <= value < (24 if in_hours else 360):
            return 15 * value if in_hours else value
    return None


def _declination(header: Header) -> float | None:
    """Degrees of a number or of 'D M S' text."""
    for text, _ in header.texts("target_dec_deg"):
        value, _ = _degrees(text)
        if value is not None and abs(value) <= 90:
            return value
    return None


def _image_type(header: Header) -> str | None:
    for text, _ in header.texts("image_type"):
        letters = re.sub(r"[^a-z]|frame$", "", text.lower())
        if letters in _LIGHT_WORDS:
            return "light"
        for word, image_type in _IMAGE_TYPES:
            if word in letters:
                return image_type
    return None


def _binning(header: Header, field: str) -> int | None:
    values = (value for value, _ in header.numbers(field))
    return next((int(v) for v in values if v.is_integer() and 1 <= v <= 64), None)


def _binning_pair(header: Header) -> tuple[int | None, int | None]:
    """Both binnings from one card such as '2x2', '1 1' or 2."""
    for text, _ in header.texts("binning"):
        match = re.fullmatch(r"([1-9]\d?)(?:\s*[x*, ]\s*([1-9]\d?))?", text.lower(), re.ASCII)
        if match:
            return int(match[1]), int(match[2] or match[1])
    return None, None


def _bayer_pattern(header: Header) -> str | None:
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
