"""Stars drawn out or doubled, alike all over the field: trails and knocks."""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.ordinary import NEAR_SIGMA
from starwinnow.diagnosis.shape_fit import ShapeFit
from starwinnow.diagnosis.spans import spans
from starwinnow.diagnosis.stretch import stretch_of
from starwinnow.flags import FrameFlag

__all__ = ["LEAST_LOSS", "ShapeLoss", "moved_stars", "movement", "round_family", "trail_family"]

LEAST_LOSS = 0.02
"""A reason must cost this in ln of area."""

# A trail or a knock must be likelier by this, in ln of odds.
_SURE = 8.0
# A trail must lead a knock by this part of what it leaves unexplained itself: an uneven trail is
# still far better than two points. Where both explain all, they cannot be told apart.
_TRAIL_LEAD, _WELL_LEFT = 0.7, 0.15
# An axis ratio a tenth lower than the ordinary one is plain on any night.
_PLAINLY_DRAWN = 0.1
# So many neighbouring stars along one line, the lengths and ways of most alike to this part, and as
# much wider across it as this part of what the line adds, are astigmatic, not moved.
_FEWEST_ALIKE, _SAME_LINE, _MOSTLY, _WIDER_PART = 4, 0.5, 0.75, 0.5
# Neighbours this near along the same line, within this angle, go with them.
_BEGINNING, _SAME_WAY_DEG = 3, 20.0
# Round kernels explain dew and field curvature this well at worst, in chi squared a pixel.
_MOST_ROUND = 1.5


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


def moved_stars(
    evidence: Evidence, fits: dict[int, ShapeFit], halos: set[int]
) -> dict[int, ShapeLoss]:
    """Tell which frames have stars drawn out or doubled, alike all over the field, and how.

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
        if (loss := movement(fit)) is not None and (drawn[row] or irregular):
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
    told = [row for row in sorted(moved) if row in fits and "trail" in fits[row].parameters]
    even = [row for row in told if moved[row].code == "trailed"]
    lines = {row: _line_of(fits[row]) for row in told}
    rows: list[int] = []
    for span in spans([row for row in told if row not in even], even):
        found = np.array([lines[row] for row in span])
        usual = complex(np.median(found.real), np.median(found.imag))
        alike = np.mean(np.abs(found - usual) < _SAME_LINE * abs(usual)) > _MOSTLY
        parts = [fits[row].parts["trail"] for row in span]
        wider = np.median([one["seeing"] for one in parts])
        if len(span) >= _FEWEST_ALIKE and alike and wider > _WIDER_PART * _trail_part(parts):
            rows += span
            # So short a line as this began with looks even.
            near = range(span[0] - _BEGINNING, span[-1] + _BEGINNING + 1)
            rows += [row for row in even if row in near and _is_along(lines[row], usual)]
    return rows


def _line_of(fit: ShapeFit) -> complex:
    """Way of a fit's trail, squared: a line has no sense, so its angles are doubled."""
    x, y = fit.parameters["trail"][6:8]
    return complex(x, y) ** 2


def _is_along(line: complex, usual: complex) -> bool:
    return abs(cmath.phase(line * usual.conjugate())) < 2 * math.radians(_SAME_WAY_DEG)


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
    return fit.chi2[round_family(fit)] > _MOST_ROUND * fit.pixels


def movement(fit: ShapeFit) -> ShapeLoss | None:
    """Tell a trail from a knock; None where the star did not move."""
    if "trail" not in fit.parameters:
        return None
    trail, still = trail_family(fit), round_family(fit)
    family = _likeliest(fit, (trail, "knock"))
    likelier = fit.log_likelihood(family) - fit.log_likelihood(still)
    kernel = "knock" if family == "knock" else "trail"
    if likelier < _SURE or fit.parts[family][kernel] < LEAST_LOSS:
        # What neither round kernels nor one knock explain is a knock of another kind.
        if _is_irregular(fit):
            return ShapeLoss(code="knocked", loss=max(fit.parts["seeing"]["seeing"], LEAST_LOSS))
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


def _likeliest(fit: ShapeFit, families: Sequence[str]) -> str:
    return max((name for name in families if name in fit.parameters), key=fit.log_likelihood)


def round_family(fit: ShapeFit) -> str:
    """Likelier family of round kernels."""
    return _likeliest(fit, ("seeing", "focus"))


def trail_family(fit: ShapeFit) -> str:
    """Likelier family with a trail."""
    return _likeliest(fit, ("trail", "trail-focus"))
