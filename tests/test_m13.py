"""Five encodings of one image of the cluster M13 measure the same.

Frames: astropy's test data (BSD-3; plain, GZIP, HCOMPRESS and Rice) and fitsio's for another
language (BSD-3; float32, 0.84 ADU higher everywhere, and by up to 1 ADU more, 0.17 on average, in
the last 60 columns).
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
    """The level shows the 0.84 ADU added to all pixels, the sizes nothing.

    The 0.17 ADU at its right are a twentieth of the noise. Stars and noise are otherwise the same,
    so sizes may differ by less than the error of one.
    """
    plain, real = _measured(_PLAIN), _measured(_FLOAT)
    assert real.background_adu - plain.background_adu == pytest.approx(0.84, abs=0.1)
    assert real.noise_adu == pytest.approx(plain.noise_adu, rel=0.05)
    # A few stars more or fewer pass as clean in the crowd.
    assert real.star_count == pytest.approx(plain.star_count, rel=0.1)
    for name in ("fwhm", "hfr", "nea"):
        value, error = getattr(plain, f"{name}_px"), getattr(plain, f"{name}_err_px")
        assert getattr(real, f"{name}_px") == pytest.approx(value, abs=error), name
