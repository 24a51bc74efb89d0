"""The registry of numbers covers what is written, in the promised order."""

from dataclasses import fields
from pathlib import Path

import pytest
from astropy import units

from starwinnow.night import FrameRow
from starwinnow.quantities import FRAME_COLUMNS, RUN_FIGURES, columns_page, on_screen

ROOT = Path(__file__).parents[1]

# The promised columns of frames.ecsv: changing one is a new schema version.
PROMISED = [
    "file",
    "run",
    "start_utc",
    "exposure_s",
    "stars",
    "background_adu",
    "noise_adu",
    "fwhm_px",
    "fwhm_err_px",
    "fwhm_arcsec",
    "hfr_px",
    "hfr_err_px",
    "axis_ratio",
    "axis_ratio_err",
    "trail_deg",
    "nea_px",
    "transparency",
    "transparency_err",
    "dx_px",
    "dy_px",
    "rotation_deg",
    "overlap",
    "worth_s",
    "worth_err_s",
    "weight",
    "rank",
    "verdict",
    "causes",
    "note",
]


def test_columns_are_the_promised_ones_in_order() -> None:
    assert [quantity.name for quantity in FRAME_COLUMNS] == PROMISED


def test_every_column_is_a_field_of_a_row() -> None:
    assert [field.name for field in fields(FrameRow)] == [*PROMISED, "kept"]


@pytest.mark.parametrize("quantity", [*FRAME_COLUMNS, *RUN_FIGURES], ids=lambda q: q.name)
def test_units_are_in_the_names_and_in_the_standard(quantity) -> None:
    """Units are read by astropy as the FITS standard spells them."""
    endings = {"adu": "_adu", "pix": "_px", "arcsec": "_arcsec", "deg": "_deg", "s": "_s"}
    if quantity.unit:
        assert quantity.name.endswith(endings[quantity.unit])
        units.Unit(quantity.unit, format="fits")
    else:
        assert not quantity.name.endswith(tuple(endings.values()))
    assert quantity.meaning
    assert not quantity.meaning.endswith(".")


def test_the_page_of_columns_is_not_stale() -> None:
    assert (ROOT / "docs/columns.md").read_text(encoding="utf-8") == columns_page()


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("fwhm_px", 3.14159, "3.14"),
        ("fwhm_px", float("nan"), "-"),
        ("rank", None, "-"),
        ("rank", 12, "12"),
        ("worth_s", float("inf"), "-"),
    ],
)
def test_screens_show_a_dash_for_what_is_not_known(name, value, text) -> None:
    assert on_screen(name, value) == text
