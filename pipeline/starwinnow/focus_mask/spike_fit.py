"""Fits one or three triples of spikes to the light around a star."""

from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from starwinnow.focus_mask.line_layout import SINGLE, Layout
from starwinnow.focus_mask.smoothing import smoothed
from starwinnow.focus_mask.spike_equations import spike_equations
from starwinnow.focus_mask.spike_profile import PROFILE_HALF_PX, PROFILE_STEP_PX
from starwinnow.focus_mask.star_window import StarWindow

__all__ = [
    "Fit",
    "Pixels",
    "fit_spikes",
    "near_lines",
    "pixels_around",
    "settle",
    "spike_light",
    "thinned",
]

FloatArray = NDArray[np.float64]
_Value = TypeVar("_Value", bound=np.generic)

_RING_PX = 3.0
_LARGEST_RADIUS_PX = 70.0
_STEPS = 14
_ROUNDS = 3
# The model is good to this part of the spike's light.
_MODEL_PART = 0.04
# Before the model is known bright light counts no more than to this part of itself.
_START_PART = 0.06
# Half spikes differ by less than this, where no neighbour shines.
_MOST_SIDE_RATIO = 2.0
# Remainders move the fit by this part of what they would if they had not been drawn towards it
# themselves: by robust weights (normal ones to .85), and as few bright half spikes tell most.
# Found on stars drawn by prysm.
_PULL = 0.8
_HIDDEN = 1e-3
_LOST = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pixels:
    """Pixels outside the core, sorted by rings; places from the star's centre."""

    x: FloatArray
    y: FloatArray
    light: FloatArray
    variance: FloatArray
    first: NDArray[np.int64]
    radius: FloatArray


@dataclass(slots=True, kw_only=True)
class Fit:
    """State of a fit.

    Attributes
    ----------
    params : ndarray, shape (n,)
        As `layout` tells.
    chevron : int
        Lean assumed for the profiles' shape.
    layout : Layout
        Of the mask's lines.
    covariance : ndarray, shape (n, n)
    chi2 : float
        Weighted sum of squares.
    """

    params: FloatArray
    chevron: int
    detail_px: float
    layout: Layout = SINGLE
    chi2: float = np.inf
    covariance: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    amplitude: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    amplitude_var: FloatArray = field(default_factory=lambda: np.empty((0, 0)))
    model: FloatArray = field(default_factory=lambda: np.empty(0))
    weight: FloatArray = field(default_factory=lambda: np.empty(0))

    def offset_errors(self) -> FloatArray:
        """Tell the standard error of each triple's offset, px; NaN before the fit's end."""
        _, change = self.layout.offsets(self.params)
        if not self.covariance.size:
            return np.full(len(change), np.nan)
        errors: FloatArray = np.sqrt(np.diag(change @ self.covariance @ change.T))
        return errors


def pixels_around(window: StarWindow, inner_px: float | None = None) -> Pixels:
    """Pixels on rings of 3 px outside the core, with the radial profile taken out."""
    ny, nx = window.light.shape
    yy, xx = np.indices((ny, nx))
    x, y = xx - window.x_px, yy - window.y_px
    radius = np.hypot(x, y)
    inner = window.core_px if inner_px is None else inner_px
    smooth = smoothed(np.where(np.isfinite(window.light), window.light, 0), 1.5)
    use = (radius >= inner) & (radius < _LARGEST_RADIUS_PX) & np.isfinite(window.light)
    ring = ((radius[use] - inner) / _RING_PX).astype(int)
    order = np.argsort(ring, kind="stable")
    light = window.light[use][order].astype(np.float64)
    r = radius[use][order]
    light -= _radial_median(r, light)
    first = np.searchsorted(ring[order], np.arange(ring.max() + 2 if len(ring) else 1))
    return Pixels(
        x=x[use][order],
        y=y[use][order],
        light=light,
        variance=window.noise_adu**2 + (_START_PART * smooth[use][order]) ** 2,
        first=first.astype(np.int64),
        radius=r,
    )


def _radial_median(radius: FloatArray, light: FloatArray) -> FloatArray:
    """Median light of rings one pixel wide, interpolated."""
    bins = radius.astype(int)
    order = np.argsort(bins, kind="stable")
    edges = np.flatnonzero(np.diff(bins[order])) + 1
    groups = np.split(order, edges)
    centers = np.array([radius[group].mean() for group in groups])
    medians = np.array([np.median(light[group]) for group in groups])
    light_at: FloatArray = np.interp(radius, centers, medians)
    return light_at


def _evaluate(fit: Fit, pixels: Pixels, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Evaluate the fit and give its normal equations.

    The matrix, and each ring's and half spike's part of the right side, shape (n, params).
    """
    layout = fit.layout
    directions, distances, change = layout.lines(fit.params)
    lines, rings = len(directions), len(pixels.first) - 1
    known, unknown = 2 * lines + 2, 2 * lines + 1
    amplitude, amplitude_var = np.zeros((rings, known)), np.zeros((rings, known))
    model = np.zeros(len(pixels.x))
    normal, scores = np.zeros((unknown, unknown)), np.zeros((rings, 2 * lines, unknown))
    fit.chi2 = spike_equations(
        pixels.x, pixels.y, pixels.light, weight, pixels.first, directions, distances,
        layout.tables(fit.params, fit.chevron, fit.detail_px), layout.table_of_line,
        PROFILE_STEP_PX, PROFILE_HALF_PX, amplitude, amplitude_var, model, normal, scores,
    )  # fmt: skip
    fit.amplitude, fit.amplitude_var, fit.model = amplitude, amplitude_var, model
    fit.weight = weight
    fit.chi2 += float(layout.firmness @ fit.params**2)
    return change.T @ normal @ change, scores.reshape(-1, unknown) @ change


def _descend(fit: Fit, pixels: Pixels, weight: FloatArray, steps: int) -> None:
    """Gauss-Newton steps with damping until the offset settles."""
    layout, prior = fit.layout, fit.layout.firmness
    normal, scores = _evaluate(fit, pixels, weight)
    damping = 1e-3
    for _ in range(steps):
        before, chi2 = fit.params.copy(), fit.chi2
        full = normal + np.diag(prior + damping * np.diag(normal) + 1e-12)
        step = np.linalg.solve(full, scores.sum(axis=0) - prior * before)
        step = np.clip(step, -layout.largest_step, layout.largest_step)
        fit.params = np.clip(before + step, layout.low, layout.high)
        new_normal, new_scores = _evaluate(fit, pixels, weight)
        if fit.chi2 <= chi2 * (1 + 1e-9):
            normal, scores, damping = new_normal, new_scores, damping / 5
            if np.abs(step[layout.places]).max() < 2e-3 and abs(step[layout.width]) < 5e-3:
                break
        else:
            fit.params, fit.chi2 = before, chi2
            damping = max(damping, 1e-3) * 10
            if damping > 1e4:
                break


def settle(fit: Fit, pixels: Pixels, steps: int) -> None:
    """Take a few steps; none only tells how well the guess explains the light."""
    _descend(fit, pixels, 1 / pixels.variance, steps)


def thinned(pixels: Pixels) -> Pixels:
    """Every third pixel, enough to choose among guesses."""
    return _chosen(pixels, np.rint(pixels.x - pixels.x[0] + 2 * (pixels.y - pixels.y[0])) % 3 == 0)


def _chosen(pixels: Pixels, use: NDArray[np.bool_]) -> Pixels:
    counts = np.concatenate([[0], np.cumsum(use)])
    return Pixels(
        x=pixels.x[use],
        y=pixels.y[use],
        light=pixels.light[use],
        variance=pixels.variance[use],
        first=counts[pixels.first],
        radius=pixels.radius[use],
    )


def near_lines(fit: Fit, pixels: Pixels) -> Pixels:
    """Pixels that a fit's spikes can reach, and enough of the sky beside them."""
    directions, distances, _ = fit.layout.lines(fit.params)
    reach = 8.0 + 1.3 * float(np.abs(fit.layout.offsets(fit.params)[0]).max())
    use = np.zeros(len(pixels.x), np.bool_)
    for direction, distance in zip(directions, distances, strict=True):
        across = pixels.y * np.cos(direction) - pixels.x * np.sin(direction) - distance
        use |= np.abs(across) < reach
    return _chosen(pixels, use)


def fit_spikes(fit: Fit, pixels: Pixels, light_per_variance: float | None) -> Fit:
    """Take a rough fit to its end: robust weights, then errors.

    `light_per_variance` is the variance that a unit of light brings (1 / gain); None measures it.
    """
    base = pixels.variance
    weight: FloatArray = 1 / base
    for _ in range(_ROUNDS):
        _descend(fit, pixels, weight, _STEPS)
        weight = _robust_weight(fit, pixels, light_per_variance)
        _hide_neighbours(fit, pixels, weight)
    _descend(fit, pixels, weight, _STEPS)
    normal, scores = _evaluate(fit, pixels, weight)
    # The remainders themselves tell the errors, summed up by half spikes and rings: what the
    # profile lacks on both sides of a spike moves nothing (Liang & Zeger 1986, Biometrika 73, 13,
    # from memory).
    moved = scores @ np.linalg.pinv(normal + np.diag(fit.layout.firmness)) / _PULL
    fit.covariance = moved.T @ moved
    return fit


def _other_half(halves: NDArray[_Value]) -> NDArray[_Value]:
    """Swap what belongs to the two halves of each spike; two columns a spike."""
    return halves.reshape(len(halves), -1, 2)[:, :, ::-1].reshape(halves.shape)


def _is_stranger(fit: Fit) -> NDArray[np.bool_]:
    """Tell half spikes' rings that are much brighter than the other half: neighbours' light.

    A diffraction order lies as bright on either side of the star. Shape (rings, 2 lines).
    """
    light, variance = fit.amplitude[:, :-2], fit.amplitude_var[:, :-2]
    known = np.where(np.isfinite(variance), variance, 0)
    sigma = np.sqrt(known + _other_half(known))
    stranger: NDArray[np.bool_] = light > _MOST_SIDE_RATIO * _other_half(light) + 4 * sigma
    return stranger


def spike_light(fit: Fit) -> tuple[FloatArray, FloatArray]:
    """Light of each ring and half spike and its variance, shape (rings, 2 lines).

    Both halves are 0 where a neighbour shines on one, or hides it from the fit.
    """
    light, variance = fit.amplitude[:, :-2], fit.amplitude_var[:, :-2]
    lost = _is_stranger(fit) | (variance > _LOST * np.median(variance, axis=1)[:, None])
    lost |= _other_half(lost) | ~np.isfinite(variance)
    return np.where(lost, 0, light), np.where(lost, 0, variance)


def _hide_neighbours(fit: Fit, pixels: Pixels, weight: FloatArray) -> None:
    """Take the pixels of neighbour stars on a spike out of the fit, in place."""
    directions, distances, _ = fit.layout.lines(fit.params)
    for k, half in zip(*np.nonzero(_is_stranger(fit)), strict=True):
        ring = slice(pixels.first[k], pixels.first[k + 1])
        c, s = np.cos(directions[half // 2]), np.sin(directions[half // 2])
        x, y = pixels.x[ring], pixels.y[ring]
        along = (x * c + y * s) * (-1 if half % 2 else 1)
        across = np.abs(y * c - x * s - distances[half // 2])
        near = (along > 0) & (across < 3 * fit.params[fit.layout.width] + 2)
        weight[ring][near] *= _HIDDEN


def _robust_weight(fit: Fit, pixels: Pixels, light_per_variance: float | None) -> FloatArray:
    """Weights that count a neighbour star's pixels little, and bright spikes no more than known."""
    left = pixels.light - fit.model
    spikes = np.maximum(fit.model, 0)
    base = pixels.variance
    gain = light_per_variance
    if gain is None:
        bright = spikes > 3 * np.sqrt(base)
        extra = np.clip(left[bright] ** 2 - base[bright], -base[bright], 30 * spikes[bright])
        gain = max(0.0, float(extra.sum() / spikes[bright].sum())) if bright.any() else 0.0
    variance = base + gain * spikes + (_MODEL_PART * spikes) ** 2
    # Cauchy weights with a scale from each ring's own scatter.
    weight = np.empty_like(base)
    for k in range(len(pixels.first) - 1):
        ring = slice(pixels.first[k], pixels.first[k + 1])
        sigma = left[ring] / np.sqrt(variance[ring])
        scale = max(1.0, 1.4826 * float(np.median(np.abs(sigma)))) if len(sigma) else 1.0
        weight[ring] = 1 / (variance[ring] * scale**2 * (1 + (sigma / (3.0 * scale)) ** 2))
    return weight
