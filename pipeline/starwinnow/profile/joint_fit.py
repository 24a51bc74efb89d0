"""Star figures of a frame from one joint fit of its stars.

All stars share a shape (size, stretch, beta); each keeps its own brightness, place and level.
Least squares with each star's own parameters eliminated (Schur complement) gives the shape from
all stars at once, without the bias that fitting faint stars one by one has; each star's own
deviation from the shape follows from one further step.
"""

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.flags import FEW_STARS, StarFlag
from starwinnow.frame import Pixels
from starwinnow.profile.equations import (
    INVERSE_BETA_START,
    OUTLIER_SIGMA,
    Equations,
    FitState,
    FitView,
    advance,
    bias_step,
    common_of,
    equations_of,
    half_sample_mode,
    prior_information,
    star_weights,
    starting_values,
)
from starwinnow.profile.moffat import ImagedFigures, imaged_figures
from starwinnow.sources import Sources, flag_neighbours

__all__ = ["JointFit", "fit_stars"]

Array = NDArray[np.float64]

_MAX_STARS = 90
_FIRST_STARS = 25
# Steps of the first fit before pixels far off are left out.
_FREE_STEPS = 3
_MIN_SIGNIFICANCE = 7.0
# The fitted disc: wide enough to tell wings from background.
_RADIUS_PER_FWHM = 2.0
_RADIUS_EXTRA_PX = 1.0
_FIRST_SCATTER = 0.04
# ln size: rough sizes of stars agree this well, those of most galaxies do not.
_COMMON_SIZE = 0.35
# So few candidates cannot outvote a galaxy among them and are looked at one by one.
_LONE_STARS = 3
_LONE_SIGNIFICANCE = 12.0
# 1 / beta of wings that fall as r^-4.4; Kolmogorov seeing and a round aperture end near r^-3.7
# and r^-3, but only where a star has faded below a thousandth of its peak.
_FLATTEST_WINGS = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFit:
    """One shape for all stars and each star's own parameters.

    Attributes
    ----------
    shape : ndarray, shape (4,)
        ln FWHM of the Moffat (px), stretch1, stretch2, 1 / beta.
    covariance : ndarray, shape (4, 4)
        From the scatter of the stars' influences.
    influence : ndarray, shape (n, 4)
        How far each star pulls the shape; zero for stars not used.
    own : ndarray, shape (n, 4)
        Peak of the Moffat (ADU), x, y (px), level above the mesh (ADU).
    deviation, deviation_err : ndarray, shape (n, 3)
        Each star's own ln FWHM and stretches less the frame's, and their errors.
    index : ndarray of intp, shape (n,)
        Rows of the sources the fit was offered.
    weight : ndarray, shape (n,)
        0 where a star was left out as not like the others.
    flags : ndarray of int32, shape (m,)
        Flags of all sources, with BLENDED, FAINT, NOT_A_STAR and NO_FIT added.
    neighbours : ndarray, shape (m, 6, 2)
        Neighbours of all sources.
    common : ndarray, shape (2, side, side)
        What all stars' images hold beyond the profile, in units of its peak, and its spread.
    """

    shape: Array
    covariance: Array
    influence: Array
    own: Array
    deviation: Array
    deviation_err: Array
    index: NDArray[np.intp]
    weight: Array
    flags: NDArray[np.int32]
    neighbours: Array
    common: Array

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which of the offered stars carry the figures, shape (n,)."""
        return self.weight > 0

    def figures(self, change: tuple[float, float, float, float] = (0, 0, 0, 0)) -> ImagedFigures:
        """Figures of the fitted shape, or of one changed by (ln FWHM, stretches, 1/beta)."""
        width, s1, s2, inverse_beta = self.shape + np.array(change)
        return imaged_figures(float(np.exp(width)), float(s1), float(s2), float(inverse_beta))


def fit_stars(pixels: Pixels, background: Background, sources: Sources) -> JointFit | None:
    """Fit the frame's stars together.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
        ADU.
    background : Background
    sources : Sources

    Returns
    -------
    JointFit or None
        None where no source can serve as a star.
    """
    if _candidates(sources).sum() <= _LONE_STARS:
        sources = _without_extended(pixels, background, sources)
    first = _first_fit(pixels, background, sources)
    if first is None:
        return None
    return _full_fit(pixels, background, sources, *first)


def _candidates(sources: Sources) -> NDArray[np.bool_]:
    clean: NDArray[np.bool_] = (sources.flags == 0) & (sources.significance >= _MIN_SIGNIFICANCE)
    return clean


def _without_extended(pixels: Pixels, background: Background, sources: Sources) -> Sources:
    """Flag objects that are no stars where so few are left that they cannot outvote each other.

    Each is fitted alone. Wings flatter than any seeing makes them (beside their error) are a
    galaxy's, and a faint object alone tells nothing.
    """
    flags = sources.flags.copy()
    for k in np.flatnonzero(_candidates(sources)):
        alone = sources.flags.copy()
        alone[np.arange(len(alone)) != k] |= StarFlag.FAINT
        fitted = _first_fit(pixels, background, dataclasses.replace(sources, flags=alone))
        if fitted is None or sources.significance[k] < _LONE_SIGNIFICANCE:
            flags[k] |= StarFlag.FAINT
            continue
        state, equations, _ = fitted
        information = equations.reduced[0] + prior_information(background)
        error = background.noise_adu * float(np.sqrt(np.linalg.inv(information)[3, 3]))
        if state.shape[3] - 2 * error > _FLATTEST_WINGS:
            flags[k] |= StarFlag.NOT_A_STAR
    return dataclasses.replace(sources, flags=flags)


def _radius(fwhm_px: float) -> float:
    return _RADIUS_PER_FWHM * fwhm_px + _RADIUS_EXTRA_PX


def _first_fit(
    pixels: Pixels, background: Background, sources: Sources
) -> tuple[FitState, Equations, Array] | None:
    """Shape from the brightest stars alone, to start the full fit close by.

    One bright galaxy must not outweigh the stars: those near the commonest rough size are
    taken, and none counts for more than a star of S/N 25 would.
    """
    clean = _candidates(sources)
    if not clean.any():
        return None
    sizes = np.log(sources.size_px)
    rough = half_sample_mode(sizes[clean][:_FIRST_STARS])
    usual = np.abs(sizes - rough) < _COMMON_SIZE
    shape = np.array([rough, 0.0, 0.0, INVERSE_BETA_START])
    for _ in range(3):
        fwhm_px = float(np.exp(shape[0]))
        radius = _radius(fwhm_px)
        flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
        index = np.flatnonzero((flags == 0) & clean & usual)[:_FIRST_STARS]
        if len(index) == 0:
            return None
        view = FitView(
            pixels=pixels,
            background=background,
            radius_px=radius,
            neighbours=neighbours[index],
        )
        state = FitState(shape=shape.copy(), own=starting_values(sources, index))
        for step in range(12):
            settled = step >= _FREE_STEPS
            if step == _FREE_STEPS:
                common = common_of(view, state)
            equations = equations_of(view, state, common if settled else None)
            weight = star_weights(
                equations, background, least_scatter=_FIRST_SCATTER, clip=settled
            )[0]
            if advance(state, equations, weight, background) < 1e-2 and settled:
                break
        shape = state.shape
        if not np.isfinite(shape).all():
            return None
        if abs(shape[0] - np.log(fwhm_px)) < 0.2:
            break
    return state, equations, common


def _full_fit(
    pixels: Pixels,
    background: Background,
    sources: Sources,
    first: FitState,
    first_equations: Equations,
    common: Array,
) -> JointFit | None:
    fwhm_px = float(np.exp(first.shape[0]))
    radius = _radius(fwhm_px)
    flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
    flags[sources.significance < _MIN_SIGNIFICANCE] |= StarFlag.FAINT
    index = np.flatnonzero(flags == 0)[:_MAX_STARS]
    if len(index) == 0:
        return None
    state = FitState(shape=first.shape.copy(), own=starting_values(sources, index))
    # Places and brightness first, the shape held.
    view = FitView(
        pixels=pixels, background=background, radius_px=radius, neighbours=neighbours[index]
    )
    advance(state, equations_of(view, state, None), np.zeros(len(index)), background)
    equations = equations_of(view, state, common)
    alike = _like_the_first(equations, first_equations, background)
    flags[index[~alike]] |= StarFlag.NOT_A_STAR
    index, state.own = index[alike], state.own[alike]
    view = dataclasses.replace(view, neighbours=neighbours[index])
    equations = equations.of(alike)
    # Then both: so close by, this step and the one that ends the fit do.
    advance(state, equations, star_weights(equations, background)[0], background)
    return _finish(view, state, common, index, flags, neighbours)


def _like_the_first(
    equations: Equations, first: Equations, background: Background
) -> NDArray[np.bool_]:
    """Which stars are as large as those of the first fit, within error and their own spread."""
    weight, width, _ = star_weights(first, background, least_scatter=_FIRST_SCATTER)
    if not weight.any():
        return np.ones(len(equations.pull), bool)
    spread = max(float(np.std(width[weight > 0, 0])), _FIRST_SCATTER)
    _, deviation, error = star_weights(equations, background)
    limit = OUTLIER_SIGMA * np.hypot(error[:, 0], spread)
    alike: NDArray[np.bool_] = np.abs(deviation[:, 0] - np.median(width[weight > 0, 0])) < limit
    return alike if alike.any() else ~alike


def _finish(
    view: FitView,
    state: FitState,
    common: Array,
    index: NDArray[np.intp],
    flags: NDArray[np.int32],
    neighbours: Array,
) -> JointFit:
    background = view.background
    equations = equations_of(view, state, common)
    weight, deviation, deviation_err = star_weights(equations, background)
    before = state.shape.copy()
    advance(state, equations, weight, background)
    step = state.shape - before
    reduced, pull = equations.reduced, equations.pull - equations.reduced @ step
    deviation = deviation - step[:3]
    information = np.einsum("n,nab->ab", weight, reduced) + prior_information(background)
    inverse = np.linalg.inv(information + np.eye(4) * 1e-12 * (1.0 + np.trace(information)))
    influence = weight[:, np.newaxis] * pull @ inverse
    state.shape += bias_step(view, state, equations, weight, inverse)
    used = weight > 0
    n = int(used.sum())
    formal = inverse * background.noise_adu**2
    scatter = influence.T @ influence
    if n >= FEW_STARS:
        covariance = scatter * n / (n - 1)
    else:
        # So few stars cannot tell their own scatter: the noise decides, unless they differ more.
        factor = scatter[0, 0] / formal[0, 0] * n / max(n - 1, 1)
        covariance = formal * max(1.0, factor)
    flags[index[~used]] |= StarFlag.NOT_A_STAR
    flags[index[~np.isfinite(state.own).all(axis=1)]] |= StarFlag.NO_FIT
    return JointFit(
        shape=state.shape,
        covariance=covariance,
        influence=influence,
        own=state.own,
        deviation=deviation,
        deviation_err=deviation_err,
        index=index,
        weight=weight,
        flags=flags,
        neighbours=neighbours,
        common=common,
    )
