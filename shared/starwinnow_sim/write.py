"""Writes rendered frames as FITS files, with the cards a capture program would write."""

import gzip
import io
import re
from collections.abc import Mapping, Sequence
from datetime import UTC
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow_sim.camera import Camera
from starwinnow_sim.field import StarField
from starwinnow_sim.frame_truth import FrameTruth
from starwinnow_sim.render import render_frame

__all__ = ["frame_header", "write_frame", "write_night"]

Card = str | int | float | bool


def write_night(
    folder: Path,
    *,
    field: StarField,
    night: Sequence[FrameTruth],
    camera: Camera,
    rng: np.random.Generator,
    object_name: str = "demo field",
    suffixes: Mapping[int, str] | None = None,
) -> list[Path]:
    """Render a night and write one file a frame.

    Parameters
    ----------
    folder : Path
        Where to; made if missing. Files of the same names are replaced.
    field : StarField
        What is in the sky.
    night : sequence of FrameTruth
        Conditions, in time order.
    camera : Camera
        Telescope and sensor.
    rng : numpy.random.Generator
        Source of chance of the noise; every frame gets a stream of its own.
    object_name : str
        Goes into the cards and, in lower case with hyphens, into the names of the files.
    suffixes : mapping of int to str, optional
        Frame number (from 1) to '.fits.gz' or '.fits.fz' for frames that are not plain '.fits'.

    Returns
    -------
    list of Path
        The files, in time order: `demo-field_0001.fits` and so on.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^a-z0-9]+", "-", object_name.lower()).strip("-")
    paths = []
    for number, (truth, noise) in enumerate(
        zip(night, rng.spawn(len(night)), strict=True), start=1
    ):
        suffix = (suffixes or {}).get(number, ".fits")
        path = folder / f"{stem}_{number:04d}{suffix}"
        header = frame_header(truth, camera, object_name=object_name)
        write_frame(path, render_frame(field, truth, camera, noise), header)
        paths.append(path)
    return paths


def write_frame(path: Path, pixels: NDArray[np.uint16], header: fits.Header) -> None:
    """Write one frame: plain FITS, gzipped for '.gz', Rice tiles for '.fz'.

    The same pixels and header always give the same bytes.
    """
    if path.suffix == ".fz":
        hdus = fits.HDUList(
            [fits.PrimaryHDU(), fits.CompImageHDU(pixels, header, compression_type="RICE_1")]
        )
    else:
        hdus = fits.HDUList([fits.PrimaryHDU(pixels, header)])
    buffer = io.BytesIO()
    hdus.writeto(buffer)
    written = buffer.getvalue()
    if path.suffix == ".gz":
        written = gzip.compress(written, mtime=0)
    path.write_bytes(written)


def frame_header(
    truth: FrameTruth,
    camera: Camera,
    *,
    object_name: str,
    more: Mapping[str, Card] | None = None,
) -> fits.Header:
    """Cards of one light frame; `more` adds cards or replaces them. What is not known is left out.

    DATE-OBS is the start of the exposure, UTC. EGAIN is electrons per ADU.
    """
    cards: dict[str, tuple[Card | None, str]] = {
        "IMAGETYP": ("Light", "kind of exposure"),
        "OBJECT": (object_name, "an invented field"),
        "DATE-OBS": (_iso_utc(truth), "start of exposure, UTC"),
        "EXPTIME": (truth.exposure_s, "[s] exposure time"),
        "FILTER": (camera.filter_name, "filter"),
        "XPIXSZ": (camera.pixel_um, "[um] pixel width"),
        "YPIXSZ": (camera.pixel_um, "[um] pixel height"),
        "XBINNING": (1, "binning"),
        "YBINNING": (1, "binning"),
        "FOCALLEN": (camera.focal_length_mm, "[mm] focal length"),
        "APTDIA": (camera.aperture_mm, "[mm] aperture"),
        "EGAIN": (camera.egain_e_per_adu, "[e/ADU] electrons per ADU"),
        "CCD-TEMP": (truth.sensor_temperature_c, "[degC] sensor temperature"),
        "FOCPOS": (truth.focuser_position, "[step] focuser position"),
        "BAYERPAT": (camera.bayer_pattern, "colours of the first 2x2 pixels"),
        "ORIGIN": ("starwinnow_sim", "rendered, not observed"),
    }
    header = fits.Header()
    for keyword, (value, comment) in cards.items():
        if value is not None:
            header[keyword] = (value, comment)
    for keyword, extra in (more or {}).items():
        header[keyword] = extra
    return header


def _iso_utc(truth: FrameTruth) -> str:
    """Start of the exposure as FITS wants it, to the millisecond."""
    start = truth.start_utc.astimezone(UTC).replace(tzinfo=None)
    return start.isoformat(timespec="milliseconds")
