"""When an exposure began: the dates and times of day cards write, legal and not, to UTC."""

import re
from datetime import UTC, datetime, timedelta

from starwinnow.readers.cards import Header

__all__ = ["exposure_start"]

_ISO_DAY = re.compile(r"(\d{4})[-/](\d{1,2})[-/](\d{1,2})(?!\d)", re.ASCII)
_OLD_DAY = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{2,4})(?!\d)", re.ASCII)
_CLOCK = re.compile(
    r"(\d{1,2}):(\d{1,2})(?::(\d{1,2}(?:[.,]\d*)?))?\s*(?:Z|UTC?|([+-])(\d\d):?(\d\d))?",
    re.ASCII | re.IGNORECASE,
)
_LOCAL_TIME = re.compile(r"(?<!\bnot )\b(?:local|LT)\b", re.IGNORECASE)
_MJD_ZERO = datetime(1858, 11, 17, tzinfo=UTC)
_YEARS = range(1900, 2200)


def exposure_start(header: Header) -> tuple[datetime | None, bool]:
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
