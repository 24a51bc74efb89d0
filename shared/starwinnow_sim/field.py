"""What is in the sky: stars and galaxies on the plane of the reference frame."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Galaxies", "StarField", "draw_star_field"]

FloatColumn = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Galaxies:
    """Exponential discs, columns of equal length.

    Attributes
    ----------
    x_px, y_px : ndarray, shape (m,)
        Centre in the reference frame, px; the first pixel's centre is (0, 0).
    flux_e : ndarray, shape (m,)
        Electrons in one exposure at transparency 1.
    scale_px : ndarray, shape (m,)
        Scale length along the major axis, px: light falls by e over it.
    axis_ratio, angle_deg : ndarray, shape (m,)
        Minor over major axis; direction of the major axis from +x towards +y.
    """

    x_px: FloatColumn
    y_px: FloatColumn
    flux_e: FloatColumn
    scale_px: FloatColumn
    axis_ratio: FloatColumn
    angle_deg: FloatColumn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarField:
    """Stars, columns of equal length, and galaxies if any.

    Attributes
    ----------
    x_px, y_px : ndarray, shape (n,)
        Place in the reference frame, px; the first pixel's centre is (0, 0). Stars outside the
        frame move in as the field drifts.
    flux_e : ndarray, shape (n,)
        Electrons in one exposure at transparency 1.
    colour_mag : ndarray, shape (n,)
        Blue minus red brightness, magnitudes: above 0 is a red star, 0 a white one. Seen by
        colour sensors only.
    galaxies : Galaxies or None
        Galaxies.
    """

    x_px: FloatColumn
    y_px: FloatColumn
    flux_e: FloatColumn
    colour_mag: FloatColumn
    galaxies: Galaxies | None = None

    def __post_init__(self) -> None:
        columns = (self.x_px, self.y_px, self.flux_e, self.colour_mag)
        lengths = [len(column) for column in columns]
        if len(set(lengths)) != 1:
            raise ValueError(f"star field: columns have lengths {lengths}; they must be equal")

    def __len__(self) -> int:
        return len(self.x_px)


def draw_star_field(
    shape: tuple[int, int],
    *,
    count: int,
    rng: np.random.Generator,
    margin_px: float = 0.0,
    faintest_e: float = 300.0,
    brightest_e: float = 500_000.0,
    slope: float = 0.75,
) -> StarField:
    """Scatter stars evenly over a frame and a margin around it.

    The number of stars brighter than F goes as F^-slope between the two limits; 0.75 is 0.3
    dex a magnitude, about that of a field in the Milky Way (common practice, no source).

    Parameters
    ----------
    shape : tuple of int
        (ny, nx) of the frame, px.
    count : int
        Stars inside the frame; the margin gets the same number per area.
    rng : numpy.random.Generator
        Source of chance.
    margin_px : float
        Margin on all four sides, px.
    faintest_e, brightest_e : float
        Limits of the flux, electrons in one exposure.
    slope : float
        Steepness of the counts.

    Returns
    -------
    StarField
        Brightest first; colours are spread about a slightly red mean.
    """
    ny, nx = shape
    height, width = ny + 2 * margin_px, nx + 2 * margin_px
    total = round(count * height * width / (ny * nx))
    part_brighter = rng.uniform((brightest_e / faintest_e) ** -slope, 1.0, total)
    return StarField(
        x_px=rng.uniform(-0.5 - margin_px, nx - 0.5 + margin_px, total),
        y_px=rng.uniform(-0.5 - margin_px, ny - 0.5 + margin_px, total),
        flux_e=np.sort(faintest_e * part_brighter ** (-1 / slope))[::-1],
        colour_mag=rng.normal(0.4, 0.5, total),
    )
