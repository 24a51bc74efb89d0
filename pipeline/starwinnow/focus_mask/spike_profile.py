"""What a spike looks like across: the image of its own part of the aperture, out of focus."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "PROFILE_HALF_PX",
    "PROFILE_STEP_PX",
    "AperturePart",
    "profile_tables",
    "single_parts",
    "three_fold_parts",
]

FloatArray = NDArray[np.float64]

# Tables of a profile against the distance from its line.
PROFILE_HALF_PX = 30.0
PROFILE_STEP_PX = 0.1
_PLACES_PX = np.arange(-PROFILE_HALF_PX, PROFILE_HALF_PX + PROFILE_STEP_PX / 2, PROFILE_STEP_PX)
# Spatial frequencies, cycles/px: up to where seeing of 1 px leaves nothing.
_FREQUENCY_STEP = 1 / (2 * PROFILE_HALF_PX)
_FREQUENCIES = np.arange(0.0, 1.2, _FREQUENCY_STEP)
_COSINES = np.cos(2 * np.pi * _FREQUENCIES[:, None] * _PLACES_PX)
_SINES = np.sin(2 * np.pi * _FREQUENCIES[:, None] * _PLACES_PX)
# Grid across the radius of the aperture on which its parts are drawn.
_CELLS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AperturePart:
    """A part of the aperture as one spike sees it; lengths in radii of the aperture.

    Attributes
    ----------
    across : ndarray, shape (n,)
        Coordinate along the spike's normal, from the aperture's centre.
    overlap : ndarray, shape (m, n)
        Length of the part's overlap with itself, moved apart along the normal by `apart[j]`,
        at each `across`.
    apart : ndarray, shape (m,)
        Those distances.
    centroid : float
        Mean of `across`.
    """

    across: FloatArray
    overlap: FloatArray
    apart: FloatArray
    centroid: float


def _draw_part(middle_deg: float, half_deg: float, normal_deg: float) -> AperturePart:
    """Sector of the unit disc around `middle_deg`, seen along the normal at `normal_deg`."""
    cell = 1 / _CELLS
    axis: FloatArray = (np.arange(-_CELLS, _CELLS, dtype=np.float64) + 0.5) * cell
    along, across = np.meshgrid(axis, axis)
    azimuth = np.arctan2(along, across) - np.radians(middle_deg - normal_deg)
    azimuth = np.abs((azimuth + np.pi) % (2 * np.pi) - np.pi)
    part = (np.hypot(along, across) < 1) & (azimuth < np.radians(half_deg))
    steps = np.arange(0, _CELLS, 2)
    overlap = np.zeros((len(steps), len(axis)))
    for row, step in enumerate(steps):
        half = step // 2
        both = part[: len(axis) - step] & part[step:]
        overlap[row, half : len(axis) - step + half] = both.sum(axis=1) * cell
    overlap /= overlap[0].sum()
    return AperturePart(
        across=axis,
        overlap=overlap,
        apart=steps.astype(np.float64) * cell,
        centroid=float(overlap[0] @ axis),
    )


@lru_cache(maxsize=64)
def single_parts(outer_deg: int, chevron: int) -> tuple[AperturePart, AperturePart]:
    """Half and quarter of a mask with one triple, each along its own spike's normal.

    The half lies on the negative side of its normal, the quarter on the positive side.
    """
    half = _draw_part(180.0, 90.0, 0.0)
    quarter = _draw_part(45.0, 45.0, chevron * outer_deg)
    return half, quarter


@lru_cache(maxsize=64)
def three_fold_parts(outer_deg: int, chevron: int) -> tuple[AperturePart, AperturePart]:
    """Sector of 60 degrees and half of the opposite one, each along its own spike's normal."""
    straight = _draw_part(180.0, 30.0, 0.0)
    halved = _draw_part(15.0, 15.0, chevron * outer_deg)
    return straight, halved


def profile_tables(
    part: AperturePart, radius_px: float, detail_px: float, sigma_px: float
) -> FloatArray:
    """Profile across a spike, its slope, and its change with the width.

    The light of an aperture part, summed along the spike, is the Fourier transform of the part's
    overlap with itself, weighted by the defocus phase (the optical transfer function); seeing and
    pixel add a Gaussian.

    Parameters
    ----------
    part : AperturePart
        Of the spike.
    radius_px : float
        Radius of the whole aperture's blurred image, px; its sign is that of the offset.
    detail_px : float
        Wavelength times focal ratio, px.
    sigma_px : float
        Standard deviation of seeing and pixel, px.

    Returns
    -------
    ndarray, shape (3, n)
        On a grid of `PROFILE_STEP_PX` from -`PROFILE_HALF_PX`; unit sum over px, centred on the
        light's centroid.
    """
    # A point u of the aperture sends its light to -u defocus / f.
    shifts = 2 * np.pi * radius_px * (part.across - part.centroid)
    phases = np.outer(_FREQUENCIES, shifts)
    overlap = _seen_overlap(part, detail_px)
    real = np.einsum("ij,ij->i", overlap, np.cos(phases))
    imaginary = np.einsum("ij,ij->i", overlap, np.sin(phases))
    window = np.exp(-2 * (np.pi * sigma_px * _FREQUENCIES) ** 2) * _FREQUENCY_STEP * 2
    window[0] /= 2
    by_place = 2 * np.pi * _FREQUENCIES
    by_width = -4 * np.pi**2 * sigma_px * _FREQUENCIES**2
    even, odd = real * window, imaginary * window
    tables: FloatArray = np.array([even, odd * -by_place, even * by_width]) @ _COSINES
    tables -= np.array([odd, even * by_place, odd * by_width]) @ _SINES
    return tables


@lru_cache(maxsize=64)
def _seen_overlap(part: AperturePart, detail_px: float) -> FloatArray:
    """Overlap at the distances that belong to the frequencies of the tables."""
    apart = 2 * _FREQUENCIES * detail_px
    row = np.minimum(apart / part.apart[1], len(part.apart) - 1.001)
    low = row.astype(int)
    mix = (row - low)[:, None]
    overlap: FloatArray = part.overlap[low] * (1 - mix) + part.overlap[low + 1] * mix
    overlap[apart >= part.apart[-1]] = 0
    return overlap
