"""Frames of a run as a table of 80 columns, best first."""

import re
from collections.abc import Sequence

from starwinnow.night import FrameRow
from starwinnow.quantities import on_screen
from starwinnow_cli.screen import Emphasis, display_width, local_time, pad

__all__ = ["ranking_table", "verdict_words"]

_SUFFIX = re.compile(r"(\.(fits|fit|fts))?(\.(gz|fz))?$", re.IGNORECASE)
# All columns but the file's name, with the spaces between them; one column stays free.
_FIXED_CELLS = 62


def ranking_table(rows: Sequence[FrameRow], emphasis: Emphasis, cells: int) -> list[str]:
    """Header and one line a frame; 'leave out' stands out."""
    name_cells = cells - _FIXED_CELLS - 1
    header = (
        f"rank {pad('file', name_cells)} {'time':8} {'FWHM px':>11} {'HFR':>5} {'stars':>5} "
        f"{'light':>5} {'worth':>6} verdict"
    )
    lines = [emphasis.bold(header)]
    for row in rows:
        words = verdict_words(row)
        verdict = words if row.kept else emphasis.bold(words)
        lines.append(f"{_figures(row, name_cells)} {verdict}")
    return lines


def verdict_words(row: FrameRow) -> str:
    """Say what to do with a scored frame; a question mark where it may go either way."""
    doubt = "?" if row.verdict == "marginal" else ""
    return ("keep" if row.kept else "leave out") + doubt


def _name(file: str, cells: int) -> str:
    """Drop the suffix of a name that is too long: it tells frames apart least."""
    return file if display_width(file) <= cells else _SUFFIX.sub("", file)


def _figures(row: FrameRow, name_cells: int) -> str:
    size = on_screen("fwhm_px", row.fwhm_px)
    if size != "-":
        size += f" ±{on_screen('fwhm_err_px', row.fwhm_err_px)}"
    name = pad(_name(row.file, name_cells), name_cells)
    return (
        f"{on_screen('rank', row.rank):>4} {name} "
        f"{local_time(row.start_utc):8} {size:>11} {on_screen('hfr_px', row.hfr_px):>5} "
        f"{on_screen('stars', row.stars):>5} {on_screen('transparency', row.transparency):>5} "
        f"{on_screen('worth_s', row.worth_s):>6}"
    )
