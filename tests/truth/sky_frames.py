"""Frames of a star field with known truth: GalSim stars, Poisson and read noise."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import galsim
import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Capture, Frame, Pixels

from .star_shapes import imaged

__all__ = [
    "PEDESTAL_ADU",
    "READ_NOISE_E",
    "Layout",
    "Sky",
    "assemble",
    "draw",
    "expose",
    "lay_out",
    "paint",
    "scatter",
    "with_hot_pixels",
    "with_light",
]

# Rows and columns of the frame a star covers, and its image there.
Stamp = tuple[slice, slice, NDArray[np.float64]]

READ_NOISE_E = 1.5
# Keeps every pixel of a dark frame above zero, as cameras do.
PEDESTAL_ADU = 300.0
_LARGEST_UINT16_ADU = 60_000


@dataclass(frozen=True)
class Layout:
    """Where the stars of a frame are.

    Attributes
    ----------
    shape : tuple of int
        (ny, nx), px.
    x_px, y_px : ndarray of float64, shape (n,)
        Centres, px; the first pixel's centre is (0, 0).
    reach_px : int
        How far from its centre each star is drawn, px.
    """

    shape: tuple[int, int]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    reach_px: int


@dataclass(frozen=True)
class Sky:
    """What lies over and under the stars; 1 electron is 1 ADU, which the header may state."""

    background_e: float
    gain_stated: bool = True

    @property
    def variance(self) -> float:
        """Variance of a pixel without star: photons, read noise and rounding, e^2."""
        return self.background_e + READ_NOISE_E**2 + 1 / 12


def lay_out(rng: np.random.Generator, fwhm_px: float, columns: int = 8, rows: int = 7) -> Layout:
    """Place one star at random in the middle part of each of `columns` x `rows` cells.

    Cells are 14 FWHM + 24 px wide, 64 px at least; neighbours stay 10 FWHM + 16 px apart.
    """
    cell = int(np.ceil(max(14 * fwhm_px + 24, 64)))
    sway = 0.5 * (cell - (10 * fwhm_px + 16))
    column, row = np.meshgrid(np.arange(columns), np.arange(rows))
    count = columns * rows
    return Layout(
        shape=(rows * cell, columns * cell),
        x_px=(column.ravel() + 0.5) * cell + rng.uniform(-sway, sway, count),
        y_px=(row.ravel() + 0.5) * cell + rng.uniform(-sway, sway, count),
        reach_px=int(np.ceil(8 * fwhm_px + 12)),
    )


def scatter(
    rng: np.random.Generator,
    shape: tuple[int, int],
    count: int,
    apart_px: float,
    reach_px: int,
) -> Layout:
    """Place stars at random over a frame, `apart_px` from each other and 40 px from its edges."""
    ny, nx = shape
    places = np.empty((0, 2))
    while len(places) < count:
        place = rng.uniform(40.0, [nx - 40.0, ny - 40.0])
        if np.all(np.hypot(*(places - place).T) > apart_px):
            places = np.vstack([places, place])
    return Layout(shape=shape, x_px=places[:, 0], y_px=places[:, 1], reach_px=reach_px)


def draw(psf: Any | Sequence[Any], layout: Layout) -> list[Stamp]:
    """Noiseless images of unit flux of each star where it lies in the frame, pixel included.

    All are alike, or each has its own `psf` of a sequence.
    """
    ny, nx = layout.shape
    frame = galsim.BoundsI(0, nx - 1, 0, ny - 1)
    each = isinstance(psf, Sequence)
    stars = [imaged(one) for one in psf] if each else [imaged(psf)] * len(layout.x_px)
    reach = layout.reach_px
    stamps = []
    for star, x, y in zip(stars, layout.x_px, layout.y_px, strict=True):
        column, row = round(x), round(y)
        near = galsim.BoundsI(column - reach, column + reach, row - reach, row + reach) & frame
        image = galsim.ImageD(near, scale=1.0)
        star.drawImage(image=image, center=galsim.PositionD(x, y), method="no_pixel")
        rows, columns = slice(near.ymin, near.ymax + 1), slice(near.xmin, near.xmax + 1)
        stamps.append((rows, columns, image.array))
    return stamps


def assemble(
    stamps: list[Stamp], layout: Layout, fluxes_e: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Noiseless image of the stars alone, electrons, shape (ny, nx)."""
    stars_e = np.zeros(layout.shape)
    fluxes = np.broadcast_to(fluxes_e, layout.x_px.shape)
    for (rows, columns, image), flux_e in zip(stamps, fluxes, strict=True):
        stars_e[rows, columns] += flux_e * image
    return stars_e


def paint(
    psf: Any | Sequence[Any], layout: Layout, fluxes_e: float | NDArray[np.float64] = 1.0
) -> NDArray[np.float64]:
    """Draw and assemble in one step."""
    return assemble(draw(psf, layout), layout, fluxes_e)


def expose(stars_e: NDArray[np.float64], sky: Sky, rng: np.random.Generator) -> Frame:
    """One exposure of a painted star field: uint16 where all values fit, else float32."""
    # Aliasing leaves a pixel a millionth below zero here and there.
    electrons = rng.poisson(np.maximum(stars_e + sky.background_e, 0.0)).astype(np.float64)
    electrons += rng.normal(0.0, READ_NOISE_E, stars_e.shape)
    return Frame(
        path=Path("rendered.fits"),
        pixels=_stored(np.rint(electrons + PEDESTAL_ADU)),
        capture=Capture(egain_e_per_adu=1.0 if sky.gain_stated else None),
    )


def with_light(frame: Frame, light_e: NDArray[np.float64], rng: np.random.Generator) -> Frame:
    """Let more light fall on the same exposure: its photons add to those that are there.

    The sum of Poisson numbers is one, so this is what a camera would have seen.
    """
    return replace(
        frame, pixels=_stored(frame.pixels + 1.0 * rng.poisson(np.maximum(light_e, 0.0)))
    )


def _stored(adu: NDArray[np.float64]) -> Pixels:
    fits = float(adu.max()) <= _LARGEST_UINT16_ADU
    return adu.astype(np.uint16) if fits else adu.astype(np.float32)


def with_hot_pixels(frame: Frame, noise_adu: float, rng: np.random.Generator) -> Frame:
    """Add hot pixels to half a percent of a frame's pixels, clipped at 65,535 ADU.

    Three in four are 30 to 5,000 noise deviations high, the rest 5 to 30; both evenly spread in
    the logarithm.
    """
    count = round(0.005 * frame.pixels.size)
    chosen = rng.choice(frame.pixels.size, count, replace=False)
    strong = rng.random(count) < 0.75
    low, high = np.where(strong, 30.0, 5.0), np.where(strong, 5000.0, 30.0)
    height_adu = noise_adu * low * (high / low) ** rng.random(count)
    pixels = frame.pixels.copy()
    pixels.flat[chosen] = np.rint(np.minimum(pixels.flat[chosen] + height_adu, 65_535.0))
    return replace(frame, pixels=pixels)
