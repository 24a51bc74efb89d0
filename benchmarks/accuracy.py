"""Star figures against truth on GalSim frames: writes the page tables/accuracy.md.

`python benchmarks/accuracy.py` takes some ten minutes on two cores.
"""

import argparse
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from itertools import groupby
from multiprocessing import get_context
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from truth.sky_frames import Sky
from truth.star_shapes import PROFILES, StarShape
from truth.trials import Condition, Trial, pull_scatter, run_trials, scatter_allowance
from truth.true_figures import true_figures

_SEED = 4_096
_PAGE = Path(__file__).parent / "tables" / "accuracy.md"
_BIAS_LIMIT = 0.015
_AXIS_RATIO_LIMIT = 0.02
_NEA_LIMIT = 0.05
_PULL_LIMITS = (0.8, 1.3)

_SIZES_PX = (1.5, 2.0, 3.0, 5.0, 8.0)
_ROUND = [StarShape(profile, size) for profile in PROFILES for size in _SIZES_PX]
_STRETCHED = [
    StarShape(profile, size, ratio, angle)
    for profile, size in [("gaussian", 2.0), ("moffat3", 1.5), ("moffat3.5", 4.0)]
    for ratio, angle in [(0.8, 30.0), (0.6, 45.0)]
]
_CONDITIONS = [
    Condition(snr, Sky(sky_e))
    for snr, sky_e in [(20.0, 500.0), (50.0, 50.0), (100.0, 5.0), (100.0, 5e3), (500.0, 500.0)]
]
# Stars of all brightnesses together, and a header without the gain: at one size.
_OTHER_CONDITIONS = [Condition(None, Sky(500.0)), Condition(100.0, Sky(500.0, gain_stated=False))]
_OTHERS_AT_PX = 3.0
_STRETCHED_CONDITIONS = [_CONDITIONS[0], _CONDITIONS[2]]

_INTRODUCTION = """\
# Accuracy of the star figures

Written by `python benchmarks/accuracy.py`. Stars drawn by GalSim with the pixel, {stars} a frame
at random places within the pixel, all of one S/N (matched filter, the star's own photons counted)
unless mixed (20 to 500); Poisson and read noise (1.5 e), 1 e/ADU, rounded to whole ADU; {frames}
frames a cell. Profile and FWHM are those before the pixel (Kolmogorov: together with the Airy
pattern of a clear 80 mm aperture at 550 nm and 1.62 arcsec a pixel, 0.90 px wide alone, so no
size is left out); truth is measured on a noiseless image, pixel included.

Limits: bias of FWHM and HFR {bias:.1%}; scatter of the frame's value the larger of 1 % and 1.3
times what photons allow (Cramer-Rao bound of the frame's stars together; place, flux, size and
wings unknown, background known); axis ratio within {ratio}; NEA within {nea:.0%}; (value - truth)
/ quoted error scatters by {low} to {high}. A cell counts as over when chance does not explain it:
bias and NEA by two standard errors, scatter and pulls by what normal values exceed once in a
thousand times. {frames} frames give a scatter to {known:.0%}.
"""


def main() -> None:
    """Run all cells and write the page; exit status 1 when a cell is over a limit."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=12, help="frames a cell (12)")
    parser.add_argument("--processes", type=int, default=2, help="processes (2)")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/accuracy.md)")
    options = parser.parse_args()
    trials = list(_all_trials(options.frames, options.processes))
    introduction = _INTRODUCTION.format(
        stars=trials[0].stars,
        frames=options.frames,
        bias=_BIAS_LIMIT,
        ratio=_AXIS_RATIO_LIMIT,
        nea=_NEA_LIMIT,
        low=_PULL_LIMITS[0],
        high=_PULL_LIMITS[1],
        known=1 / np.sqrt(2 * (options.frames - 1)),
    )
    over = [complaint for trial in trials for complaint in _complaints(trial)]
    over += _pull_complaints(trials)
    listed = [f"## Over the limits: {len(over)} in {len(trials)} cells"]
    listed.append("\n".join(f"- {complaint}" for complaint in over) or "None.")
    sections = [section(trials) for section in (_summary, _pulls, _cells, _truths)]
    page = "\n\n".join([introduction.rstrip(), sections[0], *listed, *sections[1:]])
    options.out.write_text(page + "\n", encoding="utf-8")
    print(f"{len(over)} over the limits in {len(trials)} cells; see {options.out}", file=sys.stderr)
    sys.exit(1 if over else 0)


def _all_trials(frames: int, processes: int) -> Iterator[Trial]:
    """Measure every cell, one shape at a time in each process; progress on standard error."""
    jobs = [
        (shape, _CONDITIONS + _OTHER_CONDITIONS * (shape.fwhm_px == _OTHERS_AT_PX))
        for shape in _ROUND
    ]
    jobs += [(shape, _STRETCHED_CONDITIONS) for shape in _STRETCHED]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        running = [
            pool.submit(run_trials, shape, wanted, frames, _SEED + number)
            for number, (shape, wanted) in enumerate(jobs)
        ]
        for number, done in enumerate(running, start=1):
            yield from done.result()
            print(f"\r{number} of {len(jobs)} shapes", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)


def _complaints(trial: Trial) -> Iterator[str]:
    """Say what a cell does worse than allowed."""
    name = " ".join(_labels(trial))
    lost = int(np.sum(~np.isfinite(trial.values["fwhm"])))
    if lost:
        yield f"{name}: no value in {lost} frames"
        return
    for figure in ("fwhm", "hfr"):
        if abs(trial.bias(figure)) > _BIAS_LIMIT + 2 * trial.bias_error(figure):
            yield f"{name}: {figure} bias {trial.bias(figure):+.2%}"
        limit = trial.scatter_limit(figure)
        _, most = scatter_allowance(len(trial.values[figure]) - 1)
        if trial.scatter(figure) > limit * most:
            yield f"{name}: {figure} scatter {trial.scatter(figure):.2%}, limit {limit:.2%}"
    if abs(trial.mean_deviation("axis_ratio")) > _AXIS_RATIO_LIMIT:
        yield f"{name}: axis ratio off by {trial.mean_deviation('axis_ratio'):+.3f}"
    if abs(trial.bias("nea")) > _NEA_LIMIT + 2 * trial.bias_error("nea"):
        yield f"{name}: NEA bias {trial.bias('nea'):+.1%}"


def _labels(trial: Trial) -> tuple[str, ...]:
    """Profile, FWHM, axis ratio and angle, S/N, background: the names of a cell."""
    shape, condition = trial.shape, trial.condition
    form = "round" if shape.axis_ratio == 1 else f"{shape.axis_ratio:g}@{shape.angle_deg:g}"
    snr = "mixed" if condition.snr is None else f"{condition.snr:g}"
    gain = "" if condition.sky.gain_stated else ", gain unknown"
    return shape.profile, f"{shape.fwhm_px:g}", form, snr, f"{condition.sky.background_e:g}{gain}"


def _table(heading: str, columns: str, rows: Iterable[Sequence[str]]) -> str:
    names = [name.strip() for name in columns.split("|")]
    lines = [names, ["---"] * len(names), *rows]
    return f"## {heading}\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines)


def _worst(values: Sequence[float]) -> float:
    """Pick the value of largest modulus, with its sign."""
    return max(values, key=abs)


def _summary(trials: Sequence[Trial]) -> str:
    rows = []
    for profile, group in groupby(trials, key=_kind):
        cells = list(group)
        sizes = [f"{_worst([cell.bias(name) for cell in cells]):+.2%}" for name in ("fwhm", "hfr")]
        scatters = [
            f"{max(cell.scatter(name) / cell.scatter_limit(name) for cell in cells):.2f}"
            for name in ("fwhm", "hfr")
        ]
        ratio = _worst([cell.mean_deviation("axis_ratio") for cell in cells])
        nea = _worst([cell.bias("nea") for cell in cells])
        pulls = [f"{pull_scatter(cells, name)[0]:.2f}" for name in ("fwhm", "hfr")]
        over = sum(any(True for _ in _complaints(cell)) for cell in cells)
        rows.append(
            [
                profile,
                f"{len(cells)}",
                *sizes,
                *scatters,
                *pulls,
                f"{ratio:+.3f}",
                f"{nea:+.1%}",
                f"{over}",
            ]
        )
    columns = (
        "profile|cells|FWHM bias|HFR bias|FWHM scatter / limit|HFR scatter / limit"
        "|FWHM pull scatter (all)|HFR pull scatter (all)|axis ratio|NEA|cells over"
    )
    return _table("Worst cell of each profile", columns, rows)


def _kind(trial: Trial) -> str:
    return str(trial.shape.profile) + ("" if trial.shape.axis_ratio == 1 else ", stretched")


def _pulls(trials: Sequence[Trial]) -> str:
    """Pool pulls by profile and S/N, about each cell's own mean, and their mean."""
    rows = []
    for kind, snr, cells in _pools(trials):
        row = [kind, snr]
        for name in ("fwhm", "hfr", "nea"):
            spread, _ = pull_scatter(cells, name)
            row += [f"{spread:.2f}", f"{np.mean([cell.pulls(name) for cell in cells]):+.1f}"]
        rows.append(row)
    columns = "profile|S/N|FWHM|mean|HFR|mean|NEA|mean"
    heading = "Pulls, (value - truth) / quoted error: scatter about each cell's mean, and mean"
    return _table(heading, columns, rows)


def _pools(trials: Sequence[Trial]) -> Iterator[tuple[str, str, list[Trial]]]:
    """Cells of one profile and S/N, then of all profiles."""
    snrs = sorted({_labels(trial)[3] for trial in trials}, key=lambda snr: (len(snr), snr))
    for kind in [*dict.fromkeys(_kind(trial) for trial in trials), "all"]:
        for snr in snrs:
            cells = [one for one in trials if kind in (_kind(one), "all")]
            cells = [one for one in cells if _labels(one)[3] == snr]
            if cells:
                yield kind, snr, cells


def _pull_complaints(trials: Sequence[Trial]) -> Iterator[str]:
    for kind, snr, cells in _pools(trials):
        for name in ("fwhm", "hfr"):
            spread, freedom = pull_scatter(cells, name)
            least, most = scatter_allowance(freedom)
            if not _PULL_LIMITS[0] * least <= spread <= _PULL_LIMITS[1] * most:
                yield f"{kind}, S/N {snr}: {name} pulls scatter by {spread:.2f}"


def _truths(trials: Sequence[Trial]) -> str:
    rows = []
    for shape in dict.fromkeys(trial.shape for trial in trials):
        truth = true_figures(shape.psf())
        rows.append(
            [
                shape.profile,
                f"{shape.fwhm_px:g}",
                f"{shape.axis_ratio:g}",
                f"{truth.fwhm_px:.4f}",
                f"{truth.fwhm_area_px / truth.fwhm_px - 1:+.2%}",
                f"{truth.hfr_px:.4f}",
                f"{truth.axis_ratio:.4f}",
                f"{truth.flux_in_radius:.4f}",
                f"{truth.nea_px:.3f}",
                f"{truth.nea_total_px / truth.nea_px - 1:+.2%}",
            ]
        )
    columns = (
        "profile|FWHM before pixel|q|FWHM as imaged|by area|HFR|q as imaged|flux in R|NEA"
        " (unit flux in R)|for unit total flux"
    )
    return _table("Truth, px", columns, rows)


def _cells(trials: Sequence[Trial]) -> str:
    rows = []
    for trial in trials:
        row = [*_labels(trial), f"{np.mean(trial.star_counts):.0f}"]
        for name in ("fwhm", "hfr"):
            pulls = trial.pulls(name)
            row += [
                f"{100 * trial.bias(name):+.2f} ± {100 * trial.bias_error(name):.2f}",
                f"{100 * trial.scatter(name):.2f}",
                f"{100 * trial.scatter_limit(name):.2f}",
                f"{100 * getattr(trial.bound, name):.2f}",
                f"{pulls.std(ddof=1):.1f}",
                f"{pulls.mean():+.1f}",
            ]
            if name == "fwhm":
                row.insert(-2, f"{100 * trial.bound.fwhm_known:.2f}")
        ratio = trial.values["axis_ratio"] - trial.true_value("axis_ratio")
        row += [f"{ratio.mean():+.3f}", f"{100 * trial.bias('nea'):+.1f}"]
        rows.append(row)
    columns = (
        "profile|FWHM px|shape|S/N|sky e|stars|FWHM bias %|scatter %|limit %|bound %|bound, wings"
        " known %|pull scatter|mean pull|HFR bias %|scatter %|limit %|bound %|pull scatter"
        "|mean pull|axis ratio|NEA bias %"
    )
    return _table("Every cell", columns, rows)


if __name__ == "__main__":
    main()
