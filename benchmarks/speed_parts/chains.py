"""What is raced: our path, the same work by sep and by photutils, and the floor below them all."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from speed_parts.frames import FWHM_PX, Drawn
from starwinnow.measure import measure
from starwinnow.readers import read_frame

try:
    import photutils
    from photutils.aperture import CircularAperture, aperture_photometry
    from photutils.background import Background2D
    from photutils.detection import DAOStarFinder
except ImportError:
    photutils = None

__all__ = ["FILTERED", "FLOOR", "OURS", "PHOTUTILS", "SEP", "Found", "chains", "ours", "versions"]

OURS, SEP, FILTERED, PHOTUTILS, FLOOR = "ours", "sep", "sep, filtering", "photutils", "floor"
_SIGMA = 5.0
# sep's own default; photutils has none.
_CELL_PX = 64
_RADII_PX = np.arange(1.0, 11.0)


@dataclass(frozen=True)
class Found:
    """Objects found: places (x, y), shape (n, 2), and sizes, shape (n,), or None."""

    places_px: NDArray[np.float64]
    hfr_px: NDArray[np.float64]
    fwhm_px: NDArray[np.float64] | None = None

    def beside(self, drawn: Drawn) -> tuple[NDArray[np.bool_], int]:
        """Which objects lie within one FWHM of a drawn star; how many stars have such an object."""
        distance, star = cKDTree(drawn.places_px).query(self.places_px)
        right = distance < FWHM_PX
        return right, len(np.unique(star[right]))


def chains(path: Path) -> dict[str, Callable[[], Found | None]]:
    """Whatever can be raced on a file; the floor finds nothing."""
    loaded = fits.getdata(path).astype(np.float32)
    stored = np.empty(path.stat().st_size // 2, np.uint16)
    floats = np.empty(len(stored), np.float32)
    found: dict[str, Callable[[], Found | None]] = {
        OURS: lambda: ours(path),
        SEP: lambda: _sep(loaded, filtering=False),
        FILTERED: lambda: _sep(loaded, filtering=True),
        FLOOR: lambda: _floor(path, stored, floats),
    }
    if photutils is not None:
        found[PHOTUTILS] = lambda: _photutils(loaded)
    return found


def versions() -> str:
    """Versions of the other libraries."""
    other = "photutils not installed" if photutils is None else f"photutils {photutils.__version__}"
    return f"numpy {np.__version__}, sep {sep.__version__}, {other}"


def ours(path: Path) -> Found:
    """Take our whole path, from the file to all figures."""
    stars = measure(read_frame(path, lasting=False)).stars
    return Found(np.column_stack([stars.x_px, stars.y_px]), stars.hfr_px, stars.fwhm_px)


def _sep(loaded: NDArray[np.float32], *, filtering: bool) -> Found:
    options = {} if filtering else {"filter_kernel": None}
    background = sep.Background(loaded)
    light = loaded - background
    objects = sep.extract(light, _SIGMA, err=background.globalrms, **options)
    x, y = objects["x"], objects["y"]
    # Six times the long axis, as sep's manual has it.
    radii, _ = sep.flux_radius(light, x, y, 6.0 * objects["a"], 0.5, subpix=5)
    return Found(np.column_stack([x, y]), radii)


def _photutils(loaded: NDArray[np.float32]) -> Found:
    background = Background2D(loaded, _CELL_PX)
    light = loaded - background.background
    objects = DAOStarFinder(_SIGMA * background.background_rms_median, FWHM_PX)(light)
    places = np.column_stack([objects["x_centroid"], objects["y_centroid"]])
    sums = aperture_photometry(light, [CircularAperture(places, radius) for radius in _RADII_PX])
    inside = np.array([sums[f"aperture_sum_{k}"] for k in range(len(_RADII_PX))]).T
    radii = np.array([np.interp(0.5, star / star[-1], _RADII_PX) for star in inside])
    return Found(places, radii)


def _floor(path: Path, stored: NDArray[np.uint16], floats: NDArray[np.float32]) -> None:
    """Read all bytes once and write them once as float32, both into memory that is there."""
    with path.open("rb", buffering=0) as file:
        file.readinto(stored)
    np.copyto(floats, stored)
