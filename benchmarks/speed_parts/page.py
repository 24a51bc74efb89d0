"""The tables of the page, each with the checks of its limits."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speed_parts.chains import FILTERED, FLOOR, OURS, PHOTUTILS, SEP, Found, versions
from speed_parts.frames import FWHM_PX, SIZES, Drawn, description, true_hfr_px
from speed_parts.timing import FEW, Check, Timed, milliseconds, spread

__all__ = [
    "NO_PHOTUTILS_FROM", "Race", "encoding_table", "introduction", "other_table", "race_tables",
    "stage_table",
]  # fmt: skip

# Mpx from which photutils is not timed.
NO_PHOTUTILS_FROM = 26


@dataclass(frozen=True)
class Race:
    """All chains timed on the frame of one size."""

    mpx: int
    drawn: Drawn
    timed: Mapping[str, Timed[Found | None]]

    def ratio(self, other: str) -> str:
        """Our time over another's."""
        if other not in self.timed:
            return self.absence()
        ratios = self.timed[OURS].over(self.timed[other])
        return spread(ratios, 3 if np.median(ratios) < 1 else 1)

    def absence(self) -> str:
        """Say why photutils was not timed."""
        return "not timed" if self.mpx >= NO_PHOTUTILS_FROM else "not installed"

    def checks(self) -> dict[str, Check]:
        """Limits of the ratios, by what they are to."""
        size, ours = SIZES[self.mpx], self.timed[OURS]
        return {
            other: Check(f"{self.mpx} Mpx over {other}", ours.over(self.timed[other]), most)
            for other, most in ((SEP, size.over_sep), (FLOOR, size.over_floor))
            if np.isfinite(most)
        }


def introduction(repeats: int, load: float, loop: Timed[int]) -> list[str]:
    """Say what is measured, and how; `loop` is the control."""
    loop_s = np.median(loop.seconds)
    return f"""# Speed and memory

Written by `python benchmarks/speed.py`: one process on one core, one thread, {repeats} interleaved
repeats; medians with their range. Only ratios can be compared between machines, and hours of one:
ten million additions in a loop of plain Python took {loop_s:.2f} s on this one. Its load was
{load:.1f} when this began; {versions()}.

{description()}. The system has
the files in its cache.

- ours: `measure(read_frame(path, lasting=False))`, as `score` does: from the file to all figures.
- sep: on the frame already loaded as float32, `Background`, subtraction, `extract` (5 sigma,
  `filter_kernel=None`) and `flux_radius`; filtering: the same with `extract`'s default kernel.
- photutils: on the loaded frame too, `Background2D` (cells of 64 px), subtraction, `DAOStarFinder`
  (5 sigma, the true FWHM, its default limits) and sums in ten apertures a star, from which the
  half-flux radius; up to 9 Mpx, {min(repeats, FEW)} repeats.
- floor: the file's bytes read once and written once as float32, into memory that is there already.
""".splitlines()


def race_tables(races: list[Race]) -> tuple[list[str], list[Check]]:
    """Our time beside the others', all times, and what was found in them."""
    checks = {race.mpx: race.checks() for race in races}
    lines = [
        "Our time over that of the others:",
        "",
        *_head("frame", "ours, ms", "over sep", "limit", "over sep, filtering", "over photutils",
               "over the floor", "limit"),
    ]  # fmt: skip
    for race in races:
        limits = {other: check.limit for other, check in checks[race.mpx].items()}
        lines.append(_row(
            f"{race.mpx} Mpx", milliseconds(race.timed[OURS].seconds), race.ratio(SEP),
            limits[SEP], race.ratio(FILTERED), race.ratio(PHOTUTILS), race.ratio(FLOOR),
            limits.get(FLOOR, "none"),
        ))  # fmt: skip
    lines += ["", "Times, ms:", "", *_head("frame", OURS, SEP, FILTERED, PHOTUTILS, FLOOR)]
    for race in races:
        cells = [
            milliseconds(race.timed[name].seconds) if name in race.timed else race.absence()
            for name in (OURS, SEP, FILTERED, PHOTUTILS, FLOOR)
        ]
        lines.append(_row(f"{race.mpx} Mpx", *cells))
    lines += _accuracy_table(races)
    return lines, [check for of_size in checks.values() for check in of_size.values()]


def _accuracy_table(races: list[Race]) -> list[str]:
    lines = [
        "",
        "What was found in that time. A drawn star is found where an object lies within one FWHM of"
        " it; what is",
        "beyond that, or a second object of one star, is false. Ours keeps the 1,500 most"
        " significant objects of a",
        "frame at most; what it flags as no star or as too faint counts here too. FWHM and"
        " half-flux radius (HFR):",
        "the median of the objects that are drawn stars, against the drawn"
        f" {FWHM_PX} px and {true_hfr_px():.3f} px. Ours",
        "counts the light within three FWHM alone, of which half lies within"
        f" {true_hfr_px(3 * FWHM_PX):.3f} px: {true_hfr_px(3 * FWHM_PX) / true_hfr_px() - 1:+.1%}.",
        "",
        *_head("frame", "by", "stars drawn", "found", "false", "FWHM", "HFR"),
    ]
    for race in races:
        for name, timed in race.timed.items():
            if timed.given is None:
                continue
            right, count = timed.given.beside(race.drawn)
            lines.append(_row(
                f"{race.mpx} Mpx", name, str(len(race.drawn.places_px)), str(count),
                str(len(right) - count), _error(timed.given.fwhm_px, right, FWHM_PX),
                _error(timed.given.hfr_px, right, true_hfr_px()),
            ))  # fmt: skip
    return lines


def _error(found_px: NDArray[np.float64] | None, right: NDArray[np.bool_], true_px: float) -> str:
    if found_px is None:
        return "not given"
    return f"{100 * (np.nanmedian(found_px[right]) / true_px - 1):+.1f}%"


def encoding_table(pairs: Mapping[str, tuple[Timed[Any], Timed[Any]]], mpx: int) -> list[str]:
    """Our time for each encoding of a frame, beside astropy's for reading it."""
    lines = [
        "",
        f"The {mpx} Mpx frame in other encodings: ours, reading and measuring, beside reading the"
        " same file by astropy:",
        "",
        *_head("encoding", "ours, ms", "reading by astropy, ms", "ratio"),
    ]
    for name, (ours, reading) in pairs.items():
        times = milliseconds(ours.seconds), milliseconds(reading.seconds)
        lines.append(_row(name, *times, spread(ours.over(reading), 2)))
    return lines


def stage_table(profiles: Mapping[int, Mapping[str, NDArray[np.float64]]]) -> list[str]:
    """Where our time goes, stage by stage."""
    lines = [
        "",
        "Where our time goes, ms:",
        "",
        *_head("stage", *(f"{mpx} Mpx" for mpx in profiles)),
    ]
    for stage in next(iter(profiles.values())):
        cells = [spread(1000 * profile[stage], 1) for profile in profiles.values()]
        lines.append(_row(stage, *cells))
    return lines


def other_table(checks: list[Check]) -> list[str]:
    """Figures that have a limit of their own."""
    lines = ["", *_head("other", "measured", "limit")]
    return lines + [_row(check.what, spread(check.values, 2), check.limit) for check in checks]


def _head(*cells: str) -> list[str]:
    return [_row(*cells), _row(*["---"] * len(cells))]


def _row(*cells: str) -> str:
    return f"| {' | '.join(cells)} |"
