"""Why stars are large: out of focus, seeing, drawn out, knocked."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.chains import most_likely_states
from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.ordinary import NEAR_SIGMA, local_level
from starwinnow.diagnosis.shape_fit import ShapeFit
from starwinnow.diagnosis.spans import spans
from starwinnow.diagnosis.stretch import stretch_of
from starwinnow.flags import FrameFlag

__all__ = ["ShapeLoss", "shape_losses"]

Column = NDArray[np.float64]

_JOINT = "out-of-focus|soft-seeing"
_WANDER = 1.2
_PASSES = 2
_LEAST_SIGMA = 0.015
_USUAL_LOSS, _STAY = 0.3, 0.9
_SHARP, _SOFT, _UNFOCUSED = 0, 1, 2
# Evidence of one frame for focus against seeing counts this much at most, in ln of odds.
_MOST_FRAME_EVIDENCE = 12.0
# A trail or a knock must be likelier by this, in ln of odds, and cost this in ln of area.
_SURE, _LEAST_LOSS = 8.0, 0.02
# A trail must lead a knock by this part of what it leaves unexplained itself: an uneven trail is
# still far better than two points. Where both explain all, they cannot be told apart.
_TRAIL_LEAD, _WELL_LEFT = 0.4, 0.15
# An axis ratio a tenth lower than the ordinary one is plain on any night.
_PLAINLY_DRAWN = 0.1
# So many neighbouring stars along one line, the lengths and ways of most alike to this part, and as
# much wider across it as this part of what the line adds, are astigmatic, not moved.
_FEWEST_ALIKE, _SAME_LINE, _MOSTLY, _WIDER_PART = 4, 0.5, 0.75, 0.5
# Round kernels explain dew and field curvature this well at worst, in chi squared a pixel.
_MOST_ROUND = 1.5
# chi squared by which all frames of a stretch together must prefer focus to seeing, or seeing to
# focus, for it to be called so: odds of 150 to 1.
_SURE_FOCUS = 10.0
_LEAST_WAVES = 0.07
# A frame counts for so much at most.
_MOST_GAIN = 30.0
# And by so many standard errors of their sum, as the frames scatter.
_SURE_SIGMA = 0.5
# A frame that by itself is sure to be soft by seeing is called so in a stretch out of focus only
# if its stars are larger by this than the stretch's.
_PLAIN_LOSS = 0.15
# Stretches of larger stars count from so many of the night's own scatters on, and this loss.
_TELLING_SIGMA, _TELLING_LOSS = 3.0, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ShapeLoss:
    """One reason for larger stars in one frame.

    Attributes
    ----------
    code : str
    loss : float
        ln of the star's area that it added.
    x_px, y_px : float
        Trail, or way between the images of a knock; NaN for others.
    waves : float
        Defocus at the pupil's edge, waves; NaN for others.
    """

    code: str
    loss: float
    x_px: float = math.nan
    y_px: float = math.nan
    waves: float = math.nan


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
    moved = _moved(evidence, fits, halos)
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
    size = np.where(known, size - level, 0.0)
    for rows in _stretches(states, evidence, size, sigma, fits):
        told = clear if any(row in clear for row in rows) else fits
        for row, code in zip(rows, _names(rows, evidence, told, size), strict=True):
            if size[row] >= max(_LEAST_LOSS, float(sigma[row])):
                one = ShapeLoss(code=code, loss=float(size[row]), waves=_waves(fits.get(row)))
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
            size[row] -= max(fit.parts[_round_family(fit)]["halo"], 0.0)
    for row, loss in moved.items():
        size[row] = np.nan
        if loss.code.startswith("trailed") and row in fits:
            parts = fits[row].parts[_trail_family(fits[row])]
            size[row] = parts["seeing"] + parts.get("focus", 0.0)
    return size


def _likeliest(fit: ShapeFit, families: Sequence[str]) -> str:
    return max((name for name in families if name in fit.parameters), key=fit.log_likelihood)


def _round_family(fit: ShapeFit) -> str:
    return _likeliest(fit, ("seeing", "focus"))


def _trail_family(fit: ShapeFit) -> str:
    return _likeliest(fit, ("trail", "trail-focus"))


def _moved(evidence: Evidence, fits: dict[int, ShapeFit], halos: set[int]) -> dict[int, ShapeLoss]:
    """Frames whose stars are drawn out or doubled, alike all over the field.

    Heavy dew leaves more than one round kernel explains, so that an image must be drawn out too
    before it counts as moved.
    """
    moved = {}
    for row, frame in enumerate(evidence.frames):
        profile = frame.profile
        if FrameFlag.DOUBLED in frame.flags and profile is not None:
            moved[row] = ShapeLoss(
                code="knocked",
                loss=float(max(evidence.size[row], 0.0)),
                x_px=profile.second_x_px,
                y_px=profile.second_y_px,
            )
    drawn = _drawn_out(evidence)
    for row, fit in fits.items():
        irregular = _is_irregular(fit) and row not in halos
        if (loss := _movement(fit)) is not None and (drawn[row] or irregular):
            moved[row] = loss
    for row in _astigmatic(moved, fits):
        moved[row] = ShapeLoss(code="out-of-focus", loss=float(evidence.size[row]))
    return moved


def _astigmatic(moved: dict[int, ShapeLoss], fits: dict[int, ShapeFit]) -> list[int]:
    """Rows whose stars are drawn out by focus, not by a move.

    Optics that are not perfect draw stars out when they are out of focus: along one line for as
    long as that lasts, and wider across it too. No two knocks are alike, and a mount that runs at
    a wrong rate leaves even trails.
    """
    told = [
        row
        for row in sorted(moved)
        if moved[row].code != "trailed" and row in fits and "trail" in fits[row].parameters
    ]
    rows: list[int] = []
    for span in spans(told, []):
        ways = np.array([fits[row].parameters["trail"][6:8] for row in span])
        # A line has no sense: angles are doubled.
        line = (ways[:, 0] + 1j * ways[:, 1]) ** 2
        usual = complex(np.median(line.real), np.median(line.imag))
        alike = np.mean(np.abs(line - usual) < _SAME_LINE * abs(usual)) > _MOSTLY
        parts = [fits[row].parts["trail"] for row in span]
        wider = np.median([one["seeing"] for one in parts])
        if len(span) >= _FEWEST_ALIKE and alike and wider > _WIDER_PART * _trail_part(parts):
            rows += span
    return rows


def _trail_part(parts: list[dict[str, float]]) -> float:
    return float(np.median([one["trail"] for one in parts]))


def _drawn_out(evidence: Evidence) -> NDArray[np.bool_]:
    """Which stars are less round than ordinary ones, whose stretch wanders, shape (n,).

    A mount that never runs quite true draws all stars out a little, now more, now less. A star
    that is rounder than those was not moved, though the ordinary star would have to be moved
    to look like it.
    """
    stretch = np.array([stretch_of(frame) for frame in evidence.frames])
    ordinary = stretch[evidence.ordinary]
    if len(ordinary) == 0:
        return np.ones(len(stretch), np.bool_)
    usual = np.median(ordinary, axis=0)
    # Of a distance in the plane the median is 1.1774 standard deviations an axis (Rayleigh).
    wander = float(np.median(np.hypot(*(ordinary - usual).T))) / 1.177410
    more = min(NEAR_SIGMA * wander, _PLAINLY_DRAWN)
    drawn: NDArray[np.bool_] = np.hypot(*stretch.T) > np.hypot(*usual) + more
    return drawn


def _is_irregular(fit: ShapeFit) -> bool:
    """Whether no round kernel explains the star."""
    return fit.chi2[_round_family(fit)] > _MOST_ROUND * fit.pixels


def _movement(fit: ShapeFit) -> ShapeLoss | None:
    """Tell a trail from a knock; None where the star did not move."""
    if "trail" not in fit.parameters:
        return None
    trail, still = _trail_family(fit), _round_family(fit)
    family = _likeliest(fit, (trail, "knock"))
    likelier = fit.log_likelihood(family) - fit.log_likelihood(still)
    kernel = "knock" if family == "knock" else "trail"
    if likelier < _SURE or fit.parts[family][kernel] < _LEAST_LOSS:
        # What neither round kernels nor one knock explain is a knock of another kind.
        if _is_irregular(fit):
            return ShapeLoss(code="knocked", loss=max(fit.parts["seeing"]["seeing"], _LEAST_LOSS))
        return None
    left = max(fit.chi2[trail] - fit.pixels, 0.0)
    lead = 2 * (fit.log_likelihood(trail) - fit.log_likelihood("knock"))
    need = _TRAIL_LEAD * max(left - _WELL_LEFT * fit.pixels, 0.0)
    code = "trailed" if lead > need else "knocked"
    if code == "trailed":
        family, kernel = trail, "trail"
    if need == 0 and abs(lead) < _SURE:
        code = "trailed|knocked"
    way = fit.parameters[family][6:8]
    return ShapeLoss(
        code=code,
        loss=float(fit.parts[family][kernel]),
        x_px=float(way[0]),
        y_px=float(way[1]),
    )


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


def _sure_gain(fit: ShapeFit) -> float:
    """Gain by focus, less what a parameter more gains by chance.

    A sharp star is explained by ordinary seeing, which the fit by focus has too.
    """
    return _focus_gain(fit) - math.log(fit.pixels)


def _focus_family(fit: ShapeFit) -> str:
    """With a trail where the star has one."""
    if "trail-focus" not in fit.parameters or _movement(fit) is None:
        return "focus"
    return "trail-focus"


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
        for rows in spans([int(row) for row in np.flatnonzero(states == state)], lost):
            least = np.maximum(_TELLING_SIGMA * sigma[rows], _TELLING_LOSS)
            gain = sum(_sure_gain(fits[row]) for row in rows if row in fits)
            if (size[rows] > least).any() or (
                gain > _SURE_FOCUS and float(size[rows].max()) > _TELLING_LOSS
            ):
                yield rows


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
            gain = 0.5 * _sure_gain(fit)
            evident = float(np.clip(gain, -_MOST_FRAME_EVIDENCE, _MOST_FRAME_EVIDENCE))
            chances[row, _UNFOCUSED] += evident
    return np.where(known[:, np.newaxis], chances, 0.0)


def _names(
    rows: list[int], evidence: Evidence, fits: dict[int, ShapeFit], size: Column
) -> list[str]:
    """Focus, seeing, or either: by all frames of a stretch together, but for plain ones."""
    typical = float(np.median(size[rows]))
    code = _name(rows, evidence, fits)
    plain = {
        row
        for row in rows
        if row in fits
        and _focus_gain(fits[row]) < -_SURE_FOCUS
        and (code != "out-of-focus" or size[row] > typical + _PLAIN_LOSS)
    }
    return ["soft-seeing" if row in plain else code for row in rows]


def _name(rows: list[int], evidence: Evidence, fits: dict[int, ShapeFit]) -> str:
    if any(FrameFlag.DISCS in evidence.frames[row].flags for row in rows):
        return "out-of-focus"
    asked = [fits[row] for row in rows if row in fits]
    if not any("focus" in fit.parameters for fit in asked):
        return _JOINT
    gains = np.clip([_focus_gain(fit) for fit in asked], -_MOST_GAIN, _MOST_GAIN)
    gain = float(gains.sum())
    sure = _SURE_FOCUS + _SURE_SIGMA * math.sqrt(len(gains)) * float(np.std(gains))
    if gain > sure and max(_waves(fit) for fit in asked) > _LEAST_WAVES:
        return "out-of-focus"
    return "soft-seeing" if gain < -sure else _JOINT


def _waves(fit: ShapeFit | None) -> float:
    """Defocus at the pupil's edge, waves; NaN where it was not fitted."""
    if fit is None or "focus" not in fit.parameters:
        return math.nan
    family = _focus_family(fit)
    return math.sqrt(max(float(fit.parameters[family][-1]), 0.0))
