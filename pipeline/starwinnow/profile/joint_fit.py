"""Star figures of a frame from one joint fit of its stars.

All stars share a shape (size, stretch, beta); each keeps its own brightness, place and level. Least squares with each star's own parameters eliminated
(Schur complement) gives the shape from all stars at once, without the bias that fitting faint
stars one by one has; each star's own deviation from the shape follows from one further step.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.flags import StarFlag
from starwinnow.frame import Pixels
from starwinnow.profile.moffat import ImagedFigures, imaged_figures, shape_matrices
from starwinnow.profile.kernel import accumulate, curvature_pull, node_counts, profile_table
from starwinnow.sources import Sources, flag_neighbours

__all__ = ["JointFit", "fit_stars", "half_sample_mode"]

Array = NDArray[np.float64]

_MAX_STARS = 128
_FIRST_STARS = 32
_MIN_SIGNIFICANCE = 7.0
# The fitted disc: wide enough to tell wings from background.
_RADIUS_PER_FWHM = 2.0
_RADIUS_EXTRA_PX = 1.0
# 1 / beta from the Gaussian (0.002) to wings that no seeing gives (beta 1.6); a weak preference
# for beta near 3.5 that spans both steadies fits of few faint stars.
_INVERSE_BETA_RANGE = (0.002, 0.62)
_INVERSE_BETA_START, _INVERSE_BETA_WIDTH = 0.28, 0.25
# Largest step of one iteration: ln FWHM, stretches, 1 / beta.
_STEP_LIMIT = np.array([0.3, 0.3, 0.3, 0.12])
_FWHM_RANGE_PX = (0.6, 40.0)
# Stars differ from their average by 1 % even in a perfect frame (pixels, optics); no star
# may count for more than that lets it.
_LEAST_SCATTER = 0.01
_OUTLIER_SIGMA = 4.0
# Variance of the places over the squared FWHM below which the fit's bias is under 0.05 %.
_NEGLIGIBLE_BLUR = 2e-4


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
    chi_square : float
        Mean squared residual in the used discs over the squared noise.
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
    chi_square: float

    @property
    def used(self) -> NDArray[np.bool_]:
        """Which of the offered stars carry the figures, shape (n,)."""
        return self.weight > 0

    def figures(self, change: tuple[float, float, float, float] = (0, 0, 0, 0)) -> ImagedFigures:
        """Figures of the fitted shape, or of one changed by (ln FWHM, stretches, 1/beta)."""
        width, s1, s2, inverse_beta = self.shape + np.array(change)
        return imaged_figures(float(np.exp(width)), float(s1), float(s2), float(inverse_beta))


@dataclass(slots=True)
class _State:
    shape: Array
    own: Array


def half_sample_mode(values: Array) -> float:
    """Mode of a sample: the densest half, again and again (Bickel & Fruhwirth 2006, from memory).

    Raises
    ------
    ValueError
        If there are no values.
    """
    data = np.sort(values)
    if len(data) == 0:
        raise ValueError("the mode of no values was asked for; give at least one")
    while len(data) > 2:
        half = (len(data) + 1) // 2
        spans = data[half - 1 :] - data[: len(data) - half + 1]
        start = int(np.argmin(spans))
        data = data[start : start + half]
    return float(np.mean(data))


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
    clean = (sources.flags == 0) & (sources.significance >= _MIN_SIGNIFICANCE)
    if not clean.any():
        return None
    rough = half_sample_mode(np.log(sources.size_px[clean][:_FIRST_STARS]))
    first = _first_fit(pixels, background, sources, float(np.exp(rough)))
    if first is None:
        return None
    return _full_fit(pixels, background, sources, first)


def _radius(fwhm_px: float) -> float:
    return _RADIUS_PER_FWHM * fwhm_px + _RADIUS_EXTRA_PX


def _first_fit(
    pixels: Pixels, background: Background, sources: Sources, fwhm_px: float
) -> _State | None:
    """Shape from the brightest stars alone, to start the full fit close by."""
    shape = np.array([np.log(fwhm_px), 0.0, 0.0, _INVERSE_BETA_START])
    for _ in range(3):
        fwhm_px = float(np.exp(shape[0]))
        radius = _radius(fwhm_px)
        flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
        index = np.flatnonzero((flags == 0) & (sources.significance >= _MIN_SIGNIFICANCE))
        index = index[:_FIRST_STARS]
        if len(index) == 0:
            index = np.flatnonzero(sources.flags == 0)[:1]
        if len(index) == 0:
            return None
        state = _State(shape=shape.copy(), own=_start(sources, index))
        weight = np.ones(len(index))
        for step in range(10):
            equations = _equations(pixels, background, state, radius, neighbours[index], step > 2)
            moved = _advance(state, equations, weight, background)
            if step >= 3:
                weight = _weights(equations, background)[0]
                if moved < 3e-3:
                    break
        shape = state.shape
        if abs(shape[0] - np.log(fwhm_px)) < 0.2:
            break
    return state


def _start(sources: Sources, index: NDArray[np.intp]) -> Array:
    return np.stack(
        [
            1.2 * sources.peak_adu[index],
            sources.x_px[index],
            sources.y_px[index],
            np.zeros(len(index)),
        ],
        axis=1,
    )


def _full_fit(
    pixels: Pixels, background: Background, sources: Sources, first: _State
) -> JointFit | None:
    fwhm_px = float(np.exp(first.shape[0]))
    radius = _radius(fwhm_px)
    flags, neighbours = flag_neighbours(sources, fwhm_px, radius)
    flags[sources.significance < _MIN_SIGNIFICANCE] |= StarFlag.FAINT
    index = np.flatnonzero(flags == 0)[:_MAX_STARS]
    if len(index) == 0:
        return None
    state = _State(shape=first.shape.copy(), own=_start(sources, index))
    near = neighbours[index]
    # Places and brightness first, the shape held; then both, from so close by that this step
    # and the one that ends the fit do.
    equations = _equations(pixels, background, state, radius, near, clip=False)
    _advance(state, equations, np.zeros(len(index)), background)
    equations = _equations(pixels, background, state, radius, near, clip=True)
    _advance(state, equations, _weights(equations, background)[0], background)
    return _finish(pixels, background, state, radius, index, near, flags, neighbours)


def _finish(  # noqa: PLR0913
    pixels: Pixels,
    background: Background,
    state: _State,
    radius: float,
    index: NDArray[np.intp],
    near: Array,
    flags: NDArray[np.int32],
    neighbours: Array,
) -> JointFit:
    equations = _equations(pixels, background, state, radius, near, clip=True)
    weight, deviation, deviation_err = _weights(equations, background)
    before = state.shape.copy()
    _advance(state, equations, weight, background)
    step = state.shape - before
    reduced, pull = equations.reduced, equations.pull - equations.reduced @ step
    deviation = deviation - step[:3]
    information = np.einsum("n,nab->ab", weight, reduced) + _prior_information(background)
    inverse = np.linalg.pinv(information, hermitian=True)
    influence = weight[:, np.newaxis] * pull @ inverse
    state.shape += _bias_step(pixels, background, state, radius, near, equations, weight, inverse)
    used = weight > 0
    n = int(used.sum())
    formal = inverse * background.noise_adu**2
    scatter = influence.T @ influence
    if n >= 8:
        covariance = scatter * n / (n - 1)
    else:
        # So few stars cannot tell their own scatter: the noise decides, unless they differ more.
        factor = scatter[0, 0] / formal[0, 0] * n / max(n - 1, 1)
        covariance = formal * max(1.0, factor)
    flags[index[~used]] |= StarFlag.NOT_A_STAR
    flags[index[~np.isfinite(state.own).all(axis=1)]] |= StarFlag.NO_FIT
    counts = equations.sums[used]
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
        chi_square=float(counts[:, 0].sum() / max(counts[:, 1].sum(), 1) / background.noise_adu**2),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Equations:
    """Normal equations with each star's own parameters eliminated.

    reduced (n, 4, 4) and pull (n, 4) are what each star says of the shared parameters;
    own_inverse (n, 4, 4), own_pull (n, 4) and cross (n, 4, 4) give its own back.
    """

    reduced: Array
    pull: Array
    own_inverse: Array
    own_pull: Array
    cross: Array
    sums: Array


def _equations(
    pixels: Pixels,
    background: Background,
    state: _State,
    radius: float,
    near: Array,
    clip: bool,
) -> _Equations:
    matrices, table = shape_arrays(state.shape)
    hessian, gradient, sums = accumulate(
        pixels, background, state.own, matrices, table, radius, near, clip=clip
    )
    level_prior = (background.noise_adu / background.local_err_adu) ** 2
    own = hessian[:, :4, :4].copy()
    own[:, 3, 3] += level_prior
    own_pull = gradient[:, :4].copy()
    own_pull[:, 3] -= level_prior * state.own[:, 3]
    # A tiny ridge keeps stars without usable pixels from stopping the whole frame.
    own += np.eye(4) * 1e-12 * (1.0 + np.trace(own, axis1=1, axis2=2))[:, np.newaxis, np.newaxis]
    inverse = np.linalg.inv(own)
    cross = hessian[:, :4, 4:]
    back = np.einsum("nab,nbs->nas", inverse, cross)
    return _Equations(
        reduced=hessian[:, 4:, 4:] - np.einsum("nas,nat->nst", cross, back),
        pull=gradient[:, 4:] - np.einsum("nas,na->ns", back, own_pull),
        own_inverse=inverse,
        own_pull=own_pull,
        cross=cross,
        sums=sums,
    )


def shape_arrays(shape: Array) -> tuple[Array, Array]:
    """Kernel arrays of a shape: C^-1 with its derivatives by the stretches, and the table."""
    width, stretch1, stretch2, inverse_beta = shape
    return shape_matrices(np.exp(width), stretch1, stretch2), profile_table(inverse_beta)


def _prior_information(background: Background) -> Array:
    prior = np.zeros((4, 4))
    prior[3, 3] = (background.noise_adu / _INVERSE_BETA_WIDTH) ** 2
    return prior


def _advance(
    state: _State, equations: _Equations, weight: Array, background: Background
) -> float:
    """One Gauss-Newton step in place; returns the largest change of the shape."""
    step = np.zeros(4)
    if weight.any():
        prior = _prior_information(background)
        information = np.einsum("n,nab->ab", weight, equations.reduced) + prior
        pull = weight @ equations.pull
        pull[3] -= prior[3, 3] * (state.shape[3] - _INVERSE_BETA_START)
        step = np.linalg.lstsq(information, pull, rcond=1e-12)[0]
        low, high = _INVERSE_BETA_RANGE
        if not low <= state.shape[3] + step[3] <= high:
            # At the end of the range 1/beta stays there and the rest is solved again.
            step[3] = np.clip(state.shape[3] + step[3], low, high) - state.shape[3]
            free = [0, 1, 2]
            rest = pull[free] - information[free, 3] * step[3]
            step[free] = np.linalg.lstsq(information[np.ix_(free, free)], rest, rcond=1e-12)[0]
        over = np.max(np.abs(step) / _STEP_LIMIT)
        step /= max(1.0, over)
        state.shape += step
        low_width, high_width = np.log(_FWHM_RANGE_PX)
        state.shape[0] = np.clip(state.shape[0], low_width, high_width)
    remaining = equations.own_pull - equations.cross @ step
    own_step = np.einsum("nab,nb->na", equations.own_inverse, remaining)
    own_step[:, 1:3] = np.clip(own_step[:, 1:3], -0.5, 0.5)
    state.own += own_step
    state.own[:, 0] = np.maximum(state.own[:, 0], 1e-6)
    return float(np.max(np.abs(step)))


def _bias_step(  # noqa: PLR0913
    pixels: Pixels,
    background: Background,
    state: _State,
    radius: float,
    near: Array,
    equations: _Equations,
    weight: Array,
    inverse: Array,
) -> Array:
    """Step that undoes the fit's second-order bias, shape (4,).

    A fitted center follows the noise, which makes faint stars look too narrow. The expected
    bias of least squares is -(J'J)^-1 J' d / 2 with d the trace of the parameters' covariance
    times the model's second derivatives (Box 1971, J. R. Statist. Soc. B 33, 171, from
    memory); only the derivatives by x and y matter here, as brightness enters linearly.
    """
    variance = np.einsum("naa->na", equations.own_inverse)[:, 1:3] * background.noise_adu**2
    strength = weight * state.own[:, 0] ** 2
    blur = float(strength @ variance.sum(axis=1)) / float(np.sum(strength))
    if blur < _NEGLIGIBLE_BLUR * np.exp(2 * state.shape[0]):
        return np.zeros(4)
    matrices, table = shape_arrays(state.shape)
    pull = curvature_pull(
        pixels.shape, state.own, variance, matrices, table, radius, near,
        *node_counts(matrices),
    )  # fmt: skip
    back = np.einsum("nab,nbs->nas", equations.own_inverse, equations.cross)
    reduced = pull[:, 4:] - np.einsum("nas,na->ns", back, pull[:, :4])
    step = 0.5 * inverse @ (weight @ reduced)
    low, high = _INVERSE_BETA_RANGE
    step[3] = np.clip(state.shape[3] + step[3], low, high) - state.shape[3]
    return np.asarray(np.clip(step, -_STEP_LIMIT, _STEP_LIMIT))


def _median(values: Array) -> float:
    """Upper median; numpy's own costs more than the fit's arithmetic on so few values."""
    middle = len(values) // 2
    return float(np.partition(values, middle)[middle])


def _weights(equations: _Equations, background: Background) -> tuple[Array, Array, Array]:
    """Weight of each star, and its own deviation from the shape with its error."""
    own = equations.reduced[:, :3, :3]
    own = own + np.eye(3) * 1e-12 * (1.0 + np.trace(own, axis1=1, axis2=2))[:, None, None]
    inverse = np.linalg.inv(own)
    deviation = np.einsum("nab,nb->na", inverse, equations.pull[:, :3])
    variance = np.maximum(np.einsum("naa->na", inverse), 0) * background.noise_adu**2
    width, width_variance = deviation[:, 0], variance[:, 0]
    # Stars fainter than the median say little: they must not set the center.
    sure = width_variance <= 2 * _median(width_variance)
    center = _median((width[sure]))
    spread = 1.482602 * _median((np.abs(width[sure] - center)))
    excess = max(_LEAST_SCATTER**2, spread**2 - _median((width_variance[sure])))
    limit = _OUTLIER_SIGMA * np.sqrt(width_variance + excess)
    good = np.abs(width - center) < limit
    for k in (1, 2):
        middle = _median((deviation[sure, k]))
        good &= np.abs(deviation[:, k] - middle) < _OUTLIER_SIGMA * np.sqrt(
            variance[:, k] + 4 * excess
        )
    if not good.any():
        good[:] = True
    weight = np.where(good, 1.0 / (1.0 + excess / np.maximum(width_variance, 1e-12)), 0.0)
    return weight, deviation, np.sqrt(variance)
