"""Every number that leaves the program, registered once: name, unit, meaning, screen format."""

import math
import sys
from dataclasses import dataclass
from typing import Literal

__all__ = ["FRAME_COLUMNS", "RUN_FIGURES", "Kind", "Quantity", "columns_page", "on_screen"]

Kind = Literal["text", "whole", "number"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One named figure.

    Attributes
    ----------
    name : str
        Its name in files; the unit is part of it.
    kind : {'text', 'whole', 'number'}
        Words, a whole number, or a number that is NaN where it could not be measured.
    unit : str
        In the spelling of the FITS standard and of ECSV; empty for a pure number or words.
    meaning : str
        One plain sentence, without a full stop.
    format : str
        How screens show it, a Python format specification; files hold six significant digits.
    """

    name: str
    kind: Kind
    unit: str
    meaning: str
    format: str


def _text(name: str, meaning: str) -> Quantity:
    return Quantity(name=name, kind="text", unit="", meaning=meaning, format="")


def _whole(name: str, meaning: str) -> Quantity:
    return Quantity(name=name, kind="whole", unit="", meaning=meaning, format="d")


def _number(name: str, unit: str, meaning: str, spec: str) -> Quantity:
    return Quantity(name=name, kind="number", unit=unit, meaning=meaning, format=spec)


FRAME_COLUMNS: tuple[Quantity, ...] = (
    _text("file", "name of the file inside its folder"),
    _whole(
        "run", "number of the run: frames of one field, filter, exposure, binning and image size"
    ),
    _text("start_utc", "start of the exposure, UTC"),
    _number("exposure_s", "s", "exposure time", ".3g"),
    _whole("stars", "stars behind the star figures"),
    _number("background_adu", "adu", "level between the stars", ".0f"),
    _number("noise_adu", "adu", "standard deviation of one pixel between the stars", ".2f"),
    _number(
        "fwhm_px",
        "pix",
        "full width at half maximum of the star as imaged, geometric mean of its two axes",
        ".2f",
    ),
    _number("fwhm_err_px", "pix", "standard error of fwhm_px", ".2f"),
    _number("fwhm_arcsec", "arcsec", "fwhm_px on the sky, where the scale is known", ".2f"),
    _number(
        "hfr_px",
        "pix",
        "half-flux radius: encloses half of the star's flux inside R = max(8 px, 3 FWHM)",
        ".2f",
    ),
    _number("hfr_err_px", "pix", "standard error of hfr_px", ".2f"),
    _number("axis_ratio", "", "minor over major axis of the average star, 1 is round", ".2f"),
    _number("axis_ratio_err", "", "standard error of axis_ratio", ".2f"),
    _number(
        "trail_deg",
        "deg",
        "direction of the average star's long axis, from +x (columns) towards +y (rows)",
        ".0f",
    ),
    _number(
        "nea_px",
        "pix",
        "noise-equivalent area of the star as imaged, 1/sum(P^2), a count of pixels",
        ".1f",
    ),
    _number(
        "transparency",
        "",
        "flux of the same stars over that in the reference, without what their places on the"
        " sensor do to it",
        ".3f",
    ),
    _number("transparency_err", "", "standard error of transparency", ".3f"),
    _number("dx_px", "pix", "shift of the stars along x against the reference", ".1f"),
    _number("dy_px", "pix", "shift of the stars along y against the reference", ".1f"),
    _number("rotation_deg", "deg", "turn of the field against the reference, +x to +y", ".3f"),
    _number("overlap", "", "part of the reference's area that the frame sees", ".2f"),
    _number(
        "worth_s",
        "s",
        "what the frame adds to the stack of the reference's area, in equivalent seconds of the"
        " reference; a number of reference frames where no exposure time is known",
        ".2f",
    ),
    _number("worth_err_s", "s", "standard error of worth_s", ".2f"),
    _number("weight", "", "weight of the frame in a weighted stack, 1 is the reference", ".3f"),
    _whole("rank", "place in its run by worth, 1 is the best"),
    _text("verdict", "keep, marginal, leave-out or not-scored"),
    _text("causes", "why a frame lost worth, weightiest first, parted by ';'"),
    _text("note", "what limits the figures, or why a file could not be read"),
)

RUN_FIGURES: tuple[Quantity, ...] = (
    _whole("frames", "light frames of the run that could be read"),
    _number("collected_s", "s", "exposure time of these frames together", ".0f"),
    _number(
        "all_worth_s",
        "s",
        "worth of all scored frames together, in equivalent seconds of the reference",
        ".0f",
    ),
    _number("kept_worth_s", "s", "worth of the keep set, in the same unit", ".0f"),
    _number(
        "keep_snr",
        "",
        "predicted signal-to-noise of the mean of the keep set over that of all scored frames",
        ".3f",
    ),
    _number(
        "weighted_snr",
        "",
        "the same for the weighted mean of all scored frames, each by its weight",
        ".3f",
    ),
    _number(
        "corner_light",
        "",
        "light of a star in the corners over that in the middle, where the run's stars tell",
        ".2f",
    ),
    _number(
        "all_fwhm_px", "pix", "predicted FWHM of stars in the mean of all scored frames", ".2f"
    ),
    _number("keep_fwhm_px", "pix", "predicted FWHM of stars in the mean of the keep set", ".2f"),
)

_SCREEN = {quantity.name: quantity for quantity in (*FRAME_COLUMNS, *RUN_FIGURES)}


def on_screen(name: str, value: float | None) -> str:
    """Write a registered number as screens show it; '-' where it is not known."""
    if value is None or not math.isfinite(value):
        return "-"
    return format(value, _SCREEN[name].format)


def columns_page() -> str:
    """Write `docs/columns.md`: what every column and figure means."""
    return "\n".join(
        [
            "# Columns of frames.ecsv and figures of night.json",
            "",
            "Written by `python -m starwinnow.quantities > docs/columns.md`.",
            "",
            "`frames.ecsv` has one row a file, in time order. A figure that could not be",
            "measured is `nan` there and `null` in `night.json`; a whole number that is not known",
            "and words that there is no need for are left empty. Files hold six significant",
            "digits. The first pixel's centre is (0, 0); x is the column. Errors are standard",
            "errors (1 sigma).",
            "",
            *_markdown_table(FRAME_COLUMNS),
            "",
            "## Figures of a run in night.json",
            "",
            *_markdown_table(RUN_FIGURES),
            "",
        ]
    )


def _markdown_table(quantities: tuple[Quantity, ...]) -> list[str]:
    rows = [f"| `{q.name}` | {q.unit} | {q.meaning} |" for q in quantities]
    return ["| name | unit | meaning |", "|---|---|---|", *rows]


if __name__ == "__main__":
    sys.stdout.write(columns_page())
