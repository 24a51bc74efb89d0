"""Frames of a running night made up from formulas, and small files, for the tests of watching."""

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.live_snapshot import LiveFrame
from starwinnow.stars import Stars

START = datetime(2031, 10, 14, 20, tzinfo=UTC)
SHAPE = (400, 600)
# NEA of a Moffat of beta 3 over FWHM^2: pi a^2 (2b-1)/(b-1)^2.
MOFFAT_3_NEA = 3.7771


def made_frame(
    number: int,
    *,
    light: float = 1.0,
    noise_adu: float = 10.0,
    fwhm_px: float = 3.0,
    field: int = 1,
    shift_px: float = 0.0,
    flags: FrameFlag | None = None,
    **card: object,
) -> FrameMeasures:
    """Sixty stars of a field, dimmed and shifted, and the figures that belong to them."""
    rng = np.random.default_rng(field)
    x, y = rng.uniform(20, 560, 60), rng.uniform(20, 380, 60)
    flux = light * np.sort(rng.uniform(20_000, 90_000, 60))[::-1]
    nea = MOFFAT_3_NEA * fwhm_px**2
    error = np.full(60, noise_adu * np.sqrt(nea))
    flat = np.ones(60)
    stars = Stars(
        x_px=x + shift_px + 0.1 * number,
        y_px=y - 0.05 * number,
        x_err_px=error / flux,
        y_err_px=error / flux,
        flux_adu=flux,
        flux_err_adu=error,
        peak_adu=flux / 10,
        fwhm_px=fwhm_px * flat,
        fwhm_err_px=0.1 * flat,
        hfr_px=0.63 * fwhm_px * flat,
        hfr_err_px=0.1 * flat,
        axis_ratio=0.95 * flat,
        axis_ratio_err=0.05 * flat,
        trail_deg=0 * flat,
        flags=np.zeros(60, np.int32),
    )
    capture = Capture(
        start_utc=START + timedelta(seconds=10 * number),
        exposure_s=8.0,
        filter_name="L",
        image_type="light",
        object_name="demo field",
    )
    return FrameMeasures(
        file_name=f"frame_{number:03d}.fits",
        shape=SHAPE,
        capture=replace(capture, **card),
        background_adu=1000.0 + 0.01 * number,
        background_err_adu=0.01 * noise_adu,
        noise_adu=noise_adu,
        star_count=60,
        fwhm_px=fwhm_px,
        fwhm_err_px=0.001 * fwhm_px,
        hfr_px=0.63 * fwhm_px,
        hfr_err_px=0.001 * fwhm_px,
        axis_ratio=0.95,
        axis_ratio_err=0.01,
        trail_deg=0.0,
        trail_err_deg=5.0,
        nea_px=nea,
        nea_err_px=0.001 * nea,
        profile=StarProfile(
            fwhm_px=fwhm_px, stretch1=0.0, stretch2=0.0, beta=3.0, radius_px=3 * fwhm_px
        ),
        stars=stars,
        average_star=_star_image(fwhm_px),
        average_star_err=np.full((33, 33), 0.001, np.float32),
        thumbnail=np.zeros((53, 80), np.uint8),
        flags=FrameFlag(0) if flags is None else flags,
    )


def _star_image(fwhm_px: float) -> NDArray[np.float32]:
    """A Moffat of beta 3, its sum 1."""
    y, x = np.indices((33, 33)) - 16.0
    half_px = 0.5 * fwhm_px / math.sqrt(2 ** (1 / 3) - 1)
    image = (1 + (x**2 + y**2) / half_px**2) ** -3.0
    return np.asarray(image / image.sum(), np.float32)


def starless(number: int) -> FrameMeasures:
    """A frame under thick cloud."""
    nan, empty = float("nan"), np.empty((0, 0), np.float32)
    names = (
        "fwhm_px", "fwhm_err_px", "hfr_px", "hfr_err_px", "axis_ratio", "axis_ratio_err",
        "trail_deg", "trail_err_deg", "nea_px", "nea_err_px",
    )  # fmt: skip
    return replace(
        made_frame(number),
        **dict.fromkeys(names, nan),
        star_count=0,
        profile=None,
        stars=Stars.empty(),
        average_star=empty,
        average_star_err=empty,
        flags=FrameFlag.NO_STARS,
    )


def live_frame(number: int, *, every_s: float = 10.0, **figures: object) -> LiveFrame:
    """A judged frame of run 1, as advice sees it."""
    moment = START + timedelta(seconds=every_s * number)
    frame = LiveFrame(
        file=f"frame_{number:03d}.fits",
        run=1,
        start_utc=moment,
        judged_utc=moment + timedelta(seconds=9),
        verdict="keep",
        kept=True,
        provisional=False,
        exposure_s=8.0,
        worth_s=7.5,
        worth_err_s=0.1,
        transparency=1.0,
        fwhm_px=2.9,
        hfr_px=1.8,
        hfr_err_px=0.01,
        axis_ratio=0.95,
        background_adu=1000.0,
        overlap=1.0,
        rotation_deg=0.0,
        dx_px=0.0,
        dy_px=0.0,
        stars=60,
    )
    return replace(frame, **figures)


def fits_bytes(number: int = 0, shape: tuple[int, int] = (160, 200)) -> bytes:
    """A small FITS file of 16-bit noise, padded to whole blocks."""
    rng = np.random.default_rng(number)
    cards = {
        "SIMPLE": "T", "BITPIX": "16", "NAXIS": "2", "NAXIS1": str(shape[1]),
        "NAXIS2": str(shape[0]), "BZERO": "32768", "EXPTIME": "8.0",
    }  # fmt: skip
    text = "".join(f"{name:8}= {value:>20}".ljust(80) for name, value in cards.items()) + "END"
    data = rng.normal(-31_000, 10, shape).astype(">i2").tobytes()
    return text.ljust(2880).encode() + data + bytes(-len(data) % 2880)
