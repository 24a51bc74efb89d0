"""Stacks of rendered nights beside what was predicted of them: writes the page tables/stacks.md.

`python benchmarks/stacks.py` takes some five minutes on two cores and 2 GB of memory.
"""

import argparse
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from truth.made_stacks import MadeNight, Plan, make_night, snr_ratio
from truth.rough_nights import TROUBLES, draw_conditions, draw_field
from worth.set_search import best_by_exchange, best_of_all_sets

from starwinnow.keep_set import keep_set, stack_snr2
from starwinnow.settings import MEANS, Mean
from starwinnow.stack_forecast import stack_fwhm, stack_snr

_SEED = 93_117
_PAGE = Path(__file__).parent / "tables" / "stacks.md"
_SHAPE = (1080, 1296)
_FRAMES = 40
_SNR_LIMIT = 0.03
_WIDTH_LIMIT = 0.05
_SEARCH_LIMIT = 1e-3
_TWELVES = 20
_POOLED, _STARTS = 200, 40

# Part of bad frames, and what goes wrong.
_NIGHTS: tuple[tuple[float, tuple[str, ...]], ...] = (
    (0.20, ("cloud", "jolted", "trailed")),
    (0.30, TROUBLES),
    (0.30, ("trailed", "jolted", "out-of-focus")),
    (0.40, ("out-of-focus", "soft-seeing", "bright-sky")),
    (0.50, ("cloud", "bright-sky")),
    (0.50, TROUBLES),
)

_INTRODUCTION = """\
# Worth proved on stacks

Written by `python benchmarks/stacks.py`. {nights} nights of {frames} frames ({ny} x {nx} px) drawn
by GalSim: Kolmogorov seeing through an 80 mm pupil, seeing and transparency that wander, drift,
dither, slow field rotation and here and there a flip by 180 degrees, Poisson and read noise. In 20
to 50 % of the frames something goes wrong, in episodes of one to four: cloud (.25 to .75 of the
light), bright sky (2 to 5 times), focus (.15 to .4 waves), soft seeing (1.4 to 2.4 times), a trail
(3 to 8 px), a jolt (.6 to 1.4 FWHM). The seeds served for nothing else.

`score` chose and predicted; then the stacks were made: each frame laid on the reference by its
measured shift and turn (cubic splines), and averaged. *Made* signal-to-noise is that of {stars}
or more faint stars (5 sigma in a good frame): the mean of what a matched filter makes of them, over
its scatter at places without a star, since resampling correlates the noise of pixels. All figures
are relative to a mean of all frames. Made gains are good to the error shown, from drawing the
places anew. *Made* FWHM is read off the mean image of the bright stars, without a fit.

Limits: predicted and made signal-to-noise of the keep set within {snr:.0%}; FWHM of the set for
`detail` over that of all frames, predicted and made, within {width:.0%}; no set found whose
signal-to-noise is more than {search:.1%} higher.
"""


@dataclass(frozen=True)
class Gain:
    """S/N of a stack over that of all frames, predicted and made."""

    predicted: float
    made: float
    made_err: float

    @property
    def off(self) -> float:
        """How far the forecast is too high."""
        return self.predicted / self.made - 1


@dataclass(frozen=True)
class Widths:
    """FWHM of a stack's stars, px: predicted, read off their image, measured by a fit."""

    predicted: float
    made: float
    fitted: float


@dataclass(frozen=True)
class Result:
    """One night: what goes into the page.

    Attributes
    ----------
    bad : float
        Part of bad frames.
    troubles : tuple of str
    kept : dict
        Frames of the keep set by mean, and of that for `detail` under 'detail'.
    gains : dict
        By mean, then by way to stack.
    detail : Gain
        Faint stars in the set for `detail`, unscaled.
    all_widths, keep_widths : Widths
        Of all frames and of the set for `detail`, unscaled.
    twelves : float
        Most that the best of all sets of some twelve frames is ahead in S/N.
    amplitudes, variances : ndarray
        The night's frames for `depth`, as the keep set is chosen from.
    stars : int
        Faint stars read.
    """

    bad: float
    troubles: tuple[str, ...]
    kept: dict[str, int]
    gains: dict[Mean, dict[str, Gain]]
    detail: Gain
    all_widths: Widths
    keep_widths: Widths
    twelves: float
    amplitudes: NDArray[np.complex128]
    variances: NDArray[np.float64]
    stars: int


def main() -> None:
    """Make all nights and write the page; exit status 1 when a limit is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--processes", type=int, default=2, help="processes (2)")
    parser.add_argument("--seed", type=int, default=_SEED, help=f"seed of the nights ({_SEED})")
    parser.add_argument("--out", type=Path, default=_PAGE, help="the page (tables/stacks.md)")
    options = parser.parse_args()
    with ProcessPoolExecutor(options.processes, mp_context=get_context("spawn")) as pool:
        results = list(pool.map(_night, range(len(_NIGHTS)), [options.seed] * len(_NIGHTS)))
    exchange = _pooled_search(results, np.random.default_rng(options.seed))
    over = list(_complaints(results, exchange))
    introduction = _INTRODUCTION.format(
        nights=len(_NIGHTS),
        frames=_FRAMES,
        ny=_SHAPE[0],
        nx=_SHAPE[1],
        stars=min(result.stars for result in results),
        snr=_SNR_LIMIT,
        width=_WIDTH_LIMIT,
        search=_SEARCH_LIMIT,
    )
    parts = [introduction.rstrip(), *(_gain_table(results, mean) for mean in MEANS)]
    parts += [_detail_table(results), _search_table(results, exchange)]
    parts += [f"## Over the limits: {len(over)}", "\n".join(f"- {one}" for one in over) or "None."]
    options.out.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(f"{len(over)} over the limits; see {options.out}", file=sys.stderr)
    sys.exit(1 if over else 0)


def _night(number: int, seed: int) -> Result:
    """Make one night and all its stacks."""
    rng = np.random.default_rng([seed, number])
    bad, troubles = _NIGHTS[number]
    field = draw_field(_SHAPE, rng)
    night = make_night(field, draw_conditions(_FRAMES, bad, troubles, rng), rng)
    plans = {mean: night.plan("depth", mean) for mean in MEANS}
    detail = night.plan("detail", "unscaled")
    unscaled = plans["unscaled"]
    amplitudes, variances = unscaled.parts.amplitudes, unscaled.parts.noise_adu**2
    result = Result(
        bad=bad,
        troubles=troubles,
        kept={mean: int(np.sum(plan.kept)) for mean, plan in plans.items()}
        | {"detail": int(np.sum(detail.kept))},
        gains={mean: _gains(night, plan, rng) for mean, plan in plans.items()},
        detail=_gain_maker(night, unscaled, rng)(detail.kept * detail.even),
        all_widths=_widths(night, detail, detail.even),
        keep_widths=_widths(night, detail, detail.kept * detail.even),
        twelves=max(_lost_on_twelves(plan, rng) for plan in (*plans.values(), detail)),
        amplitudes=amplitudes,
        variances=variances,
        stars=len(night.faint_px),
    )
    print(f"night {number + 1} of {len(_NIGHTS)}", file=sys.stderr)
    return result


def _gain_maker(
    night: MadeNight, plan: Plan, rng: np.random.Generator
) -> Callable[[NDArray[np.float64]], Gain]:
    """Give a function that compares a stack of given weights with the mean of all frames."""
    everything = night.faint_stars(plan.even)
    predicted = stack_snr(plan.parts, plan.even)

    def gain(weights: NDArray[np.float64]) -> Gain:
        made, made_err = snr_ratio(night.faint_stars(weights), everything, rng)
        return Gain(stack_snr(plan.parts, weights) / predicted, made, made_err)

    return gain


def _gains(night: MadeNight, plan: Plan, rng: np.random.Generator) -> dict[str, Gain]:
    gain = _gain_maker(night, plan, rng)
    return {
        "keep set": gain(plan.kept * plan.even),
        "best half": gain(plan.best(0.5) * plan.even),
        "best 80 %": gain(plan.best(0.8) * plan.even),
        "unblemished only": gain(night.unblemished * plan.even),
        "weighted": gain(plan.weights),
    }


def _widths(night: MadeNight, plan: Plan, weights: NDArray[np.float64]) -> Widths:
    return Widths(
        predicted=stack_fwhm(plan.parts, weights),
        made=night.star_width(weights),
        fitted=night.fitted_width(weights),
    )


def _lost_on_twelves(plan: Plan, rng: np.random.Generator) -> float:
    """Most that the keep set of twelve frames of the night is behind the best of all sets."""
    lost = []
    for _ in range(_TWELVES):
        twelve = rng.choice(len(plan.even), 12, replace=False)
        scale = plan.even[twelve]
        amplitudes = scale[:, np.newaxis] * plan.parts.amplitudes[twelve]
        variances = (scale * plan.parts.noise_adu[twelve]) ** 2
        lost.append(_behind(amplitudes, variances, best_of_all_sets(amplitudes, variances)))
    return max(lost)


def _pooled_search(results: Sequence[Result], rng: np.random.Generator) -> float:
    """How far the keep set of frames of all nights together is behind what exchanges find."""
    amplitudes = np.concatenate([result.amplitudes for result in results])
    variances = np.concatenate([result.variances for result in results])
    pool = rng.choice(len(variances), min(_POOLED, len(variances)), replace=False)
    best = best_by_exchange(amplitudes[pool], variances[pool], _STARTS, rng)
    return _behind(amplitudes[pool], variances[pool], best)


def _behind(
    amplitudes: NDArray[np.complex128], variances: NDArray[np.float64], best_snr2: float
) -> float:
    kept = keep_set(amplitudes, variances)
    return 1 - float(np.sqrt(stack_snr2(amplitudes, variances, kept) / best_snr2))


def _narrower(result: Result, kind: str) -> float:
    return float(getattr(result.keep_widths, kind) / getattr(result.all_widths, kind))


def _complaints(results: Sequence[Result], exchange: float) -> Iterator[str]:
    for number, result in enumerate(results, start=1):
        for mean in MEANS:
            gain = result.gains[mean]["keep set"]
            if abs(gain.off) > _SNR_LIMIT:
                yield f"night {number}, {mean}: keep set predicted {gain.off:+.1%} off"
        for kind in ("made", "fitted"):
            off = _narrower(result, "predicted") / _narrower(result, kind) - 1
            if abs(off) > _WIDTH_LIMIT:
                yield f"night {number}, detail: FWHM ratio predicted {off:+.1%} off ({kind})"
        if result.twelves > _SEARCH_LIMIT:
            yield f"night {number}: {result.twelves:.2%} behind the best of twelve frames"
    if exchange > _SEARCH_LIMIT:
        yield f"{_POOLED} frames: {exchange:.2%} behind what exchanges find"


def _gain_table(results: Sequence[Result], mean: Mean) -> str:
    rivals = ("best half", "best 80 %", "unblemished only")
    rows = []
    for number, result in enumerate(results, start=1):
        gains = result.gains[mean]
        keep, weighted = gains["keep set"], gains["weighted"]
        rows.append(
            [
                f"{number}",
                f"{result.bad:.0%}",
                f"{result.kept[mean]} of {_FRAMES}",
                f"**{_percent(keep.predicted)}**",
                f"**{_percent(keep.made)}** ± {100 * keep.made_err:.1f}",
                *(f"{_percent(gains[name].made)}" for name in rivals),
                _percent(weighted.predicted),
                _percent(weighted.made),
            ]
        )
    columns = f"night|bad frames|kept|keep set predicted, %|made, %|{'|'.join(rivals)}"
    columns += "|all weighted predicted|made"
    kind = "as they are" if mean == "unscaled" else "scaled to equal flux"
    heading = f"Faint stars: signal-to-noise gained over a mean of all frames, {kind}"
    return _table(heading, columns, rows)


def _detail_table(results: Sequence[Result]) -> str:
    rows = []
    for number, result in enumerate(results, start=1):
        everything, keep = result.all_widths, result.keep_widths
        rows.append(
            [
                f"{number}",
                f"{result.kept['detail']} of {_FRAMES}",
                f"{everything.predicted:.2f}",
                f"{everything.made:.2f}",
                f"{keep.predicted:.2f}",
                f"{keep.made:.2f}",
                *(f"{_percent(_narrower(result, kind))}" for kind in ("predicted", "made")),
                _percent(_narrower(result, "fitted")),
                _percent(result.detail.predicted),
                _percent(result.detail.made),
            ]
        )
    columns = (
        "night|kept|all frames: FWHM predicted, px|made|keep set: predicted, px|made"
        "|change predicted, %|made|as `score` measures the stacks|faint stars predicted, %|made"
    )
    return _table("Fine detail: the keep set for `detail`, frames as they are", columns, rows)


def _search_table(results: Sequence[Result], exchange: float) -> str:
    worst = max(result.twelves for result in results)
    tries = 3 * _TWELVES * len(results)
    rows = [
        [f"all 4,095 sets of twelve frames, {tries} times", _behind_text(worst)],
        [
            f"exchanges of one or two of {_POOLED} frames of all nights, {_STARTS} random starts",
            _behind_text(exchange),
        ],
    ]
    return _table("Is there a better set?", "search|most that the best set is ahead in S/N", rows)


def _behind_text(lost: float) -> str:
    return "nothing" if lost < 1e-9 else f"{lost:.3%}"


def _percent(ratio: float) -> str:
    return f"{100 * (ratio - 1):+.1f}"


def _table(heading: str, columns: str, rows: Iterable[Sequence[str]]) -> str:
    names = columns.split("|")
    lines = [names, ["---"] * len(names), *rows]
    return f"## {heading}\n\n" + "\n".join(f"| {' | '.join(line)} |" for line in lines)


if __name__ == "__main__":
    main()
