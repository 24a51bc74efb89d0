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
from starwinnow.flags import FEW_STARS, StarFlag, raise_flag
from starwinnow.frame import Pixels
from starwinnow.profile.cutouts import Cutouts, cut
from starwinnow.profile.elimination import inverse_of
from starwinnow.profile.equations import (
    INVERSE_BETA_START,
    Equations,
    FitState,
    FitView,
    advance,
    bias_step,
    common_of,
    equations_of,
    kernel_shape,
    own_step,
    prior_information,
    star_weights,
    starting_values,
)
from starwinnow.profile.moffat import ImagedFigures, imaged_figures
from starwinnow.profile.presumed_stars import (
    FIRST_SCATTER,
    FIRST_STARS,
    LONE_SIGNIFICANCE,
    MIN_SIGNIFICANCE,
    candidates,
    commonest_size,
    like_the_first,
    on_plain_sky,
    smaller_crowd,
    smallest_size,
)
from starwinnow.profile.star_weights import half_sample_mode
from starwinnow.sources import Sources, flag_neighbours

__all__ = ["JointFit", "fit_stars"]

Array = NDArray[np.float64]

_MAX_STARS = 90
# Steps of the first fit before pixels far off are left out.
_FREE_STEPS = 3
# The fitted disc: wide enough to tell wings from background.
_RADIUS_PER_FWHM = 2.0
_RADIUS_EXTRA_PX = 1.0
# A fitted place moves about as far from where its star was found.
_MARGIN_PX = 2
# So few candidates cannot outvote a galaxy among them and are looked at one by one.
_LONE_STARS = 3
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
    neighbours : ndarray, shape (m, 6, 3)
        Neighbours of all sources, see `flag_neighbours`.
    cutouts : Cutouts
        The light about the stars offered, out to twice their FWHM.
    common : ndarray, shape (2, side, side)
        What all stars' images hold beyond the profile, see `common_remainder`.
    figures : ImagedFigures
        Of the shape.
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
    cutouts: Cutouts
    common: Array
    figures: ImagedFigures

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which of the offered stars carry the figures, shape (n,)."""
        return self.weight > 0

    def figures_at(self, change: tuple[float, float, float, float]) -> ImagedFigures:
        """Figures of the fitted shape changed by (ln FWHM, stretches, 1/beta)."""
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
    if candidates(sources).sum() <= _LONE_STARS:
        sources = _without_extended(pixels, background, sources)
    crowd = commonest_size(sources)
    fit = _fit_among(pixels, background, sources, crowd)
    if _few(fit):
        # What is brightest may be no star: knots of a nebula, pieces of a streak.
        smaller = _fit_among(pixels, background, sources, smallest_size(sources) & ~crowd)
        fit = smaller if fit is None or not _few(smaller) else fit
    if isinstance(fit, _SmallerCrowd):
        # What was fitted first were galaxies.
        stars = np.zeros(len(sources), bool)
        stars[fit.index] = True
        fit = _fit_among(pixels, background, sources, stars, last=True)
    return fit if isinstance(fit, JointFit) else None


def _few(fit: "JointFit | _SmallerCrowd | None") -> bool:
    """Whether a fit, or what it points to, holds too few stars to be sure that they are some."""
    if fit is None:
        return True
    count = len(fit.index) if isinstance(fit, _SmallerCrowd) else np.count_nonzero(fit.used)
    return bool(count < FEW_STARS)


def _fit_among(
    pixels: Pixels,
    background: Background,
    sources: Sources,
    stars: NDArray[np.bool_],
    last: bool = False,
) -> "JointFit | _SmallerCrowd | None":
    """Fit all sources that are like some of them, presumed stars."""
    first = _first_fit(pixels, background, sources, stars)
    if first is None:
        return None
    return _full_fit(pixels, background, sources, stars, *first, last=last)


def _without_extended(pixels: Pixels, background: Background, sources: Sources) -> Sources:
    """Flag objects that are no stars where so few are left that they cannot outvote each other.

    Each is fitted alone. Wings flatter than any seeing makes them (beside their error) are a
    galaxy's, and a faint object alone tells nothing.
    """
    flags = sources.flags.copy()
    for k in np.flatnonzero(candidates(sources)):
        alone = np.arange(len(sources)) == k
        fitted = _first_fit(pixels, background, sources, alone)
        if fitted is None or sources.significance[k] < LONE_SIGNIFICANCE:
            flags[k] |= StarFlag.FAINT
            continue
        state, equations, _ = fitted
        information = equations.reduced[0] + prior_information(background)
        error = background.noise_adu * float(np.sqrt(inverse_of(information)[3, 3]))
        if state.shape[3] - 2 * error > _FLATTEST_WINGS:
            flags[k] |= StarFlag.NOT_A_STAR
    return dataclasses.replace(sources, flags=flags)


def _radius(fwhm_px: float) -> float:
    return _RADIUS_PER_FWHM * fwhm_px + _RADIUS_EXTRA_PX


def _first_fit(
    pixels: Pixels, background: Background, sources: Sources, among: NDArray[np.bool_]
) -> tuple[FitState, Equations, Array] | None:
    """Shape from the brightest of some objects, to start the full fit close by.

    One bright galaxy must not outweigh the stars: none counts for more than a star of S/N 25
    would.
    """
    if not among.any():
        return None
    rough = half_sample_mode(np.log(sources.size_px[among][:FIRST_STARS]))
    shape = np.array([rough, 0.0, 0.0, INVERSE_BETA_START])
    for _ in range(3):
        fwhm_px = float(np.exp(shape[0]))
        radius = _radius(fwhm_px)
        flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
        index = np.flatnonzero((flags == 0) & among)[:FIRST_STARS]
        if len(index) == 0:
            return None
        state = FitState(shape=shape.copy(), own=starting_values(sources, index))
        view = _view(pixels, background, state, radius, neighbours[index])
        for step in range(12):
            settled = step >= _FREE_STEPS
            if step == _FREE_STEPS:
                common = common_of(view, state)
            equations = equations_of(view, state, common if settled else None)
            weight, _, _ = star_weights(
                equations, background, least_scatter=FIRST_SCATTER, clip=settled
            )
            if advance(state, equations, weight, background) < 1e-2 and settled:
                break
        shape = state.shape
        if not np.isfinite(shape).all():
            return None
        if abs(shape[0] - np.log(fwhm_px)) < 0.2:
            break
    return state, equations, common


def _view(
    pixels: Pixels, background: Background, state: FitState, radius_px: float, neighbours: Array
) -> FitView:
    places = state.own[:, 1:3]
    cutouts = cut(pixels, background, places, radius_px, neighbours, margin_px=_MARGIN_PX)
    return FitView(cutouts=cutouts, background=background, radius_px=radius_px)


def _full_fit(
    pixels: Pixels,
    background: Background,
    sources: Sources,
    stars: NDArray[np.bool_],
    first: FitState,
    first_equations: Equations,
    common: Array,
    last: bool = False,
) -> "JointFit | _SmallerCrowd | None":
    fwhm_px = float(np.exp(first.shape[0]))
    radius = _radius(fwhm_px)
    flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
    raise_flag(flags, sources.significance < MIN_SIGNIFICANCE, StarFlag.FAINT)
    # Presumed stars first, then what else is bright.
    index = np.concatenate([np.flatnonzero((flags == 0) & mask) for mask in (stars, ~stars)])
    index = np.sort(index[:_MAX_STARS])
    if len(index) == 0:
        return None
    state = FitState(shape=first.shape.copy(), own=starting_values(sources, index))
    # Places and brightness first, the shape held.
    view = _view(pixels, background, state, radius, neighbours[index])
    own_step(view, state.own, kernel_shape(state.shape), None)
    equations = equations_of(view, state, common)
    crowd = None if last else smaller_crowd(equations, background)
    if crowd is not None:
        return _SmallerCrowd(index=index[crowd])
    alike = like_the_first(equations, first_equations, background)
    flags[index[~alike]] |= StarFlag.NOT_A_STAR
    index, state.own = index[alike], state.own[alike]
    view = dataclasses.replace(view, cutouts=view.cutouts.of(alike))
    equations = equations.of(alike)
    # Then both: so close by, this step and the one that ends the fit do.
    weight = star_weights(equations, background)[0]
    weight = weight * on_plain_sky(state.own, weight, background)
    advance(state, equations, weight, background)
    return _finish(view, state, common, index, flags, neighbours)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SmallerCrowd:
    """Rows of the sources that are alike and clearly smaller than what was fitted."""

    index: NDArray[np.intp]


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
    weight = weight * on_plain_sky(state.own, weight, background)
    before = state.shape.copy()
    advance(state, equations, weight, background)
    step = state.shape - before
    reduced, pull = equations.reduced, equations.pull - equations.reduced @ step
    deviation = deviation - step[:3]
    information = np.einsum("n,nab->ab", weight, reduced) + prior_information(background)
    inverse = inverse_of(information)
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
    width, s1, s2, inverse_beta = (float(value) for value in state.shape)
    return JointFit(
        figures=imaged_figures(float(np.exp(width)), s1, s2, inverse_beta),
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
        cutouts=view.cutouts,
        common=common,
    )
