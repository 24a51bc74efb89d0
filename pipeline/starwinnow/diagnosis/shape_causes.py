"""Why stars are large: out of focus, seeing, drawn out, knocked."""

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.chains import most_likely_states
from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.focus_or_seeing import SURE_FOCUS, names_of, sure_gain, waves_of
from starwinnow.diagnosis.moved_stars import (
    LEAST_LOSS,
    ShapeLoss,
    moved_stars,
    round_family,
    trail_family,
)
from starwinnow.diagnosis.ordinary import local_level
from starwinnow.diagnosis.shape_fit import ShapeFit
from starwinnow.diagnosis.spans import spans
from starwinnow.flags import FrameFlag

__all__ = ["shape_losses"]

Column = NDArray[np.float64]

_WANDER = 1.2
_PASSES = 2
_LEAST_SIGMA = 0.015
_USUAL_LOSS, _STAY = 0.3, 0.9
_SHARP, _SOFT, _UNFOCUSED = 0, 1, 2
# Evidence of one frame for focus against seeing counts this much at most, in ln of odds.
_MOST_FRAME_EVIDENCE = 12.0
# So many frames before a stretch of so many may belong to it, if they lost more than this.
_FEWEST_CREEPING, _MOST_CREEPING, _CREEP = 3, 8, 0.03
# Stretches of larger stars count from so many of the night's own scatters on, and this loss.
_TELLING_SIGMA, _TELLING_LOSS = 3.0, 0.05


def shape_losses(
    evidence: Evidence, fits: dict[int, ShapeFit], halos: set[int]
) -> dict[int, list[ShapeLoss]]:
    """Tell which frames have large stars, and why.

    Parameters
    ----------
    evidence : Evidence
    fits : dict of int to ShapeFit
    halos : set of int
        Rows with dew, whose halo enlarges the star by itself.

    Returns
    -------
    dict of int to list of ShapeLoss
        By row of the evidence.
    """
    moved = moved_stars(evidence, fits, halos)
    losses: dict[int, list[ShapeLoss]] = {row: [loss] for row, loss in moved.items()}
    size = _without(moved, halos, evidence, fits)
    known = np.isfinite(size)
    level, sigma = np.zeros(len(size)), np.full(len(size), evidence.of_size.sigma)
    sharp = evidence.ordinary & known
    # A halo looks more like seeing than like focus: frames without one tell for those with it.
    clear = {row: fit for row, fit in fits.items() if row not in halos}
    for _ in range(_PASSES):
        states = most_likely_states(_chances(evidence, clear, size - level, sigma), _STAY)
        sharp &= states == _SHARP
        level, sigma = local_level(np.where(known, size, 0.0), sharp, evidence.of_size)
    larger = np.where(known, size - level, 0.0)
    stretches = list(_stretches(states, evidence, larger, sigma, fits))
    names = names_of(stretches, evidence, fits, clear, larger)
    for rows, codes in zip(stretches, names, strict=True):
        if _is_amid_knocks(rows, moved):
            losses |= {row: [ShapeLoss(code="knocked", loss=float(larger[row]))] for row in rows}
            continue
        found = dict(zip(rows, codes, strict=True))
        if set(codes) == {"out-of-focus"} and len(rows) >= _FEWEST_CREEPING:
            crept = _crept_before(rows[0], size, sharp, evidence)
            larger[list(crept)] = list(crept.values())
            found |= dict.fromkeys(crept, "out-of-focus")
        for row, code in found.items():
            one = ShapeLoss(code=code, loss=float(larger[row]), waves=waves_of(fits.get(row)))
            losses.setdefault(row, []).append(one)
    return losses


def _without(
    moved: dict[int, ShapeLoss], halos: set[int], evidence: Evidence, fits: dict[int, ShapeFit]
) -> Column:
    """Ln of the stars' area without what trails, knocks and halos add; NaN where it is not known.

    An even trail can be taken out. A knock cannot: it leaves a blur of its own.
    """
    size = evidence.size.copy()
    for row, fit in fits.items():
        if row in halos:
            size[row] -= max(fit.parts[round_family(fit)]["halo"], 0.0)
    for row, loss in moved.items():
        size[row] = np.nan
        if loss.code.startswith("trailed") and row in fits:
            parts = fits[row].parts[trail_family(fits[row])]
            size[row] = parts["seeing"] + parts.get("focus", 0.0)
    return size


def _stretches(
    states: NDArray[np.intp],
    evidence: Evidence,
    size: Column,
    sigma: Column,
    fits: dict[int, ShapeFit],
) -> Iterator[list[int]]:
    """Stretches of frames with larger round stars that cannot be chance."""
    lost = [int(row) for row in np.flatnonzero(evidence.loss > _TELLING_LOSS)]
    for state in (_SOFT, _UNFOCUSED):
        large = np.flatnonzero((states == state) & (size >= np.maximum(LEAST_LOSS, sigma)))
        for rows in spans([int(row) for row in large], [*lost, *np.flatnonzero(states == state)]):
            least = np.maximum(_TELLING_SIGMA * sigma[rows], _TELLING_LOSS)
            gain = sum(sure_gain(fits[row]) for row in rows if row in fits)
            if (size[rows] > least).any() or (
                gain > SURE_FOCUS and float(size[rows].max()) > _TELLING_LOSS
            ):
                yield rows


def _crept_before(
    first: int, size: Column, sharp: NDArray[np.bool_], evidence: Evidence
) -> dict[int, float]:
    """Rows before a stretch out of focus that belong to it, with their loss.

    Focus creeps away slowly. They are those that, all together, are larger than the air's wander
    before them explains.
    """
    before = sharp.copy()
    before[max(first - _MOST_CREEPING, 0) : first + 1] = False
    level, _ = local_level(np.nan_to_num(size), before, evidence.of_size)
    lost = size - level
    total = best = 0.0
    start = first
    for row in range(first - 1, max(first - _MOST_CREEPING, 0) - 1, -1):
        if not sharp[row]:
            break
        total += float(lost[row]) - _CREEP
        if total > best:
            best, start = total, row
    return {row: float(lost[row]) for row in range(start, first) if lost[row] > LEAST_LOSS}


def _is_amid_knocks(rows: list[int], moved: dict[int, ShapeLoss]) -> bool:
    """Whether larger stars come one by one among as many knocks: of those, some blur all round."""
    knocks = {row for row, loss in moved.items() if loss.code == "knocked"}
    beside = [knocks & {row - 1, row + 1} for row in rows]
    one_by_one = all(beside) and not any(row + 1 in rows for row in rows)
    return one_by_one and len(set.union(*beside)) >= max(len(rows), 2)


def _chances(
    evidence: Evidence, fits: dict[int, ShapeFit], size: Column, sigma: Column
) -> NDArray[np.float64]:
    """Log likelihood of each frame if sharp, soft by seeing, or out of focus, shape (n, 3)."""
    sigma = np.maximum(_WANDER * sigma, _LEAST_SIGMA)
    known = np.isfinite(size)
    size = np.where(known, size, 0.0)
    above = np.maximum(size, 0.0)
    sharp = -0.5 * (above / sigma) ** 2 - np.log(sigma * math.sqrt(2 * math.pi))
    soft = -math.log(_USUAL_LOSS) - above / _USUAL_LOSS
    soft -= 0.5 * (np.minimum(size, 0.0) / sigma) ** 2
    chances = np.column_stack([sharp, soft, soft])
    for row, frame in enumerate(evidence.frames):
        if FrameFlag.DISCS in frame.flags:
            chances[row] = (-50.0, -25.0, 0.0)
    for row, fit in fits.items():
        if "focus" in fit.parameters:
            gain = 0.5 * sure_gain(fit)
            evident = float(np.clip(gain, -_MOST_FRAME_EVIDENCE, _MOST_FRAME_EVIDENCE))
            chances[row, _UNFOCUSED] += evident
    return np.where(known[:, np.newaxis], chances, 0.0)
