"""The rig: what frames' headers may leave out about telescope, camera, focuser, site and mask."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from starwinnow.errors import RigError

__all__ = ["Chevron", "LearntDirection", "MoveUnit", "Rig", "learnt_table", "rig_from_tables"]

Chevron = Literal["+", "-"]
MoveUnit = Literal["turn", "step", "um"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LearntDirection:
    """What a known move of the focuser did to the centre spike of the focus mask.

    Attributes
    ----------
    px_per_unit, px_per_unit_err : float
        Change of the spike offset for one unit moved out, px, positive towards `spike_deg` + 90,
        and its standard error.
    unit : {'turn', 'step', 'um'}
        Unit of the move.
    spike_deg : float
        Direction of the centre spike at that time, from +x towards +y, degrees.
    binning : int
        Binning of the frames.
    mark_up : bool
        Whether the observer stated that the mask's mark sat where it belongs.
    when_utc : datetime
        Time of the frame after the move, UTC.
    chevron : {'+', '-'} or None
        Which way the outer slits lean, where the move told.
    """

    px_per_unit: float
    px_per_unit_err: float
    unit: MoveUnit
    spike_deg: float
    binning: int
    mark_up: bool
    when_utc: datetime
    chevron: Chevron | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """What the observer says about the gear; None where nothing is said.

    Attributes
    ----------
    focal_length_mm, aperture_mm : float or None
        Telescope, mm.
    obstruction : float or None
        Diameter of the central obstruction over that of the aperture; 0 for a refractor.
    pixel_um : float or None
        Size of one pixel of the sensor, without binning, um.
    um_per_turn, um_per_step : float or None
        Travel of the focuser for one turn of its knob, or one step of its motor, um.
    in_turn : {'clockwise', 'counterclockwise'} or None
        Turn of the knob that moves the camera in, towards the lens or mirror.
    in_steps : {'up', 'down'} or None
        How the motor's position changes when the camera moves in.
    latitude_deg, longitude_deg : float or None
        Site, degrees, north and east positive.
    elevation_m : float or None
        Height of the site above the sea, m.
    time_zone : str or None
        Local time zone by its name in the time zone database, such as 'Atlantic/Azores'.
    chevron : {'+', '-'} or None
        Outer slits of the focus mask seen from its half with the straight slits outwards:
        they run apart ('+') or together ('-').
    mark : str or None
        Where the mark on the mask belongs, in the observer's words.
    learnt : LearntDirection or None
        What the last known move taught.
    """

    focal_length_mm: float | None = None
    aperture_mm: float | None = None
    obstruction: float | None = None
    pixel_um: float | None = None
    um_per_turn: float | None = None
    um_per_step: float | None = None
    in_turn: Literal["clockwise", "counterclockwise"] | None = None
    in_steps: Literal["up", "down"] | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    time_zone: str | None = None
    chevron: Chevron | None = None
    mark: str | None = None
    learnt: LearntDirection | None = None


# A check gives the value as the rig holds it, or None for a value that is not allowed.
_Check = Callable[[object], Any]


@dataclass(frozen=True, slots=True)
class _Entry:
    allowed: str
    check: _Check


def _number(least: float, most: float, allowed: str, *, least_too: bool = True) -> _Entry:
    def check(value: object) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            return None
        inside = least <= value <= most and (least_too or value > least)
        return float(value) if inside else None

    return _Entry(allowed, check)


def _positive(unit: str) -> _Entry:
    return _number(0, 1e9, f"a number above 0 ({unit})", least_too=False)


def _choice(*words: str) -> _Entry:
    allowed = " or ".join(f'"{word}"' for word in words)
    return _Entry(allowed, lambda value: value if value in words else None)


def _text(value: object) -> str | None:
    return value.strip() or None if isinstance(value, str) else None


def _time_zone(value: object) -> str | None:
    try:
        return ZoneInfo(value).key if isinstance(value, str) else None
    except (KeyError, ValueError, OSError):
        return None


def _moment(value: object) -> datetime | None:
    return value if isinstance(value, datetime) and value.tzinfo is not None else None


def _nonzero(value: object) -> float | None:
    number: float | None = _number(-1e9, 1e9, "").check(value)
    return number or None


_SECTIONS: dict[str, dict[str, _Entry]] = {
    "telescope": {
        "focal_length_mm": _positive("mm"),
        "aperture_mm": _positive("mm"),
        "obstruction": _number(
            0, 0.8, "a number from 0 (none) to 0.8, its diameter over the aperture's"
        ),
    },
    "camera": {"pixel_um": _positive("um")},
    "focuser": {
        "um_per_turn": _positive("um"),
        "um_per_step": _positive("um"),
        "in_turn": _choice("clockwise", "counterclockwise"),
        "in_steps": _choice("up", "down"),
    },
    "site": {
        "latitude_deg": _number(-90, 90, "a number from -90 to 90 (degrees, north positive)"),
        "longitude_deg": _number(-180, 180, "a number from -180 to 180 (degrees, east positive)"),
        "elevation_m": _number(-500, 9000, "a number from -500 to 9000 (m)"),
        "time_zone": _Entry('a name of the time zone database, such as "Asia/Tokyo"', _time_zone),
    },
    "mask": {
        "chevron": _choice("+", "-"),
        "mark": _Entry('words that say where the mark belongs, such as "up"', _text),
    },
}
_LEARNT: dict[str, _Entry] = {
    "unit": _choice("turn", "step", "um"),
    "px_per_unit": _Entry("a number other than 0 (px)", _nonzero),
    "px_per_unit_err": _positive("px"),
    "spike_deg": _number(0, 180, "a number from 0 to 180 (degrees)"),
    "binning": _Entry(
        "a whole number, 1 or more",
        lambda value: value if isinstance(value, int) and value is not True and value > 0 else None,
    ),
    "mark_up": _Entry("true or false", lambda value: value if isinstance(value, bool) else None),
    "when_utc": _Entry("a date and time with its offset, such as 2024-03-09T21:04:05Z", _moment),
    "chevron": _choice("+", "-"),
}
_AGAIN = "Learn it again with starwinnow mask --moved, or take [learnt] out."


def rig_from_tables(tables: Mapping[str, object]) -> Rig:
    """Check the contents of a rig file.

    Parameters
    ----------
    tables : mapping
        The file's tables as TOML gives them.

    Raises
    ------
    RigError
        For a section, key or value that is not allowed; its text names the key, the value and
        what is allowed, but not the file.
    """
    values: dict[str, Any] = {}
    for section, table in tables.items():
        if section != "learnt":
            _check_name(section, [*_SECTIONS, "learnt"], "section")
            values |= _checked(section, table, _SECTIONS[section])
    return Rig(**values, learnt=_learnt(tables.get("learnt")))


def learnt_table(learnt: LearntDirection) -> dict[str, object]:
    """Turn a learnt direction into the values of the section [learnt], to four digits.

    What is None is left out.
    """
    values = {key: getattr(learnt, key) for key in _LEARNT}
    return {
        key: float(f"{value:.4g}") if isinstance(value, float) else value
        for key, value in values.items()
        if value is not None
    }


def _learnt(table: object) -> LearntDirection | None:
    if table is None:
        return None
    values = _checked("learnt", table, _LEARNT)
    missing = [key for key in _LEARNT if key not in values and key != "chevron"]
    if missing:
        raise RigError(f"[learnt] lacks {', '.join(missing)}. {_AGAIN}")
    return LearntDirection(**values)


def _checked(section: str, table: object, entries: Mapping[str, _Entry]) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        raise RigError(f"{section} = {_shown(table)}: expected a section, [{section}]")
    values = {}
    for key, value in table.items():
        _check_name(key, list(entries), f"key in [{section}]")
        values[key] = entries[key].check(value)
        if values[key] is None:
            raise RigError(f"[{section}] {key} = {_shown(value)}: expected {entries[key].allowed}")
    return values


def _check_name(name: str, allowed: list[str], what: str) -> None:
    if name not in allowed:
        raise RigError(f"{name!r} is no known {what}. Known are: {', '.join(allowed)}")


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float) and not math.isfinite(value):
        return str(value)
    return f'"{value}"' if isinstance(value, str) else str(value)
