"""The same stars at other places of the sensor -> how much of their light arrives where.

Optics and tubes shade a sensor towards its corners. When the field drifts, stars move into the
shade or out of it, and their flux says something about the telescope that must not be taken for
the sky.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from starwinnow.flux_ratio import flux_ratio
from starwinnow.frame_measures import FrameMeasures
from starwinnow.relate import MatchedFluxes, Relation, matched_fluxes
from starwinnow.star_matching import image_centre

__all__ = ["FieldResponse", "fit_response", "transparency_through"]

Points = NDArray[np.float64]
Table = NDArray[np.float64]

# Terms of ln response in coordinates u, v from the image's middle, 1 in the corners:
# r^2, r^4 | u^2 - v^2, 2 u v, u, v, u r^2, v r^2. Those behind the bar belong to a shade that is
# not round, or not about the middle.
_TERMS = 8
_ROUND_TERMS = 2
# Standard deviation expected of a round term: ln 2 is a corner with half of the light.
_ROUND_SIGMA = 0.7
# A shade c off the middle, in half diagonals, has linear terms 2 c times its quadratic one. Its
# centre is taken to lie within a tenth, one standard deviation, and the other terms to be as small
# (common practice, no source). Where the field only drifts, without turning, stars cannot tell a
# linear term from cloud, nor what a shade does across the drift.
_OTHER_PER_ROUND = 0.2
# Round part at the corner that the other terms are judged by before the fit has told it.
_FIRST_CORNER = 0.3
# So unlikely must the improvement be by chance; the terms are tested together.
_CHANCE_LIMIT = 1e-6
# Frames with less light than this part of the best are cloudy: its edges would look like shade.
_LEAST_LIGHT = 0.6
# Stars are used where both frames should show them with this S/N.
_SURE_SNR = 20.0
_FEWEST_STARS = 8
# Fewer frames cannot tell shade, which stays, from cloud, which moves.
_FEWEST_FRAMES = 6
_MOST_STARS = 300
_MOST_FRAMES = 120
# Least scatter of a star's flux (scintillation, flat field), as in `flux_ratio`.
_LEAST_SCATTER = 0.005
_CLIP_SIGMA = 4.0
_CLIP_ROUNDS = 3
_SCATTER_ROUNDS = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldResponse:
    """How much of the light of a star arrives, by its place on the sensor.

    Attributes
    ----------
    shape : tuple of int
        (ny, nx) of the sensor, px.
    coefficients : ndarray of float64, shape (8,)
        Of the terms of the natural logarithm of the response, see `terms`.
    covariance : ndarray of float64, shape (8, 8)
        Of the coefficients, with what is not known of the shade's centre.
    frames : int
        Frames behind it, the reference included.
    """

    shape: tuple[int, int]
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    frames: int

    def light(self, xy_px: Points) -> NDArray[np.float64]:
        """Light at places of shape (n, 2), px, over that in the middle, shape (n,)."""
        response: NDArray[np.float64] = np.exp(self.terms(xy_px) @ self.coefficients)
        return response

    def terms(self, xy_px: Points) -> Table:
        """Values of the terms at places of shape (n, 2), px, shape (n, 8).

        r^2, r^4, u^2 - v^2, 2 u v, u, v, u r^2, v r^2, with u, v from the middle, 1 in the corners.
        """
        return _terms(xy_px, self.shape)

    def corner_light(self) -> tuple[float, float]:
        """Light in the corners over that in the middle, and its standard error."""
        mean_terms = _corner_terms(self.shape)
        light = float(np.exp(mean_terms @ self.coefficients))
        return light, light * float(np.sqrt(mean_terms @ self.covariance @ mean_terms))


def fit_response(
    reference: FrameMeasures, related: Sequence[tuple[FrameMeasures, Relation]]
) -> FieldResponse | None:
    """Fit a smooth response from the stars of a run, if they carry it.

    The logarithm of a star's flux is taken for the sum of its brightness, the frame's
    transparency and the response at its place; brightness and transparency are eliminated. What
    the stars cannot tell of the response is as small as a shade nearly round about the middle
    makes it, and stays in the covariance.

    Parameters
    ----------
    reference : FrameMeasures
        The run's reference.
    related : sequence of (FrameMeasures, Relation)
        Frames of the run in time order with how they lie on the reference; it may be among them.

    Returns
    -------
    FieldResponse or None
        None when the stars do not show any: they stayed in their places, are too few, or get
        the same light everywhere.
    """
    fluxes = _FluxTable(reference, related)
    if not fluxes.enough:
        return None
    corner = _FIRST_CORNER
    for _ in range(2):
        coefficients, precision = fluxes.solve(corner)
        significance = float(coefficients @ precision @ coefficients)
        if chdtrc(_TERMS, significance) > _CHANCE_LIMIT:
            return None
        corner = min(abs(float(_corner_terms(reference.shape) @ coefficients)), _FIRST_CORNER)
    covariance = np.asarray(np.linalg.inv(precision), np.float64)
    return FieldResponse(
        shape=reference.shape,
        coefficients=coefficients,
        covariance=covariance,
        frames=fluxes.frames,
    )


def transparency_through(
    response: FieldResponse, frame: FrameMeasures, reference: FrameMeasures, relation: Relation
) -> tuple[float, float]:
    """Transparency of a frame with the response taken out, and its standard error.

    The error holds what is not known of the response; NaN when no star serves.
    """
    both = matched_fluxes(frame.stars, reference.stars, relation)
    if len(both.flux) == 0:
        return np.nan, np.nan
    light, reference_light = response.light(both.xy_px), response.light(both.reference_xy_px)
    value, err = flux_ratio(
        both.flux / light,
        both.flux_err / light,
        both.reference_flux / reference_light,
        both.reference_err / reference_light,
    )
    moved = response.terms(both.xy_px) - response.terms(both.reference_xy_px)
    moved = np.average(moved, axis=0, weights=1 / (_variance(both.flux, both.flux_err)))
    return value, float(np.hypot(err, value * np.sqrt(moved @ response.covariance @ moved)))


class _FluxTable:
    """ln fluxes of the reference's brightest stars, shape (stars, frames), 0 weight where unseen.

    Column 0 is the reference. Values are relative to its fluxes.
    """

    def __init__(
        self, reference: FrameMeasures, related: Sequence[tuple[FrameMeasures, Relation]]
    ) -> None:
        self.shape = reference.shape
        chosen = _spread_out(_clear(reference, related))
        count = len(reference.stars)
        self.values = np.zeros((count, len(chosen) + 1))
        self.weights = np.zeros_like(self.values)
        self.terms = np.zeros((_TERMS, *self.values.shape))
        for column, (frame, relation) in enumerate(chosen, start=1):
            both = _sure(matched_fluxes(frame.stars, reference.stars, relation), relation)
            rows = both.reference_rows
            self.values[rows, column] = np.log(both.flux / both.reference_flux)
            self.weights[rows, column] = 1 / _variance(both.flux, both.flux_err)
            self.terms[:, rows, column] = _terms(both.xy_px, self.shape).T
            self.weights[rows, 0] = 1 / _variance(both.reference_flux, both.reference_err)
            self.terms[:, rows, 0] = _terms(both.reference_xy_px, self.shape).T
        self._keep_what_serves()

    def _keep_what_serves(self) -> None:
        """Drop frames with few stars, stars seen once, and all but the brightest stars."""
        frames = np.count_nonzero(self.weights, axis=0) >= _FEWEST_STARS
        frames[0] = True
        self.weights[:, ~frames] = 0
        stars = np.flatnonzero(np.count_nonzero(self.weights, axis=1) >= 2)[:_MOST_STARS]
        self.values = self.values[np.ix_(stars, frames)]
        self.weights = self.weights[np.ix_(stars, frames)]
        self.terms = self.terms[:, stars][:, :, frames]

    @property
    def frames(self) -> int:
        """Frames that serve."""
        return self.values.shape[1]

    @property
    def enough(self) -> bool:
        """Whether there is enough to tell a response from cloud."""
        return self.frames >= _FEWEST_FRAMES and len(self.values) >= _FEWEST_STARS

    def solve(self, corner: float) -> tuple[NDArray[np.float64], Table]:
        """Coefficients and their precision, with other terms judged by the part at a corner.

        Weighted least squares; stars off by more than four standard deviations in a frame
        (variable, blended) are dropped there. The precision is that of the scatter found, as
        far as the stars of a frame scatter together: cloud dims one side of a frame.
        """
        sigma = np.full(_TERMS, max(_OTHER_PER_ROUND * corner, 1e-6))
        sigma[:_ROUND_TERMS] = _ROUND_SIGMA
        everything = np.concatenate([self.values[np.newaxis], self.terms])
        weights = self.weights.copy()
        for _ in range(_CLIP_ROUNDS):
            values, *terms = _without_star_and_frame(everything, weights)
            fit = _Regression(values, np.array(terms), weights, np.diag(1 / sigma**2))
            weights[weights * fit.left**2 > _CLIP_SIGMA**2 * fit.star_scatter] = 0
        return fit.coefficients, fit.precision


class _Regression:
    """Coefficients of terms, for values that scatter more than their weights say."""

    def __init__(self, values: Table, terms: Table, weights: Table, prior: Table) -> None:
        weighted = weights * terms
        products = np.tensordot(weighted, terms, ([1, 2], [1, 2]))
        right = np.tensordot(weighted, values, ([1, 2], [0, 1]))
        freedom = int(np.count_nonzero(weights)) - sum(weights.shape) - _TERMS
        scatter = 1.0
        for _ in range(_SCATTER_ROUNDS):
            self.precision: Table = products / scatter + prior
            solution = np.linalg.solve(self.precision, right / scatter)
            self.coefficients = np.asarray(solution, np.float64)
            self.left = values - np.tensordot(self.coefficients, terms, 1)
            self.star_scatter = max(1.0, float(np.sum(weights * self.left**2)) / max(freedom, 1))
            told = self._trace(products) / scatter
            frame_scatter = self._frame_scatter(
                np.sum(weighted * self.left, axis=1), products, told
            )
            scatter = max(self.star_scatter, frame_scatter)

    def _frame_scatter(self, scores: Table, products: Table, told: float) -> float:
        """How much larger the variance is since stars of one frame scatter together.

        From the frames' sums of term x weight x remainder, shape (k, frames): variances by
        groups (Liang & Zeger 1986, Biometrika 73, 13, from memory), averaged over the terms as
        far as the data tell them; `told` is how many they tell.
        """
        frames = scores.shape[1]
        together = scores @ scores.T * frames / max(frames - 1 - told, 0.5)
        return self._trace(together) / self._trace(products)

    def _trace(self, matrix: Table) -> float:
        return float(np.einsum("ii", np.asarray(np.linalg.solve(self.precision, matrix))))


def _without_star_and_frame(tables: Table, weights: Table) -> Table:
    """Tables of shape (k, stars, frames) less the best value for each star and each frame.

    Weighted least squares with the stars eliminated first; frame 0 holds the zero.
    """
    star_weights = weights.sum(axis=1)
    seen = star_weights > 0
    part = np.divide(weights, star_weights[:, np.newaxis], where=seen[:, np.newaxis],
                     out=np.zeros_like(weights))  # fmt: skip
    tables = tables - np.sum(part * tables, axis=2, keepdims=True)
    matrix = np.diag(weights.sum(axis=0)) - weights.T @ part
    right = np.sum(weights * tables, axis=1)
    frames = np.zeros_like(right)
    frames[:, 1:] = np.linalg.lstsq(matrix[1:, 1:], right[:, 1:].T, rcond=None)[0].T
    effect = frames[:, np.newaxis, :] - (frames @ part.T)[:, :, np.newaxis]
    cleared: Table = np.where(weights > 0, tables - effect, 0.0)
    return cleared


def _clear(
    reference: FrameMeasures, related: Sequence[tuple[FrameMeasures, Relation]]
) -> list[tuple[FrameMeasures, Relation]]:
    """Frames without much cloud, the reference aside."""
    lights = [r.transparency for _, r in related if np.isfinite(r.transparency)]
    least = _LEAST_LIGHT * max(lights, default=0.0)
    return [pair for pair in related if pair[0] is not reference and pair[1].transparency > least]


def _spread_out(
    related: list[tuple[FrameMeasures, Relation]],
) -> list[tuple[FrameMeasures, Relation]]:
    """At most 120 of them, evenly over the order given."""
    if len(related) <= _MOST_FRAMES:
        return related
    picks = np.linspace(0, len(related) - 1, _MOST_FRAMES).round().astype(int)
    return [related[pick] for pick in picks]


def _sure(both: MatchedFluxes, relation: Relation) -> MatchedFluxes:
    """Stars that both frames should show well, by their flux in the reference."""
    expected = relation.transparency * both.reference_flux / both.flux_err
    reference_snr = both.reference_flux / both.reference_err
    return both.select(np.minimum(expected, reference_snr) >= _SURE_SNR)


def _variance(flux: NDArray[np.float64], flux_err: NDArray[np.float64]) -> NDArray[np.float64]:
    """Variance of ln flux, shape (n,)."""
    variance: NDArray[np.float64] = (flux_err / flux) ** 2 + _LEAST_SCATTER**2
    return variance


def _terms(xy_px: Points, shape: tuple[int, int]) -> Table:
    """Values of the terms of ln response, shape (n, 8)."""
    middle = np.array(image_centre(shape))
    u, v = ((xy_px - middle) / np.hypot(*middle)).T
    r2 = u**2 + v**2
    return np.column_stack([r2, r2**2, u**2 - v**2, 2 * u * v, u, v, u * r2, v * r2])


def _corner_terms(shape: tuple[int, int]) -> NDArray[np.float64]:
    """Terms averaged over the four corners, shape (8,)."""
    ny, nx = shape
    corners = np.array([[0.0, 0.0], [nx - 1, 0], [0, ny - 1], [nx - 1, ny - 1]])
    mean: NDArray[np.float64] = _terms(corners, shape).mean(axis=0)
    return mean
