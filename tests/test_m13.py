"""Five encodings of one image of the cluster M13 measure the same.

Frames: astropy's test data (BSD-3; plain, GZIP, HCOMPRESS and Rice) and fitsio's for another
language (BSD-3; float32, a brighter copy: 0.84 ADU everywhere and at most 1 ADU more in stars).
"""

from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.readers import read_frame

_FOLDER = Path(__file__).parents[2] / "shared" / "frames" / "odd_files"
_COMPRESSED = ("astropy/m13_gzip.fits", "astropy/m13_hcomp.fits", "astropy/m13_rice.fits")
_PLAIN = "astropy/m13.fits"
_FLOAT = "other/m13real.fits"
_FIGURES = ("fwhm_px", "hfr_px", "axis_ratio", "nea_px", "noise_adu")

pytestmark = pytest.mark.skipif(
    not _FOLDER.is_dir(), reason="the M13 files are not beside the project"
)


@lru_cache(maxsize=8)
def _measured(name: str) -> FrameMeasures:
    return measure(read_frame(_FOLDER / name))


def test_the_image_has_stars() -> None:
    seen = _measured(_PLAIN)
    assert seen.star_count >= 8
    assert 1 < seen.fwhm_px < 12


@pytest.mark.parametrize("name", _COMPRESSED)
def test_lossless_encodings_measure_exactly_the_same(name: str) -> None:
    for figure in (*_FIGURES, "background_adu", "star_count", "flags"):
        assert getattr(_measured(name), figure) == getattr(_measured(_PLAIN), figure), figure
    assert np.array_equal(_measured(name).stars.flux_adu, _measured(_PLAIN).stars.flux_adu)


def test_float_encoding_measures_the_same() -> None:
    """FWHM to its error, HFR and NEA to 5 and 10 %: in the crowd they hang on which stars pass.

    The level shows the 0.84 ADU added to all pixels.
    """
    plain, real = _measured(_PLAIN), _measured(_FLOAT)
    assert real.background_adu - plain.background_adu == pytest.approx(0.84, abs=0.1)
    assert real.noise_adu == pytest.approx(plain.noise_adu, rel=0.05)
    # Its stars are brighter by up to 1 ADU: a few more or fewer pass as clean in the crowd.
    assert real.star_count == pytest.approx(plain.star_count, rel=0.1)
    assert real.fwhm_px == pytest.approx(plain.fwhm_px, abs=plain.fwhm_err_px)
    assert real.hfr_px == pytest.approx(plain.hfr_px, rel=0.05)
    assert real.nea_px == pytest.approx(plain.nea_px, rel=0.1)
