"""Made-up readings and frames, for all that follows the fit of the spikes."""

import math
from datetime import UTC, datetime, timedelta
from pathlib import Path

from starwinnow.focus_mask.frame_focus import MaskedFrame
from starwinnow.focus_mask.reading import MaskReading, SpikedStar, SpikeTriple
from starwinnow.frame import Capture

EVENING = datetime(2024, 3, 9, 21, 0, tzinfo=UTC)
NAN = math.nan


def made_triple(
    offset_px: float = 0.0,
    error_px: float = 0.03,
    spike_deg: float = 37.0,
    lean: tuple[float, float] = (NAN, NAN),
) -> SpikeTriple:
    return SpikeTriple(
        offset_px=offset_px,
        offset_err_px=error_px,
        centre_deg=spike_deg,
        outer_deg=((spike_deg + 20) % 180, (spike_deg - 20) % 180),
        lean=lean[0],
        lean_err=lean[1],
    )


def made_reading(
    offset_px: float = 0.0,
    error_px: float = 0.03,
    spike_deg: float = 37.0,
    *,
    lean: tuple[float, float] = (NAN, NAN),
    snr: float = 300.0,
    saturated_px: int = 0,
) -> MaskReading:
    triple = made_triple(offset_px, error_px, spike_deg, lean)
    star = SpikedStar(
        x_px=200.0, y_px=150.0, triples=(triple,), spike_snr=snr, saturated_px=saturated_px
    )
    return MaskReading(
        kind="single", stars=(star,), offset_px=offset_px, offset_err_px=error_px, reason=""
    )


def nothing_seen(reason: str) -> MaskReading:
    return MaskReading(kind=None, stars=(), offset_px=NAN, offset_err_px=NAN, reason=reason)


def made_capture(minutes: float = 0.0, **more: object) -> Capture:
    """f/6 and 3.76 um, as a header tells them."""
    values = {
        "start_utc": EVENING + timedelta(minutes=minutes),
        "pixel_um": 3.76,
        "focal_length_mm": 480.0,
        "aperture_mm": 80.0,
    }
    return Capture(**(values | more))


def made_frame(
    offset_px: float = 0.0,
    error_px: float = 0.03,
    spike_deg: float = 37.0,
    *,
    name: str = "star.fits",
    minutes: float = 0.0,
) -> MaskedFrame:
    return MaskedFrame(
        path=Path(name),
        capture=made_capture(minutes),
        reading=made_reading(offset_px, error_px, spike_deg),
    )
