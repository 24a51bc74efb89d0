"""The frames that are timed, with what was drawn on them, plain and in other encodings."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from starwinnow_sim import write_frame

__all__ = [
    "FWHM_PX", "SIZES", "TINY", "Drawn", "Size", "description", "draw", "true_hfr_px",
    "write_encodings",
]  # fmt: skip

FWHM_PX = 3.5
_BETA = 3.5
_SEED = 20_260
# Together a noise of 10 ADU on the sky.
_SKY_ADU, _E_PER_ADU, _READ_NOISE_ADU = 400.0, 5.0, 20.0**0.5
_HOT_PIXELS = 2e-4
_FAINTEST_ADU, _BRIGHTEST_ADU = 4000.0, 4e5
# Light that passes the filters of a colour mosaic, beside that through green.
_RED, _BLUE = 0.6, 0.8


@dataclass(frozen=True)
class Size:
    """A sensor: its pixels, how many stars to draw, and the most of sep's and the floor's time."""

    shape: tuple[int, int]
    stars: int
    over_sep: float = np.inf
    over_floor: float = np.inf


# By name in Mpx.
SIZES = {
    2: Size((1216, 1648), 300, 0.28),
    9: Size((2448, 3672), 900, 0.20),
    26: Size((4176, 6248), 1500, 0.15, 4.0),
    61: Size((6388, 9576), 2500, 0.12),
}
# To compile and to load what has to be.
TINY = Size((320, 480), 40)


@dataclass(frozen=True)
class Drawn:
    """A file and the places (x, y) of its stars, shape (n, 2)."""

    path: Path
    places_px: NDArray[np.float64]


def description() -> str:
    """Tell how the frames are drawn."""
    return (
        f"Frames: Moffat stars (beta {_BETA}) of FWHM {FWHM_PX} px and {_FAINTEST_ADU:,.0f} to"
        f" {_BRIGHTEST_ADU:,.0f} ADU,\nsky {_SKY_ADU:.0f} ADU, noise 10 ADU,"
        f" {1e6 * _HOT_PIXELS:.0f} hot pixels a Mpx; uint16"
    )


def true_hfr_px(within_px: float = np.inf) -> float:
    """Radius that holds half of a drawn star's light, or of what of it lies within another radius.

    Beyond r lies the part (1 + r^2 / a^2)^(1 - beta) of a Moffat's light.
    """
    beyond = 0.5 * (1 + (1 + (within_px / _core_px()) ** 2) ** (1 - _BETA))
    return float(_core_px() * np.sqrt(beyond ** (1 / (1 - _BETA)) - 1))


def _core_px() -> float:
    return float(FWHM_PX / 2 / np.sqrt(2 ** (1 / _BETA) - 1))


def draw(path: Path, size: Size) -> Drawn:
    """Draw a star field by sampling the profile at pixel centres, and write it as uint16."""
    rng = np.random.default_rng(_SEED)
    ny, nx = size.shape
    light = np.full(size.shape, _SKY_ADU, dtype=np.float32)
    steps = np.arange(-25, 26)
    # Star counts rise with faintness as in a uniform space: N(> F) goes as F^-3/2.
    fluxes_adu = np.minimum(_FAINTEST_ADU * rng.random(size.stars) ** (-2 / 3), _BRIGHTEST_ADU)
    places = rng.uniform(30, [nx - 30, ny - 30], (size.stars, 2))
    for (x, y), flux_adu in zip(places, fluxes_adu, strict=True):
        column, row = round(x), round(y)
        radius2 = (steps[:, None] + row - y) ** 2 + (steps[None, :] + column - x) ** 2
        star = (1 + radius2 / _core_px() ** 2) ** -_BETA
        near = (slice(row - 25, row + 26), slice(column - 25, column + 26))
        light[near] += (flux_adu / star.sum() * star).astype(np.float32)
    for row in range(ny):
        noise = rng.standard_normal(nx, dtype=np.float32)
        light[row] += noise * np.sqrt(light[row] / _E_PER_ADU + _READ_NOISE_ADU**2)
    hot = rng.choice(light.size, round(_HOT_PIXELS * light.size), replace=False)
    light.flat[hot] += rng.uniform(300, 20_000, len(hot)).astype(np.float32)
    pixels = np.rint(np.clip(light, 0, 65_535)).astype(np.uint16)
    write_frame(path, pixels, fits.Header())
    return Drawn(path, places)


def write_encodings(plain: Path, folder: Path) -> dict[str, Path]:
    """Write a frame once more in every other encoding; a colour mosaic has less red and blue."""
    pixels = fits.getdata(plain)
    paths = {"plain": plain}
    for name, suffix in ((".gz", ".fits.gz"), (".fz, Rice", ".fits.fz")):
        paths[name] = folder / f"packed{suffix}"
        write_frame(paths[name], pixels, fits.Header())
    colours = pixels.astype(np.float32)
    colours[0::2, 0::2] *= _RED
    colours[1::2, 1::2] *= _BLUE
    paths["colour mosaic"] = folder / "mosaic.fits"
    mosaic = np.rint(colours).astype(np.uint16)
    write_frame(paths["colour mosaic"], mosaic, fits.Header({"BAYERPAT": "RGGB"}))
    return paths
