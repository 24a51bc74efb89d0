"""Numbers and times as files hold them."""

import math
from datetime import UTC, datetime

__all__ = ["six_digits", "utc_text"]


def six_digits(value: float | None) -> float | None:
    """Six significant digits; None, which JSON writes as null, where there is no number."""
    if value is None or not math.isfinite(value):
        return None
    return float(f"{value:.6g}")


def utc_text(moment: datetime | None) -> str | None:
    """UTC to the millisecond, such as 2024-03-09T21:04:05.250Z."""
    if moment is None:
        return None
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
