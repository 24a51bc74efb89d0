"""FrameMeasures as the store keeps them: JSON and numpy arrays, no pickles.

`facts` is a JSON object of `FrameMeasures`, its `Capture`, `StarProfile` and `Streak`, with null
for what could not be measured. The arrays `stars` (one structured row a star), `average_star`,
`average_star_err` and `thumbnail` are in numpy's .npy form.
"""

import functools
import io
import json
import math
from collections.abc import Sequence
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures, StarProfile, Streak
from starwinnow.stars import Stars

__all__ = ["ARRAYS", "PARTS", "decode", "decode_array", "encode"]

ARRAYS = ("stars", "average_star", "average_star_err", "thumbnail")
PARTS = ("facts", *ARRAYS)
"""Names of the parts, in the order in which `encode` gives and `decode` takes them."""

# Magic, version and length of the header, in version 1.0 of numpy's .npy form.
_START_BYTES = 10


def encode(measures: FrameMeasures) -> list[str | bytes]:
    """Write measures as the parts named in `PARTS`."""
    facts = {
        field.name: _null_for_nan(getattr(measures, field.name))
        for field in fields(measures)
        if field.name not in ARRAYS
    }
    capture = {key: _null_for_nan(value) for key, value in asdict(measures.capture).items()}
    if measures.capture.start_utc is not None:
        capture["start_utc"] = measures.capture.start_utc.isoformat()
    facts["capture"] = capture
    facts["profile"] = asdict(measures.profile) if measures.profile else None
    facts["streak"] = asdict(measures.streak) if measures.streak else None
    facts["flags"] = int(measures.flags)
    arrays = {name: getattr(measures, name) for name in ARRAYS}
    arrays["stars"] = _star_table(measures.stars)
    text = json.dumps(facts, allow_nan=False)
    return [text, *(_array_bytes(arrays[name]) for name in ARRAYS)]


def decode(parts: Sequence[Any]) -> FrameMeasures:
    """Read measures back from what `encode` gave."""
    facts: dict[str, Any] = json.loads(parts[0])
    capture = facts.pop("capture")
    if capture["start_utc"] is not None:
        capture["start_utc"] = datetime.fromisoformat(capture["start_utc"])
    profile, streak = facts.pop("profile"), facts.pop("streak")
    flags, shape = facts.pop("flags"), facts.pop("shape")
    arrays = {name: decode_array(name, part) for name, part in zip(ARRAYS, parts[1:], strict=True)}
    figures: dict[str, Any] = {k: math.nan if v is None else v for k, v in facts.items()}
    return FrameMeasures(
        **figures,
        shape=(shape[0], shape[1]),
        capture=Capture(**capture),
        profile=None if profile is None else StarProfile(**profile),
        streak=None if streak is None else _streak(streak),
        flags=FrameFlag(flags),
        **arrays,
    )


def decode_array(name: str, part: bytes) -> Any:
    """Read one of the `ARRAYS` back: stars, or a picture."""
    array = _array_of(part)
    if name != "stars":
        return array
    return Stars(**{name: np.ascontiguousarray(array[name]) for name in array.dtype.names or ()})


def _streak(ends: dict[str, list[float]]) -> Streak:
    (x0, y0), (x1, y1) = ends["start_px"], ends["end_px"]
    return Streak(start_px=(x0, y0), end_px=(x1, y1))


def _null_for_nan(value: Any) -> Any:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _star_table(stars: Stars) -> NDArray[Any]:
    columns = {field.name: getattr(stars, field.name) for field in fields(stars)}
    table = np.empty(len(stars), [(name, column.dtype) for name, column in columns.items()])
    for name, column in columns.items():
        table[name] = column
    return table


def _array_bytes(array: NDArray[Any]) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=False)
    return buffer.getvalue()


def _array_of(content: bytes) -> NDArray[Any]:
    """Read what `_array_bytes` gave; most time goes into headers, which are mostly alike."""
    start = _START_BYTES + int.from_bytes(content[_START_BYTES - 2 : _START_BYTES], "little")
    shape, is_by_columns, dtype = _layout(content[:start])
    values = np.frombuffer(content, dtype, offset=start)
    return values.reshape(shape, order="F" if is_by_columns else "C").copy("K")


@functools.lru_cache(maxsize=1024)
def _layout(header: bytes) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    """Shape, order and type of the elements, as numpy reads them from a header."""
    file = io.BytesIO(header)
    np.lib.format.read_magic(file)
    return np.lib.format.read_array_header_1_0(file)
