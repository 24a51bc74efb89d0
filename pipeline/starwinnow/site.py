"""Where the Sun and a target stand above a site: worked out from time and place alone."""

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from starwinnow.frame import Capture

__all__ = [
    "airmass",
    "airmass_of",
    "altitude_deg",
    "site_of",
    "sun_altitude_deg",
    "sun_place",
]

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_DAY_S = 86_400.0
# Below this a target is not observed, or its header is wrong.
_LOWEST_DEG = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Site:
    """A place on Earth: degrees, north and east positive."""

    latitude_deg: float
    longitude_deg: float


def site_of(capture: Capture) -> Site | None:
    """Site by a frame's header; None where that does not say."""
    if capture.latitude_deg is None or capture.longitude_deg is None:
        return None
    return Site(latitude_deg=capture.latitude_deg, longitude_deg=capture.longitude_deg)


def altitude_deg(ra_deg: float, dec_deg: float, site: Site, moment: datetime) -> float:
    """Altitude of a place on the sky, without refraction, degrees.

    Sidereal time by the linear formula of 1982 (Aoki et al., A&A 105, 359, from memory); a
    catalogue place is taken for that of date, which is .1 degrees off for each 7 years from 2000.
    """
    days = (moment - _J2000).total_seconds() / _DAY_S
    sidereal_deg = 280.46061837 + 360.98564736629 * days
    hour_angle = math.radians(sidereal_deg + site.longitude_deg - ra_deg)
    latitude, dec = math.radians(site.latitude_deg), math.radians(dec_deg)
    sine = math.sin(latitude) * math.sin(dec)
    sine += math.cos(latitude) * math.cos(dec) * math.cos(hour_angle)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def airmass(altitude: float) -> float:
    """Air on the way at an altitude, degrees, over that at the zenith.

    Kasten & Young 1989, Applied Optics 28, 4735. NaN below 3 degrees.
    """
    if not altitude >= _LOWEST_DEG:
        return math.nan
    sine = math.sin(math.radians(altitude))
    return float(1 / (sine + 0.50572 * (altitude + 6.07995) ** -1.6364))


def airmass_of(capture: Capture) -> float:
    """Airmass of a frame's target at its start; NaN where it is not known."""
    site = site_of(capture)
    if (
        site is None
        or capture.target_ra_deg is None
        or capture.target_dec_deg is None
        or capture.start_utc is None
        or capture.date_only
    ):
        return math.nan
    return airmass(
        altitude_deg(capture.target_ra_deg, capture.target_dec_deg, site, capture.start_utc)
    )


def sun_place(moment: datetime) -> tuple[float, float]:
    """Right ascension and declination of the Sun, degrees.

    Low-precision formulas of the Astronomical Almanac, good to .01 degrees from 1950 to 2050
    (from memory).
    """
    days = (moment - _J2000).total_seconds() / _DAY_S
    mean_deg = 280.460 + 0.9856474 * days
    anomaly = math.radians(357.528 + 0.9856003 * days)
    longitude = math.radians(mean_deg + 1.915 * math.sin(anomaly) + 0.020 * math.sin(2 * anomaly))
    tilt = math.radians(23.439 - 0.0000004 * days)
    ra = math.atan2(math.cos(tilt) * math.sin(longitude), math.cos(longitude))
    dec = math.asin(math.sin(tilt) * math.sin(longitude))
    return math.degrees(ra) % 360, math.degrees(dec)


def sun_altitude_deg(capture: Capture) -> float:
    """Altitude of the Sun at a frame's start, degrees; NaN where it is not known."""
    site = site_of(capture)
    if site is None or capture.start_utc is None or capture.date_only:
        return math.nan
    return altitude_deg(*sun_place(capture.start_utc), site, capture.start_utc)
