"""Tilt, curvature and stretch over the sensor against GalSim frames of known change."""

import math
from dataclasses import replace

import galsim
import numpy as np
import pytest

from starwinnow.across_field import FieldShape, across_field
from starwinnow.measure import measure

from .changing_field import (
    FWHM_PX,
    EvenField,
    FieldTruth,
    draw_frame,
    imaged_fwhm_px,
    third_moment,
)

TRIALS = 50


def seen(truth: FieldTruth, seed: int) -> FieldShape:
    rng = np.random.default_rng(seed)
    shape = across_field([measure(draw_frame(truth, rng))])
    assert shape is not None
    assert shape.stars >= 85
    return shape


def corner(towards_deg: float, part: float = 1.0) -> tuple[float, float]:
    angle = math.radians(towards_deg)
    return part * math.cos(angle), part * math.sin(angle)


@pytest.mark.parametrize("towards", [30.0, 200.0])
def test_tilt_is_recovered_and_nothing_else_claimed(towards: float) -> None:
    truth = FieldTruth(tilt_px=0.6, towards_deg=towards)
    found = seen(truth, int(towards))
    wide, narrow = (imaged_fwhm_px(truth.star(*corner(towards, part))) for part in (1.0, -1.0))
    assert found.tilt.state == "seen"
    assert found.tilt.amount == pytest.approx(wide - narrow, rel=0.2)
    turned = (found.tilt.direction_deg - towards + 180) % 360 - 180
    assert abs(turned) < 10
    assert found.curvature.state == found.stretch.state == "not-seen"


@pytest.mark.parametrize("size", [0.5, -0.4])
def test_curvature_is_recovered_and_nothing_else_claimed(size: float) -> None:
    truth = FieldTruth(curvature_px=size)
    found = seen(truth, 3)
    edge, middle = imaged_fwhm_px(truth.star(1.0, 0.0)), imaged_fwhm_px(truth.star(0.0, 0.0))
    assert found.curvature.state == "seen"
    assert found.curvature.amount == pytest.approx(edge - middle, rel=0.2)
    assert found.tilt.state == found.stretch.state == "not-seen"


def test_tilt_and_curvature_together_are_told_apart() -> None:
    found = seen(FieldTruth(tilt_px=0.5, towards_deg=120.0, curvature_px=0.5), 4)
    assert found.tilt.amount == pytest.approx(0.5 * 0.93, rel=0.2)
    assert found.curvature.amount == pytest.approx(0.5 * 0.93, rel=0.2)
    assert found.tilt.state == found.curvature.state == "seen"


@pytest.mark.parametrize("stretch", [0.2, -0.2])
def test_stretch_along_or_across_the_line_to_the_middle(stretch: float) -> None:
    truth = FieldTruth(stretch=stretch)
    found = seen(truth, 5)
    assert found.stretch.state == "seen"
    assert found.stretch.amount == pytest.approx(_imaged_stretch(truth), rel=0.2)
    assert found.tilt.state == found.coma.state == "not-seen"
    assert found.stretch_origin == "astigmatism"


@pytest.mark.parametrize("waves", [-0.06, 0.2])
def test_coma_is_recovered_and_draws_stars_out(waves: float) -> None:
    truth = FieldTruth(coma_waves=waves)
    measures = measure(draw_frame(truth, np.random.default_rng(6)))
    found = across_field([measures])
    assert found is not None
    assert found.coma.state == "seen"
    expected = third_moment(truth.star(1.0, 0.0), measures.fwhm_px)
    assert found.coma.amount == pytest.approx(expected, rel=0.2)
    assert found.stretch_origin == ("coma" if found.stretch.state == "seen" else "cannot-tell")
    assert found.tilt.state == "not-seen"


def test_coma_stretches_by_the_right_size() -> None:
    class Everywhere(FieldTruth):
        def star(self, u: float, v: float) -> object:
            return FieldTruth.star(self, 1.0, 0.0)

    corner_star = measure(draw_frame(Everywhere(coma_waves=0.2), np.random.default_rng(9)))
    found = seen(FieldTruth(coma_waves=0.2), 6)
    assert found.stretch.state == "seen"
    assert found.stretch.amount == pytest.approx(-math.log(corner_star.axis_ratio), rel=0.2)
    # The same tails on all stars are a jolt or a lens out of centre, no coma off the axis.
    assert abs(corner_star.corner_tails) < 5 * corner_star.corner_tails_err


def test_a_tilt_about_a_line_in_focus_is_not_called_tilt_or_curvature() -> None:
    class Folded(FieldTruth):
        def star(self, u: float, v: float) -> object:
            return galsim.Moffat(beta=3.0, fwhm=math.hypot(FWHM_PX, 3.0 * u))

    found = seen(Folded(), 7)
    assert found.saddle.state == "seen"
    assert found.tilt.state == found.curvature.state == "cannot-tell"


def test_few_stars_cannot_tell() -> None:
    measures = measure(draw_frame(FieldTruth(), np.random.default_rng(8)))
    few = measures.stars.select(np.arange(len(measures.stars)) < 30)
    found = across_field([replace(measures, stars=few)])
    assert found is not None
    assert found.tilt.state == found.curvature.state == found.stretch.state == "cannot-tell"
    assert across_field([]) is None


def test_nothing_is_claimed_where_nothing_is_and_errors_are_those_seen() -> None:
    field = EvenField()
    found = []
    for trial in range(TRIALS):
        shape = across_field([measure(field.draw(np.random.default_rng(100 + trial)))])
        assert shape is not None
        found.append(shape)
    for name in ("tilt", "curvature", "stretch", "coma", "saddle"):
        assert all(getattr(one, name).state == "not-seen" for one in found), name
    # Errors of size and stretch allow for how stars fall on the pixels, and are the wider for it.
    for name, least in (("curvature", 0.4), ("stretch", 0.4), ("coma", 0.7)):
        pulls = [getattr(one, name).amount / getattr(one, name).error for one in found]
        assert least < np.sqrt(np.mean(np.square(pulls))) < 1.4, name


def test_the_quick_drawing_is_the_slow_one() -> None:
    quick = EvenField().draw(np.random.default_rng(1)).pixels.astype(float)
    slow = draw_frame(FieldTruth(), np.random.default_rng(1)).pixels.astype(float)
    # Both with noise of their own; stars a tenth of a pixel off would differ by far more.
    bright = slow > 2000
    assert np.median(np.abs(quick - slow)[bright] / slow[bright]) < 0.1


def _imaged_stretch(truth: FieldTruth) -> float:
    """Of the noiseless image in a corner, by adaptive moments (Hirata and Seljak, in GalSim)."""
    image = truth.star(1.0, 0.0).drawImage(nx=64, ny=64, scale=1.0)
    g1 = galsim.hsm.FindAdaptiveMom(image).observed_shape.g1
    return 2 * math.atanh(g1)
