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
    own_step,
    prior_information,
    shape_arrays,
    star_weights,
    starting_values,
)
from starwinnow.profile.moffat import ImagedFigures, imaged_figures
from starwinnow.profile.star_weights import OUTLIER_SIGMA, half_sample_mode
from starwinnow.quantile import quantile
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
# A fitted place moves about as far from where its star was found.
_MARGIN_PX = 2
_FIRST_SCATTER = 0.04
# ln size: rough sizes of stars agree this well, those of most galaxies do not.
_COMMON_SIZE = 0.35
# ln size: a frame's stars differ by less than this, galaxies by more.
_ALIKE = 0.05
# ln size: error of those that show a crowd, S/N of 13 or more; surer ones alone can be too few.
_SURE = 0.08
# A smaller crowd this much denser than the fitted one holds the stars.
_DENSER = 1.3
# ln rough size: the same, with what noise does to rough sizes; and the sizes looked at.
_ROUGHLY_ALIKE, _MOST_SIZES = 0.1, 300
# A crowd of stars has at least this part of the objects of any other crowd.
_CROWD = 0.25
# Light of a star's wings that may pass for background about it, as a part of its peak.
_WING_PART = 0.001
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
    neighbours : ndarray, shape (m, 6, 3)
        Neighbours of all sources, see `flag_neighbours`.
    cutouts : Cutouts
        The light about the stars offered, out to twice their FWHM.
    common : ndarray, shape (2, m)
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
    if _candidates(sources).sum() <= _LONE_STARS:
        sources = _without_extended(pixels, background, sources)
    crowd = _commonest_size(sources)
    fit = _fit_among(pixels, background, sources, crowd)
    if _few(fit):
        # What is brightest may be no star: knots of a nebula, pieces of a streak.
        smaller = _fit_among(pixels, background, sources, _smallest_size(sources) & ~crowd)
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


def _candidates(sources: Sources) -> NDArray[np.bool_]:
    clean: NDArray[np.bool_] = (sources.flags == 0) & (sources.significance >= _MIN_SIGNIFICANCE)
    return clean


def _commonest_size(sources: Sources) -> NDArray[np.bool_]:
    """Clean objects near the commonest rough size of the brightest of them, shape (n,)."""
    clean = _candidates(sources)
    if not clean.any():
        return clean
    sizes = np.log(sources.size_px)
    usual = np.abs(sizes - half_sample_mode(sizes[clean][:_FIRST_STARS])) < _COMMON_SIZE
    return clean & usual


def _smallest_size(sources: Sources) -> NDArray[np.bool_]:
    """Clean objects near the smallest rough size that many have, shape (n,).

    Knots of a nebula and pieces of a streak may be more than the stars, but they are larger.
    """
    clean = _candidates(sources)
    sizes = np.log(sources.size_px)
    sure = sizes[clean & (sources.significance >= _LONE_SIGNIFICANCE)][:_MOST_SIZES]
    if len(sure) == 0:
        return np.zeros(len(sources), bool)
    near = np.abs(sure[:, np.newaxis] - sure) < _ROUGHLY_ALIKE
    counts = np.count_nonzero(near, axis=1)
    many = counts >= max(_CROWD * counts.max(), min(FEW_STARS, counts.max()))
    crowd = near[many & (sure == sure[many].min())][0]
    # The middle of the crowd, whose edge the smallest lies on.
    usual: NDArray[np.bool_] = np.abs(sizes - quantile(sure[crowd])) < _COMMON_SIZE
    return clean & usual


def _without_extended(pixels: Pixels, background: Background, sources: Sources) -> Sources:
    """Flag objects that are no stars where so few are left that they cannot outvote each other.

    Each is fitted alone. Wings flatter than any seeing makes them (beside their error) are a
    galaxy's, and a faint object alone tells nothing.
    """
    flags = sources.flags.copy()
    for k in np.flatnonzero(_candidates(sources)):
        alone = np.arange(len(sources)) == k
        fitted = _first_fit(pixels, background, sources, alone)
        if fitted is None or sources.significance[k] < _LONE_SIGNIFICANCE:
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
    rough = half_sample_mode(np.log(sources.size_px[among][:_FIRST_STARS]))
    shape = np.array([rough, 0.0, 0.0, INVERSE_BETA_START])
    for _ in range(3):
        fwhm_px = float(np.exp(shape[0]))
        radius = _radius(fwhm_px)
        flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
        index = np.flatnonzero((flags == 0) & among)[:_FIRST_STARS]
        if len(index) == 0:
            return None
        state = FitState(shape=shape.copy(), own=starting_values(sources, index))
        view = _view(pixels, background, state, radius, neighbours[index])
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
    flags[sources.significance < _MIN_SIGNIFICANCE] |= StarFlag.FAINT
    # Presumed stars first, then what else is bright.
    index = np.concatenate([np.flatnonzero((flags == 0) & mask) for mask in (stars, ~stars)])
    index = np.sort(index[:_MAX_STARS])
    if len(index) == 0:
        return None
    state = FitState(shape=first.shape.copy(), own=starting_values(sources, index))
    # Places and brightness first, the shape held.
    view = _view(pixels, background, state, radius, neighbours[index])
    own_step(view, state.own, shape_arrays(state.shape, radius), None)
    equations = equations_of(view, state, common)
    crowd = None if last else _smaller_crowd(equations, background)
    if crowd is not None:
        return _SmallerCrowd(index=index[crowd])
    alike = _like_the_first(equations, first_equations, background)
    flags[index[~alike]] |= StarFlag.NOT_A_STAR
    index, state.own = index[alike], state.own[alike]
    view = dataclasses.replace(view, cutouts=view.cutouts.of(alike))
    equations = equations.of(alike)
    # Then both: so close by, this step and the one that ends the fit do.
    weight = star_weights(equations, background)[0]
    weight = weight * _on_plain_sky(state.own, weight, background)
    advance(state, equations, weight, background)
    return _finish(view, state, common, index, flags, neighbours)


@dataclass(frozen=True, slots=True, kw_only=True)
class _SmallerCrowd:
    """Rows of the sources that are alike and clearly smaller than what was fitted."""

    index: NDArray[np.intp]


def _smaller_crowd(equations: Equations, background: Background) -> NDArray[np.intp] | None:
    """Rows of a denser crowd of sizes below the fitted one, or None.

    What is no star is larger than one (galaxies, blends) and of many sizes, while stars are all
    alike: the densest crowd is that of the stars, even where they are the fewer.
    """
    _, deviation, error = star_weights(equations, background)
    width = deviation[:, 0]
    sure = error[:, 0] < _SURE
    if np.count_nonzero(sure) < FEW_STARS:
        return None
    near = np.abs(width[sure][:, np.newaxis] - width[sure]) < _ALIKE
    counts = np.count_nonzero(near, axis=1)
    center = quantile(width[sure][near[int(np.argmax(counts))]])
    fitted = np.count_nonzero(np.abs(width[sure]) < _ALIKE)
    if center > -2 * _ALIKE or counts.max() < max(FEW_STARS, _DENSER * fitted):
        return None
    return np.flatnonzero(np.abs(width - center) < 2 * _ALIKE)


def _on_plain_sky(own: Array, weight: Array, background: Background) -> NDArray[np.bool_]:
    """Which stars stand on sky like the others', shape (n,).

    In a nebula, a coma or the core of a cluster the light about a star is not its own. All are
    taken where less than a third, or too few, would be left.
    """
    used = weight > 0
    level = np.abs(own[:, 3])
    # From the stars of plainest sky: a quarter of a Gaussian lies within .3186 of its middle.
    usual = quantile(level[used], 0.25) / 0.318639 if used.any() else 0.0
    # What the profile lacks of a star's wings is taken for level too.
    limit = OUTLIER_SIGMA * max(usual, background.local_err_adu) + _WING_PART * own[:, 0]
    plain: NDArray[np.bool_] = level < limit
    left = np.count_nonzero(used & plain)
    return plain if left >= max(FEW_STARS, 0.3 * np.count_nonzero(used)) else np.ones_like(plain)


def _like_the_first(
    equations: Equations, first: Equations, background: Background
) -> NDArray[np.bool_]:
    """Which stars are as large as those of the first fit, within error and their own spread."""
    weight, width, _ = star_weights(first, background, least_scatter=_FIRST_SCATTER)
    if not weight.any():
        return np.ones(len(equations.pull), bool)
    widths = width[weight > 0, 0]
    spread = max(float(np.std(widths)), _FIRST_SCATTER)
    _, deviation, error = star_weights(equations, background)
    limit = OUTLIER_SIGMA * np.hypot(error[:, 0], spread)
    alike: NDArray[np.bool_] = np.abs(deviation[:, 0] - quantile(widths)) < limit
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
    weight = weight * _on_plain_sky(state.own, weight, background)
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
