"""Star sizes of survey cut-outs against the sizes their own headers state.

Frames: legacypipe test data (BSD-3), cut-outs from 2.3 m and 4 m survey cameras with Gaia
tables of the same sky. Header cards: FWHM or SEEINGP1 (px), else SEEING (arcsec) over PIXSCAL1.
They are read from outside the project and are no part of it.
"""

import warnings
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from numpy.typing import NDArray

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.readers import read_frame

_FOLDER = Path(__file__).parents[2] / "shared" / "frames" / "published_seeing"
_EDGE_PX = 6

pytestmark = pytest.mark.skipif(
    not _FOLDER.is_dir(), reason="the survey cut-outs are not beside the project"
)


@dataclass(frozen=True)
class _Cutout:
    """One cut-out: what its header and Gaia say, and what was measured."""

    name: str
    stated_px: float
    gaia_stars: int | None
    measured: FrameMeasures

    def __str__(self) -> str:
        stars = "not covered" if self.gaia_stars is None else f"{self.gaia_stars} Gaia stars"
        seen = self.measured
        return (
            f"{self.name:52s} {stars:13s} stated {self.stated_px:5.2f} px, measured"
            f" {seen.fwhm_px:6.2f} +- {seen.fwhm_err_px:5.2f} px from {seen.star_count:2d},"
            f" ratio {seen.fwhm_px / self.stated_px:5.3f}"
        )


def _gaia_point_sources() -> NDArray[np.float64]:
    """Right ascension and declination of Gaia's stars, degrees, shape (n, 2).

    A star is brighter than G 20, its astrometric excess noise is below 2 mas (galaxies' cores
    have more) and its BP/RP flux excess is below 2 (galaxies are extended): common practice.
    """
    places = []
    for path in sorted(_FOLDER.glob("gaia__*.fits")):
        table = fits.getdata(path, 1)
        star = (
            (table["phot_g_mean_mag"] < 20)
            & (table["astrometric_excess_noise"] < 2)
            & (table["phot_bp_rp_excess_factor"] < 2)
        )
        places.append(np.column_stack([table["ra"][star], table["dec"][star]]))
    return np.unique(np.concatenate(places), axis=0)


def _stars_inside(header: fits.Header, gaia: NDArray[np.float64]) -> int | None:
    """How many Gaia stars lie well inside an image; None where Gaia's tables do not reach."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the cards of old pipelines, not ours to mend
        world = WCS(header)
    width, height = header["NAXIS1"], header["NAXIS2"]
    centre = world.all_pix2world([[width / 2, height / 2]], 0)[0]
    east, north = (gaia - centre).T
    near = gaia[np.hypot(east * np.cos(np.radians(centre[1])), north) < 0.1]
    if len(near) == 0:
        return None
    x, y = world.all_world2pix(near, 0).T
    inside = (x > _EDGE_PX) & (x < width - 1 - _EDGE_PX)
    inside &= (y > _EDGE_PX) & (y < height - 1 - _EDGE_PX)
    return int(inside.sum())


def _stated_px(primary: fits.Header, image: fits.Header) -> float:
    for card in ("FWHM", "SEEINGP1"):
        if card in image:
            return float(image[card])
    return float(primary["SEEING"]) / float(primary["PIXSCAL1"])


@lru_cache(maxsize=1)
def _cutouts() -> tuple[_Cutout, ...]:
    gaia = _gaia_point_sources()
    found = []
    for path in sorted(_FOLDER.glob("*.fits")):
        if path.name.startswith("gaia__"):
            continue
        with fits.open(path) as file:
            stated_px = _stated_px(file[0].header, file[1].header)
            stars = _stars_inside(file[1].header, gaia)
        found.append(_Cutout(path.name, stated_px, stars, measure(read_frame(path))))
    return tuple(found)


def _table() -> str:
    return "\n".join(str(cutout) for cutout in _cutouts())


def test_sizes_agree_with_the_headers() -> None:
    """Within 10 % for the median over the frames with stars, each within 25 %."""
    print(_table())  # noqa: T201
    starry = [cut for cut in _cutouts() if cut.gaia_stars]
    ratios = np.array([cut.measured.fwhm_px / cut.stated_px for cut in starry])
    assert len(ratios) >= 5
    assert np.median(ratios) == pytest.approx(1, abs=0.10), _table()
    assert np.all(np.abs(ratios - 1) <= 0.25), _table()


def test_a_lone_galaxy_gives_no_size() -> None:
    """`testcase3` frames hold one extended object and no star."""
    galaxies = [cut for cut in _cutouts() if cut.name.startswith("testcase3__")]
    assert len(galaxies) == 8
    assert all(not cut.gaia_stars for cut in galaxies)
    assert all(np.isnan(cut.measured.fwhm_px) for cut in galaxies), _table()
    assert all(cut.measured.star_count == 0 for cut in galaxies), _table()
