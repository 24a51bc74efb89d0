"""Star figures under skies that are hard: writes the page tables/hard_skies.md.

`python benchmarks/hard_skies.py` takes some ten minutes on two quiet cores.
"""

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from truth.colour import PATTERNS, as_mosaic, star_field
from truth.defocused import defocused
from truth.hard_skies import SHAPE, SKY, Change, among_galaxies, in_scene
from truth.other_lights import SCENES
from truth.photon_bound import flux_for_snr
from truth.sky_frames import expose, lay_out, paint
from truth.star_shapes import StarShape
from truth.true_figures import true_figures

from starwinnow.flags import FrameFlag
from starwinnow.measure import measure

_SEED = 820_001
_PAGE = Path(__file__).parent / "tables" / "hard_skies.md"
_FOUND_LIMIT = 0.95

_INTRODUCTION = """\
# Skies that are hard

Written by `python benchmarks/hard_skies.py`. Stars, discs and galaxies drawn by GalSim, {frames}
frames a cell, each with places, brightnesses and photons of its own; the seeds served for nothing
else. Stars are Moffats of beta 3 of S/N 20 to 300 (a matched filter's), unless said otherwise.

- *Discs and rings*: 30 stars of S/N 100 to 330 seen through seeing of 3 px, against truth on a
  noiseless image. Found: an unflagged star within 1 px and a twentieth of the diameter of the
  true centre; beside it the false ones, in parts of the true.
- *Wide stars* and those of 1.3 px: against truth on a noiseless image.
- *Among galaxies*: a frame of stars, and the same with galaxies as significant as the stars, .25
  to 2 FWHM in half-light radius; where a *sharpest* FWHM is given they have that frame's sizes.
- *Scenes*: a frame of 60 stars, and the same with a comet, a nebula over a quarter of the frame, a
  cluster's core of 1,200 stars, a bright galaxy or a satellite's streak, of any brightness within
  a factor of nine.
- *Colour*: a mosaic of filters against a sensor without, for the light of black bodies; each of the
  four patterns, stated in the header in every other frame.
- *No star*: frames without any must say so and give no figures.

Limits hold for every single frame: change or error of FWHM or HFR as given; {found:.0%} found.
Figures without a limit are shown for their own sake.
"""


@dataclass(frozen=True)
class Case:
    """One cell: a trial of a seed gives what is off, by figure.

    Attributes
    ----------
    line : str
        The line of the summary it belongs to.
    cell : str
    trial : callable
    limits : dict
        Of |what is off| by figure, as a part.
    """

    line: str
    cell: str
    trial: Callable[[int], dict[str, float]]
    limits: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """What is off in a cell's frames, by figure."""

    case: Case
    values: dict[str, tuple[float, ...]]


def main() -> None:
    """Run all cells and write the page; exit status 1 when a frame is over a limit."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=20, help="frames a cell (20)")
    parser.add_argument("--processes", type=int, default=2, help="processes (2)")
    parser.add_argument("--seed", type=int, default=_SEED, help=f"first seed ({_SEED})")
    parser.add_argument("--only", default="", help="lines that hold this text")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/hard_skies.md)")
    options = parser.parse_args()
    cases = [case for case in _cases() if options.only in case.line]
    seeds = range(options.seed, options.seed + options.frames)
    outcomes = list(_outcomes(cases, seeds, options.processes))
    over = [complaint for outcome in outcomes for complaint in _complaints(outcome)]
    page = [
        _INTRODUCTION.format(frames=options.frames, found=_FOUND_LIMIT).rstrip(),
        _summary(outcomes),
        f"## Over the limits: {len(over)} of {len(cases)} cells",
        "\n".join(f"- {complaint}" for complaint in over) or "None.",
        _cells(outcomes),
    ]
    options.out.write_text("\n\n".join(page) + "\n", encoding="utf-8")
    print(f"{len(over)} over the limits; see {options.out}", file=sys.stderr)
    sys.exit(1 if over else 0)


def _cases() -> list[Case]:
    return [*_defocused_cases(), *_size_cases(), *_galaxy_cases(), *_scene_cases(), *_other_cases()]


def _defocused_cases() -> Iterator[Case]:
    for size_px in (6, 10, 16, 24, 32, 40):
        for inner in (0.0, 0.35, 0.5):
            kind = f"ring, hole {inner:.0%}" if inner else "disc"
            trial = partial(_discs, size_px, inner)
            yield Case("discs and rings", f"{kind}, {size_px} px", trial, {"HFR": 0.03})


def _size_cases() -> Iterator[Case]:
    for profile in ("gaussian", "moffat2.5", "moffat3", "kolmogorov"):
        trial = partial(_stars, StarShape(profile, 8.0))
        yield Case("stars of 8 px, not discs", profile, trial, {"FWHM": 0.02})
    for profile in ("gaussian", "moffat3"):
        trial = partial(_stars, StarShape(profile, 1.3))
        yield Case("stars of 1.3 px", profile, trial, {"FWHM": 0.03})


def _galaxy_cases() -> Iterator[Case]:
    for stars, galaxies, limit in ((60, 40, 0.02), (20, 20, 0.04)):
        line = f"{stars} stars among {galaxies} galaxies"
        for fwhm_px, sharpest_px in ((2.2, None), (3.5, None), (6.0, None), (5.0, 2.2)):
            trial = partial(_galaxies, stars, galaxies, fwhm_px, sharpest_px)
            cell = f"FWHM {fwhm_px} px" + (f", sharpest {sharpest_px}" if sharpest_px else "")
            yield Case(line, cell, trial, {"FWHM": limit})
    trial = partial(_galaxies, 10, 20, 3.5, None)
    yield Case("10 stars among 20 galaxies", "FWHM 3.5 px", trial)


def _scene_cases() -> Iterator[Case]:
    for scene in SCENES:
        for fwhm_px in (2.2, 4.0):
            trial = partial(_scene, scene, fwhm_px)
            yield Case(scene, f"FWHM {fwhm_px} px", trial, {"FWHM": 0.02})


def _other_cases() -> Iterator[Case]:
    for kelvin in (3_000.0, 10_000.0):
        line = f"mosaic of colours, {kelvin:,.0f} K"
        for fwhm_px in (1.6, 2.2, 3.5):
            trial = partial(_mosaic, kelvin, fwhm_px)
            yield Case(line, f"FWHM {fwhm_px} px", trial, {"FWHM": 0.02})
    for scene in ("nothing", "comet", "nebula", "bright galaxy"):
        yield Case("no star", scene, partial(_starless, scene), {"stars": 0.0})


def _discs(size_px: float, inner_part: float, seed: int) -> dict[str, float]:
    frame = defocused(size_px, inner_part, seed)
    false = frame.false / frame.true_count
    return {"HFR": frame.hfr_offset, "lost": 1 - frame.found, "false": false}


def _stars(shape: StarShape, seed: int) -> dict[str, float]:
    rng = np.random.default_rng([seed, round(10 * shape.fwhm_px)])
    layout = lay_out(rng, shape.fwhm_px, columns=6, rows=4)
    stars_e = flux_for_snr(shape, SKY, 100.0) * paint(shape.psf(), layout)
    seen = measure(expose(stars_e, SKY, rng))
    true = true_figures(shape.psf())
    return {"FWHM": seen.fwhm_px / true.fwhm_px - 1, "HFR": seen.hfr_px / true.hfr_px - 1}


def _galaxies(
    stars: int, galaxies: int, fwhm_px: float, sharpest_px: float | None, seed: int
) -> dict[str, float]:
    star = StarShape("moffat3", fwhm_px)
    return _changes(among_galaxies(star, stars, galaxies, seed, sharpest_px))


def _scene(scene: str, fwhm_px: float, seed: int) -> dict[str, float]:
    return _changes(in_scene(scene, StarShape("moffat3", fwhm_px), seed))


def _changes(change: Change) -> dict[str, float]:
    return {"FWHM": change.of("fwhm_px"), "HFR": change.of("hfr_px"), "NEA": change.of("nea_px")}


def _mosaic(kelvin: float, fwhm_px: float, seed: int) -> dict[str, float]:
    rng = np.random.default_rng([seed, round(kelvin), round(10 * fwhm_px)])
    stars_e = star_field(StarShape("moffat3", fwhm_px), SKY, rng)
    before = measure(expose(stars_e, SKY, rng))
    frame = as_mosaic(stars_e, SKY, PATTERNS[seed // 2 % 4], kelvin, rng, stated=bool(seed % 2))
    return _changes(Change(before, measure(frame)))


def _starless(scene: str, seed: int) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    light_e = np.zeros(SHAPE)
    if scene != "nothing":
        light_e = SCENES[scene](rng, SHAPE, StarShape("moffat3", 3.0), SKY)
    seen = measure(expose(light_e, SKY, rng))
    silent = FrameFlag.NO_STARS in seen.flags and np.isnan(seen.fwhm_px) and np.isnan(seen.hfr_px)
    return {"stars": 0.0 if silent else float(max(seen.star_count, 1))}


def _outcomes(cases: Sequence[Case], seeds: range, processes: int) -> Iterator[Outcome]:
    """Try every cell; progress on standard error."""
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        running = [[pool.submit(case.trial, seed) for seed in seeds] for case in cases]
        for number, (case, trials) in enumerate(zip(cases, running, strict=True), start=1):
            found = [trial.result() for trial in trials]
            yield Outcome(case, {name: tuple(one[name] for one in found) for name in found[0]})
            print(f"\r{number} of {len(cases)} cells", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


def _complaints(outcome: Outcome) -> Iterator[str]:
    """Say what a cell does worse than allowed; no value is worse than any."""
    case = outcome.case
    for figure, limit in case.limits.items():
        values = outcome.values[figure]
        over = sum(not abs(value) <= limit for value in values)
        if over:
            yield f"{case.line}, {case.cell}: {figure} over {limit:.0%} in {over} of {len(values)}"
    lost = outcome.values.get("lost")
    if lost is not None and np.mean(lost) > 1 - _FOUND_LIMIT:
        yield f"{case.line}, {case.cell}: {1 - np.mean(lost):.1%} found"


def _summary(outcomes: Sequence[Outcome]) -> str:
    """One row a line and figure, all its cells together."""
    rows = []
    for line in dict.fromkeys(outcome.case.line for outcome in outcomes):
        chosen = [outcome for outcome in outcomes if outcome.case.line == line]
        for figure in chosen[0].values:
            values = np.concatenate([outcome.values[figure] for outcome in chosen])
            rows.append((line, *_described(figure, values, chosen[0].case.limits.get(figure))))
    return _table(("sky", *_HEADINGS), rows)


_HEADINGS = ("figure", "frames", "median", "19 of 20 within", "worst", "limit", "within")


def _described(figure: str, values: np.ndarray, limit: float | None) -> tuple[str, ...]:
    """How far off: median with its sign, and the rest without."""
    show = "{:.0f}" if figure == "stars" else "{:.1%}"
    signed = show if figure in ("stars", "lost", "false") else "{:+.1%}"
    size = np.where(np.isnan(values), np.inf, np.abs(values))
    within = "" if limit is None else f"{np.mean(size <= limit):.1%}"
    if figure == "lost":
        limit, within = 1 - _FOUND_LIMIT, f"all together {np.mean(size):.1%}"
    return (
        figure,
        str(len(values)),
        signed.format(np.nanmedian(values)),
        show.format(np.quantile(size, 0.95, method="inverted_cdf")),
        show.format(size.max()),
        "" if limit is None else show.format(limit),
        within,
    )


def _cells(outcomes: Sequence[Outcome]) -> str:
    """One row a cell: of each figure the median, and the worst without its sign."""
    figures = list(dict.fromkeys(name for outcome in outcomes for name in outcome.values))
    rows = []
    for outcome in outcomes:
        row = [outcome.case.line, outcome.case.cell]
        for figure in figures:
            values = outcome.values.get(figure)
            if values is None:
                row.append("")
                continue
            described = _described(figure, np.array(values), None)
            row.append(f"{described[2]} ({described[4]})")
        rows.append(row)
    return "## All cells: median (worst)\n\n" + _table(("sky", "cell", *figures), rows)


def _table(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    main()
