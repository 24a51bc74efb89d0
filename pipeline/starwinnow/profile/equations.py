"""Normal equations of the joint fit: one step of the shared shape and of each star's own part."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.profile.curvature import curvature_pull
from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.elimination import eliminate, solve_each, take_step
from starwinnow.profile.kernel import accumulate
from starwinnow.profile.moffat import shape_matrices
from starwinnow.profile.remainders import common_remainder
from starwinnow.profile.star_pixels import Shape, disc_of, expected_on
from starwinnow.profile.star_weights import weigh
from starwinnow.sources import Sources

__all__ = [
    "INVERSE_BETA_START",
    "Equations",
    "FitState",
    "FitView",
    "advance",
    "bias_step",
    "common_of",
    "equations_of",
    "kernel_shape",
    "own_step",
    "prior_information",
    "star_weights",
    "starting_values",
]

Array = NDArray[np.float64]

# 1 / beta from the Gaussian (0.002) to wings that no seeing gives (beta 1.6); a weak preference
# for beta near 3.5 that spans both steadies fits of few faint stars.
_INVERSE_BETA_RANGE = (0.002, 0.62)
INVERSE_BETA_START, _INVERSE_BETA_WIDTH = 0.28, 0.25
# Largest step of one iteration: ln FWHM, stretches, 1 / beta.
_STEP_LIMIT = np.array([0.3, 0.3, 0.3, 0.12])
# Of the shape: FWHM of 0.6 to 40 px, any stretch.
_LOWEST = np.array([np.log(0.6), -np.inf, -np.inf, _INVERSE_BETA_RANGE[0]])
_HIGHEST = np.array([np.log(40.0), np.inf, np.inf, _INVERSE_BETA_RANGE[1]])
# Stars differ from their average by 1 % even in a perfect frame (pixels, optics); no star
# may count for more than that lets it.
_LEAST_SCATTER = 0.01
# A Moffat's peak over the brightest pixel's mean of it, roughly.
_PEAK_PER_PIXEL = 1.2
# No star whose place is worse known than this part of the FWHM says more of the bias than one
# that is so known.
_HELD_PART = 0.1
_BIAS_LIMIT = 0.03
# Variance of the places over the squared FWHM below which the fit's bias is under 0.05 %.
_NEGLIGIBLE_BLUR = 2e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class FitView:
    """What a fit looks at: a disc about each of n stars.

    Attributes
    ----------
    cutouts : Cutouts
        The light about each star, without the pixels nearer to another object.
    background : Background
    radius_px : float
        Radius of the discs.
    """

    cutouts: Cutouts
    background: Background
    radius_px: float


@dataclass(slots=True, kw_only=True)
class FitState:
    """Where a fit stands: the shape (4,) and the stars' own parameters (n, 4).

    Shape: ln FWHM of the Moffat (px), stretch1, stretch2, 1 / beta. Own: peak of the Moffat
    (ADU), x, y (px), level above the mesh (ADU).
    """

    shape: Array
    own: Array


def starting_values(sources: Sources, index: NDArray[np.intp] | slice = slice(None)) -> Array:
    """Own parameters to start from, shape (n, 4): see `FitState`."""
    peak = sources.peak_adu[index]
    own = np.zeros((len(peak), 4))
    own[:, 0], own[:, 1], own[:, 2] = (
        _PEAK_PER_PIXEL * peak,
        sources.x_px[index],
        sources.y_px[index],
    )
    return own


@dataclass(frozen=True, slots=True, kw_only=True)
class Equations:
    """Normal equations with each star's own parameters eliminated.

    reduced (n, 4, 4) and pull (n, 4) are what each star says of the shared parameters;
    own_inverse (n, 4, 4), own_pull (n, 4) and cross (n, 4, 4) give its own back.
    """

    reduced: Array
    pull: Array
    own_inverse: Array
    own_pull: Array
    cross: Array

    def of(self, chosen: NDArray[np.bool_]) -> "Equations":
        """Pick the equations of some of the stars."""
        return Equations(**{name: getattr(self, name)[chosen] for name in self.__slots__})


def equations_of(view: FitView, state: FitState, common: Array | None) -> Equations:
    """Set up the normal equations about a state.

    With `common`, see `common_of`, pixels far off model and common remainder are left out.
    """
    background = view.background
    hessian, gradient = _accumulated(view, state.own, kernel_shape(state.shape), common)
    reduced, pull, own_inverse, own_pull, cross = eliminate(
        hessian, gradient, state.own[:, 3], _level_information(background)
    )
    return Equations(
        reduced=reduced,
        pull=pull,
        own_inverse=own_inverse,
        own_pull=own_pull,
        cross=cross,
    )


def _accumulated(
    view: FitView,
    own: Array,
    shape: Shape,
    common: Array | None,
    *,
    shared: bool = True,
) -> tuple[Array, Array]:
    disc = disc_of(view.radius_px)
    noise = float("inf") if common is None else view.background.noise_adu
    return accumulate(
        view.cutouts, noise, own, shape, disc=disc, expected=expected_on(common, disc),
        shared=shared,
    )  # fmt: skip


def common_of(view: FitView, state: FitState) -> Array:
    """Find what all stars' images hold beyond the profile; see `common_remainder`."""
    return common_remainder(
        view.cutouts, view.background.noise_adu, state.own, kernel_shape(state.shape),
        view.radius_px,
    )  # fmt: skip


def kernel_shape(shape: Array) -> Shape:
    """Give a shape as kernels take it: C^-1 with its derivatives by the stretches, and 1 / beta."""
    width, stretch1, stretch2, inverse_beta = shape.tolist()
    return shape_matrices(math.exp(width), stretch1, stretch2), inverse_beta


def prior_information(background: Background) -> Array:
    """Give what the weak preference for beta adds to the shared equations, shape (4, 4)."""
    prior = np.zeros((4, 4))
    prior[3, 3] = (background.noise_adu / _INVERSE_BETA_WIDTH) ** 2
    return prior


def _level_information(background: Background) -> float:
    """Tell how surely a star's own level is none, for noise of 1."""
    return (background.noise_adu / background.local_err_adu) ** 2


def advance(state: FitState, equations: Equations, weight: Array, background: Background) -> float:
    """One Gauss-Newton step in place; returns the largest change of the shape."""
    prior = float(prior_information(background)[3, 3])
    largest: float = take_step(
        state.shape, state.own, equations.reduced, equations.pull, equations.own_inverse,
        equations.own_pull, equations.cross, weight, prior, INVERSE_BETA_START, _LOWEST, _HIGHEST,
        _STEP_LIMIT,
    )  # fmt: skip
    return largest


def own_step(view: FitView, own: Array, shape: Shape, common: Array | None) -> Array:
    """One Gauss-Newton step of each star's own parameters in place, the shape held.

    Parameters
    ----------
    view : FitView
    own : ndarray, shape (n, 4)
        See `FitState`.
    shape : tuple
        `kernel_shape` of the shape.
    common : ndarray or None
        As in `equations_of`.

    Returns
    -------
    ndarray, shape (n, 4)
        Variances of the parameters for noise of 1.
    """
    background = view.background
    hessian, gradient = _accumulated(view, own, shape, common, shared=False)
    prior = _level_information(background)
    hessian[:, 3, 3] += prior
    gradient[:, 3] -= prior * own[:, 3]
    change, variance = solve_each(hessian, gradient)
    change[:, 1:3] = np.minimum(np.maximum(change[:, 1:3], -0.5), 0.5)
    own += change
    own[:, 0] = np.maximum(own[:, 0], 1e-6)
    return np.asarray(variance)


def bias_step(
    view: FitView, state: FitState, equations: Equations, weight: Array, inverse: Array
) -> Array:
    """Step that undoes the fit's second-order bias, shape (4,).

    A fitted center follows the noise, which makes faint stars look too narrow. The expected
    bias of least squares is -(J'J)^-1 J' d / 2 with d the trace of the parameters' covariance
    times the model's second derivatives (Box 1971, J. R. Statist. Soc. B 33, 171, from
    memory); only the derivatives by x and y matter here, as brightness enters linearly.
    """
    variance = np.einsum("naa->na", equations.own_inverse)[:, 1:3]
    # A star of which the fit has lost hold would say anything.
    held = (_HELD_PART * np.exp(state.shape[0])) ** 2
    variance = np.minimum(variance * view.background.noise_adu**2, held)
    strength = weight * state.own[:, 0] ** 2
    blur = float(strength @ variance.sum(axis=1)) / float(np.sum(strength))
    if blur < _NEGLIGIBLE_BLUR * np.exp(2 * state.shape[0]):
        return np.zeros(4)
    pull = curvature_pull(
        view.cutouts, state.own, variance, kernel_shape(state.shape), disc_of(view.radius_px)
    )
    back = np.einsum("nab,nbs->nas", equations.own_inverse, equations.cross)
    reduced = pull[:, 4:] - np.einsum("nas,na->ns", back, pull[:, :4])
    step = 0.5 * inverse @ (weight @ reduced)
    low, high = _INVERSE_BETA_RANGE
    step[3] = np.clip(state.shape[3] + step[3], low, high) - state.shape[3]
    return np.asarray(np.clip(step, -_BIAS_LIMIT, _BIAS_LIMIT))


def star_weights(
    equations: Equations,
    background: Background,
    least_scatter: float = _LEAST_SCATTER,
    clip: bool = True,
) -> tuple[Array, Array, Array]:
    """Weight of each star, and its own deviation from the shape with its error; see `weigh`."""
    # Size and stretches of each star alone, beta held.
    weight, deviation, error = weigh(
        np.ascontiguousarray(equations.reduced[:, :3, :3]),
        np.ascontiguousarray(equations.pull[:, :3]),
        background.noise_adu, float(least_scatter), clip,
    )  # fmt: skip
    return weight, deviation, error
