"""Whether round stars are large by focus or by seeing."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.moved_stars import movement
from starwinnow.diagnosis.shape_fit import ShapeFit
from starwinnow.flags import FrameFlag

__all__ = ["SURE_FOCUS", "names_of", "sure_gain", "waves_of"]

Column = NDArray[np.float64]

_JOINT = "out-of-focus|soft-seeing"
SURE_FOCUS = 10.0
"""chi squared by which all frames of a stretch together must prefer one: odds of 150 to 1."""

_LEAST_WAVES = 0.07
# A frame counts for so much at most.
_MOST_GAIN = 30.0
# And by so many standard errors of their sum, as the frames scatter.
_SURE_SIGMA = 0.5
# Focus does not slip and come back for one frame alone: odds of 50 to 1, in chi squared.
_ALONE = 7.8
# So many frames tell how steadily stars grew, and so many whether along a bend.
_FEWEST_STEADY, _FEWEST_BENT = 4, 7
# From one frame to the next sizes differ by so many scatters at most while nothing jumps.
_JUMP = 4.0
# What seeing adds scatters by such parts of itself.
_SCATTER_PARTS = (0.05, 0.4)
_WANDER, _LEAST_WHITE = 1.2, 0.01
# It never decides alone, as sizes are few and the images many pixels.
_MOST_STEADY = 9.0
# A frame that by itself is sure to be soft by seeing is called so in a stretch out of focus only
# if its stars are larger by this than the stretch's.
_PLAIN_LOSS = 0.15


def names_of(
    stretches: Sequence[list[int]],
    evidence: Evidence,
    fits: dict[int, ShapeFit],
    clear: dict[int, ShapeFit],
    size: Column,
) -> list[list[str]]:
    """Focus, seeing, or either: by all frames of a stretch together, but for plain ones.

    Parameters
    ----------
    stretches : sequence of list of int
        Rows of the evidence with larger round stars.
    evidence : Evidence
    fits : dict of int to ShapeFit
    clear : dict of int to ShapeFit
        Those of frames without a halo. They tell for the others: a halo looks more like seeing
        than like focus.
    size : ndarray of float64, shape (n,)
        ln of the stars' area less the expected one, halos taken out.

    Returns
    -------
    list of list of str
        By stretch and row.
    """
    asked = [clear if any(row in clear for row in rows) else fits for rows in stretches]
    large = {row for rows in stretches for row in rows}
    codes = [
        _name(rows, evidence, told, size, alone=not large & {rows[0] - 1, rows[0] + 1})
        for rows, told in zip(stretches, asked, strict=True)
    ]
    for place, code in enumerate(codes):
        if code == _JOINT and _runs_on_into_focus(place, stretches, codes, evidence, fits, size):
            codes[place] = "out-of-focus"
    return [
        _but_for_plain(rows, code, told, size)
        for rows, code, told in zip(stretches, codes, asked, strict=True)
    ]


def _but_for_plain(
    rows: list[int], code: str, fits: dict[int, ShapeFit], size: Column
) -> list[str]:
    typical = float(np.median(size[rows]))
    plain = {
        row
        for row in rows
        if row in fits
        and _focus_gain(fits[row]) < -SURE_FOCUS
        and (code != "out-of-focus" or size[row] > typical + _PLAIN_LOSS)
    }
    return ["soft-seeing" if row in plain else code for row in rows]


def _runs_on_into_focus(
    place: int,
    stretches: Sequence[list[int]],
    codes: Sequence[str],
    evidence: Evidence,
    fits: dict[int, ShapeFit],
    size: Column,
) -> bool:
    """Whether a stretch that cannot be told by itself is part of one out of focus beside it.

    Focus goes on without a jump, and both together must still look like it.
    """
    rows = stretches[place]
    most = _JUMP * max(evidence.of_size.white, _LEAST_WHITE)
    for other, code in zip(stretches, codes, strict=True):
        for last, first in ((other[-1], rows[0]), (rows[-1], other[0])):
            if code != "out-of-focus" or first - last != 1 or abs(size[first] - size[last]) > most:
                continue
            if _name(sorted([*rows, *other]), evidence, fits, size) == code:
                return True
    return False


def _name(
    rows: list[int],
    evidence: Evidence,
    fits: dict[int, ShapeFit],
    size: Column,
    *,
    alone: bool = False,
) -> str:
    if any(FrameFlag.DISCS in evidence.frames[row].flags for row in rows):
        return "out-of-focus"
    asked = [fits[row] for row in rows if row in fits]
    if not any("focus" in fit.parameters for fit in asked):
        return _JOINT
    gains = np.clip([_focus_gain(fit) for fit in asked], -_MOST_GAIN, _MOST_GAIN)
    gain = float(gains.sum()) + _steadiness(rows, size, evidence.of_size.white)
    if alone:
        gain -= _ALONE
    sure = SURE_FOCUS + _SURE_SIGMA * math.sqrt(len(gains)) * float(np.std(gains))
    if gain > sure and max(waves_of(fit) for fit in asked) > _LEAST_WAVES:
        return "out-of-focus"
    return "soft-seeing" if gain < -sure else _JOINT


def _steadiness(rows: list[int], size: Column, white: float) -> float:
    """How much better the sizes fit a focus that creeps than air that is restless, in chi squared.

    Focus goes a smooth way, about which frames scatter as ordinary ones do; seeing scatters by a
    part of what it adds, of which only the order is known.
    """
    if len(rows) < _FEWEST_STEADY:
        return 0.0
    when = np.array(rows, np.float64) - rows[0]
    bends = 2 if len(rows) >= _FEWEST_BENT else 1
    left = size[rows] - np.polyval(np.polyfit(when, size[rows], bends), when)
    free = len(rows) - bends - 1
    part = np.geomspace(*_SCATTER_PARTS, 12)
    usual = (_WANDER * max(white, _LEAST_WHITE)) ** 2
    variances = usual + np.concatenate([[0.0], (part * float(np.median(size[rows]))) ** 2])
    ln = -0.5 * (free * np.log(variances) + float(left @ left) / variances)
    restless = float(np.logaddexp.reduce(ln[1:])) - math.log(len(part))
    return float(np.clip(2 * (float(ln[0]) - restless), -_MOST_STEADY, _MOST_STEADY))


def _focus_gain(fit: ShapeFit) -> float:
    """How much better focus fits than seeing, in chi squared; below zero where it fits worse.

    Where neither fits well, both are as much less sure.
    """
    if "focus" not in fit.parameters:
        return 0.0
    family = _focus_family(fit)
    other = "trail" if family == "trail-focus" else "seeing"
    poor = max(min(fit.chi2[family], fit.chi2[other]) / fit.pixels, 1.0)
    return (fit.chi2[other] - fit.chi2[family]) / poor


def sure_gain(fit: ShapeFit) -> float:
    """Gain by focus, less what a parameter more gains by chance.

    A sharp star is explained by ordinary seeing, which the fit by focus has too.
    """
    return _focus_gain(fit) - math.log(fit.pixels)


def _focus_family(fit: ShapeFit) -> str:
    """With a trail where the star has one."""
    if "trail-focus" not in fit.parameters or movement(fit) is None:
        return "focus"
    return "trail-focus"


def waves_of(fit: ShapeFit | None) -> float:
    """Defocus at the pupil's edge, waves; NaN where it was not fitted."""
    if fit is None or "focus" not in fit.parameters:
        return math.nan
    family = _focus_family(fit)
    return math.sqrt(max(float(fit.parameters[family][-1]), 0.0))
