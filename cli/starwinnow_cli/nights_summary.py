"""Several nights scored by one command, told in one table."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from starwinnow.night import NightSnapshot
from starwinnow_cli.screen import Emphasis, duration, pad, shorten, width

__all__ = ["NightLine", "night_line", "nights_summary"]

# All columns but the folder's name, with the spaces between them; one column stays free.
_FIXED_CELLS = 47


@dataclass(frozen=True, slots=True, kw_only=True)
class NightLine:
    """One night in the table.

    Attributes
    ----------
    folder : Path
    frames, runs, kept, left_out, unread : int
        How many files, runs, frames in the keep sets, frames scored and not kept, and files
        that could not be read.
    kept_worth_s : float
        What the keep sets are worth, s of each run's reference; NaN where times are not known.
    """

    folder: Path
    frames: int
    runs: int
    kept: int
    left_out: int
    unread: int
    kept_worth_s: float


def night_line(snapshot: NightSnapshot, folder: Path) -> NightLine:
    """Sum a night up, so that the night itself can be let go."""
    known = bool(snapshot.runs) and all(run.worth_in_seconds for run in snapshot.runs)
    worth_s = math.fsum(run.gain.kept_worth_s for run in snapshot.runs) if known else math.nan
    kept = sum(run.gain.kept for run in snapshot.runs)
    return NightLine(
        folder=folder,
        frames=len(snapshot.rows),
        runs=len(snapshot.runs),
        kept=kept,
        left_out=sum(run.gain.scored for run in snapshot.runs) - kept,
        unread=len(snapshot.unreadable),
        kept_worth_s=worth_s,
    )


def nights_summary(
    nights: Sequence[NightLine], skipped: int, out: Path | None, emphasis: Emphasis
) -> list[str]:
    """Give one line a night, their sum, and where the results are.

    Parameters
    ----------
    nights : sequence of NightLine
    skipped : int
        Folders that could not be scored.
    out : Path or None
        Folder of all results; None when each night holds its own.
    emphasis : Emphasis
    """
    cells = width()
    name_cells = cells - _FIXED_CELLS - 1
    header = (
        f"{pad('night', name_cells)} {'frames':>6} {'runs':>4} {'keep':>6} {'leave out':>9} "
        f"{'not read':>8} {'worth':>8}"
    )
    lines = [emphasis.bold(header)]
    lines += [_row(pad(_name(night.folder), name_cells), night) for night in nights]
    worths = [night.kept_worth_s for night in nights if math.isfinite(night.kept_worth_s)]
    total = NightLine(
        folder=Path(),
        frames=sum(night.frames for night in nights),
        runs=sum(night.runs for night in nights),
        kept=sum(night.kept for night in nights),
        left_out=sum(night.left_out for night in nights),
        unread=sum(night.unread for night in nights),
        kept_worth_s=math.fsum(worths) if worths else math.nan,
    )
    counted = "1 night" if len(nights) == 1 else f"{len(nights)} nights"
    lines.append(emphasis.bold(_row(pad(counted, name_cells), total)))
    if skipped:
        folders = "1 folder" if skipped == 1 else f"{skipped} folders"
        lines.append(f"{folders} could not be scored: the reasons are above.")
    place = (
        f"{shorten(str(out), cells - 40)}, a folder a night" if out else "starwinnow in each folder"
    )
    lines.append(f"Results     {place}")
    lines.append("Next        stack each night by its own keep.txt")
    return lines


def _row(name: str, night: NightLine) -> str:
    worth = "-" if math.isnan(night.kept_worth_s) else duration(night.kept_worth_s)
    return (
        f"{name} {night.frames:6d} {night.runs:4d} {night.kept:6d} {night.left_out:9d} "
        f"{night.unread:8d} {worth:>8}"
    )


def _name(folder: Path) -> str:
    return folder.resolve().name
