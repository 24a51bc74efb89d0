"""What a mean of frames will show, predicted from their measures and scores."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures
from starwinnow.information import detail_frequencies, imaged_spectrum
from starwinnow.keep_set import growing_squares, stack_snr2
from starwinnow.scoring import RunScores
from starwinnow.settings import Aim, Mean
from starwinnow.star_spectrum import depth_frequencies

__all__ = [
    "StackParts",
    "growing_snr",
    "mean_weights",
    "stack_fwhm",
    "stack_parts",
    "stack_snr",
    "star_amplitudes",
]

Column = NDArray[np.float64]

# Directions and radii of the half-maximum contour. Radii go with the square, out to this many
# FWHM of the widest frame: the contour of a stack with one wide frame is near the start.
_DIRECTIONS = 24
_RADII = 96
_REACH_FWHM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class StackParts:
    """The scored frames of a run as parts of a stack, rows of one order.

    Attributes
    ----------
    file_names : tuple of str
    worth_s, transparency, noise_adu, fwhm_px : ndarray of float64, shape (n,)
    amplitudes : ndarray of complex128, shape (n, k)
        Light T times star of each raw frame for the aim: the sum of squares over the noise's
        variance is the frame's information.
    spectra : ndarray of complex128, shape (n, m), or None
        Each frame's star at `depth_frequencies`, for unit flux; None for `depth`, whose amplitudes
        say the same: together they are most of what a long night takes.
    reference : int or None
        Row of the run's reference; None without frames.
    """

    file_names: tuple[str, ...]
    worth_s: Column
    transparency: Column
    noise_adu: Column
    fwhm_px: Column
    amplitudes: NDArray[np.complex128]
    spectra: NDArray[np.complex128] | None
    reference: int | None

    def __len__(self) -> int:
        return len(self.file_names)


def stack_parts(measures: Sequence[FrameMeasures], scores: RunScores, aim: Aim) -> StackParts:
    """Put together the frames of a run that have a score for the aim, in the order given."""
    pairs = [
        (frame, score)
        for frame, score in zip(measures, scores.scores, strict=True)
        if score.worth_s > 0
    ]
    frames = [frame for frame, _ in pairs]
    names = tuple(frame.file_name for frame in frames)
    reference = names.index(str(scores.reference_file)) if frames else None
    fwhm_px = math.nan if reference is None else frames[reference].fwhm_px
    amplitudes = star_amplitudes(frames, aim=aim, fwhm_ref_px=fwhm_px)
    transparency = np.array([score.transparency for _, score in pairs])
    amplitudes *= transparency[:, np.newaxis]
    return StackParts(
        file_names=names,
        worth_s=np.array([score.worth_s for _, score in pairs]),
        transparency=transparency,
        noise_adu=np.array([frame.noise_adu for frame in frames]),
        fwhm_px=np.array([frame.fwhm_px for frame in frames]),
        amplitudes=amplitudes,
        spectra=None if aim == "depth" else _spectra(frames, depth_frequencies()[0]),
        reference=reference,
    )


def star_amplitudes(
    frames: Sequence[FrameMeasures], *, aim: Aim, fwhm_ref_px: float
) -> NDArray[np.complex128]:
    """Each frame's star of unit flux for an aim, shape (n, k).

    The sum of squares is what the star's shape adds to the frame's information.
    `fwhm_ref_px` is the FWHM of the reference, px; only `detail` looks at it.
    """
    if aim == "glow" or not frames:
        return np.ones((len(frames), 1), np.complex128)
    if aim == "detail":
        ring = detail_frequencies(fwhm_ref_px)
        return _spectra(frames, ring) / float(np.sqrt(len(ring)))
    frequencies, areas = depth_frequencies()
    amplitudes = _spectra(frames, frequencies)
    amplitudes *= np.sqrt(areas)
    return amplitudes


def _spectra(
    frames: Sequence[FrameMeasures], frequencies: NDArray[np.float64]
) -> NDArray[np.complex128]:
    spectra = np.empty((len(frames), len(frequencies)), np.complex128)
    for row, frame in enumerate(frames):
        spectra[row] = imaged_spectrum(frame, frequencies)
    return spectra


def mean_weights(parts: StackParts, mean: Mean) -> Column:
    """Weights of raw frames that make a plain mean of frames as they are or scaled first."""
    return 1 / parts.transparency if mean == "scaled" else np.ones(len(parts))


def stack_snr(parts: StackParts, weights: Column) -> float:
    """Signal-to-noise for the aim of the sum of raw frames times their weights, shape (n,).

    Only ratios of two such values mean something. A frame left out has weight 0.
    """
    return float(np.sqrt(stack_snr2(parts.amplitudes, parts.noise_adu**2, weights)))


def growing_snr(parts: StackParts, weights: Column, order: NDArray[np.intp]) -> Column:
    """Signal-to-noise of the first frame of `order`, of the first two, and so on, shape (n,).

    On the scale of `stack_snr`, for the sum of raw frames times their weights.
    """
    variances = np.cumsum((weights[order] * parts.noise_adu[order]) ** 2)
    grown: Column = np.sqrt(growing_squares(parts.amplitudes, order, weights) / variances)
    return grown


def stack_fwhm(parts: StackParts, weights: Column) -> float:
    """FWHM of the stars in the sum of raw frames times their weights, px.

    The frames' stars are added about their fitted places, which registration lays on each
    other. What the pixels of the reference say of its half maximum beyond its spectrum holds
    for the sum too, so that a stack of equal frames has their FWHM. Resampling widens made
    stars a little more.

    Parameters
    ----------
    parts : StackParts
    weights : ndarray of float64, shape (n,)
        0 for a frame left out.

    Returns
    -------
    float
        NaN without light.
    """
    light = weights * parts.transparency
    if parts.reference is None or not light.any() or np.isnan(parts.fwhm_px).all():
        return math.nan
    # A frame of discs has no FWHM; its light only lies under the others' half maximum.
    reach_px = _REACH_FWHM * float(np.nanmax(parts.fwhm_px))
    own = _half_maximum_width(
        _summed_star(parts, np.eye(1, len(parts), parts.reference)[0]), reach_px
    )
    summed = _half_maximum_width(_summed_star(parts, weights), reach_px)
    return summed * float(parts.fwhm_px[parts.reference]) / own


def _summed_star(parts: StackParts, weights: Column) -> NDArray[np.complex128]:
    """Star of the sum of raw frames times their weights, at `depth_frequencies`, shape (m,)."""
    if parts.spectra is not None:
        return np.asarray((weights * parts.transparency) @ parts.spectra)
    return np.asarray(weights @ parts.amplitudes / np.sqrt(depth_frequencies()[1]))


def _half_maximum_width(spectrum: NDArray[np.complex128], reach_px: float) -> float:
    """2 sqrt(A / pi) of the area A above half of the central value, px.

    For an ellipse this is the geometric mean of its axes. `spectrum` is that of the star at
    `depth_frequencies`; half of the frequency plane serves, since the image is real.
    """
    radii_px, cosines, sines = _waves(reach_px)
    power = depth_frequencies()[1] * spectrum
    rays = (cosines @ power.real - sines @ power.imag) / np.sum(power.real)
    outside = np.argmax(rays < 0.5, axis=0)
    every = np.arange(_DIRECTIONS)
    above, below = rays[outside - 1, every], rays[outside, every]
    step = (above - 0.5) / (above - below)
    half_px = radii_px[outside - 1] + step * (radii_px[outside] - radii_px[outside - 1])
    return float(2 * np.sqrt(np.mean(half_px**2)))


@lru_cache(maxsize=1)
def _waves(reach_px: float) -> tuple[Column, Column, Column]:
    """Radii, and cosines and sines of the waves at them, shape (radii, directions, k)."""
    frequencies, _ = depth_frequencies()
    angles = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    radii_px = reach_px * np.linspace(0, 1, _RADII) ** 2
    along = frequencies @ np.stack([np.cos(angles), np.sin(angles)])
    phases = 2 * np.pi * radii_px[:, np.newaxis, np.newaxis] * along.T
    return radii_px, np.cos(phases), np.sin(phases)
