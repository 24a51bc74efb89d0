"""Shift, turn and transparency of rendered frames, measured as files are: pixels to relation."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import galsim
import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.relate import Relation, relate
from starwinnow_sim import Camera, FrameTruth, StarField, StarShape, draw_star_field, render_frame

CAMERA = Camera(shape=(900, 1200))
REFERENCE = FrameTruth(
    start_utc=datetime(2031, 10, 14, 20, 15, tzinfo=UTC),
    exposure_s=8.0,
    star=StarShape(fwhm_px=2.6, beta=3.0),
)


def measured(pixels: NDArray[np.uint16], gain: float) -> FrameMeasures:
    return measure(
        Frame(path=Path("rendered.fits"), pixels=pixels, capture=Capture(egain_e_per_adu=gain))
    )


def related(frame: FrameMeasures, reference: FrameMeasures) -> Relation:
    relation = relate(
        frame.stars, reference.stars, shape=frame.shape, reference_shape=reference.shape
    )
    assert relation is not None
    assert relation.matched >= 100
    return relation


def assert_close(
    relation: Relation, *, shift: tuple[float, float], turn_deg: float, transparency: float
) -> None:
    """The limits asked of 100 stars and more: .1 px, .005 deg, 1 %."""
    assert np.hypot(relation.dx_px - shift[0], relation.dy_px - shift[1]) < 0.1
    assert abs((relation.rotation_deg - turn_deg + 180) % 360 - 180) < 0.005
    assert relation.transparency == pytest.approx(transparency, rel=0.01)


@pytest.fixture(scope="module")
def sky() -> tuple[StarField, FrameMeasures]:
    """A field, wide enough for every turn, and its reference frame."""
    rng = np.random.default_rng(730_001)
    field = draw_star_field(CAMERA.shape, count=400, rng=rng, margin_px=200.0, faintest_e=1000.0)
    pixels = render_frame(field, REFERENCE, CAMERA, rng)
    return field, measured(pixels, CAMERA.egain_e_per_adu)


@pytest.mark.parametrize(
    "truth",
    [
        replace(REFERENCE, shift_x_px=0.4, shift_y_px=-0.3),
        replace(
            REFERENCE,
            transparency=0.3,
            star=StarShape(fwhm_px=3.7, beta=3.0),
            shift_x_px=-41.3,
            shift_y_px=25.8,
            rotation_deg=0.4,
        ),
        replace(REFERENCE, transparency=0.3, star=StarShape(fwhm_px=2.1, beta=4.0)),
        replace(
            REFERENCE,
            transparency=0.8,
            star=StarShape(fwhm_px=2.6, beta=3.0, defocus_px=4.0),
            background_e=200.0,
            rotation_deg=180.25,
            shift_x_px=12.0,
        ),
        replace(
            REFERENCE,
            transparency=0.6,
            star=StarShape(fwhm_px=3.1, beta=3.0, axis_ratio=0.8, angle_deg=30.0),
            rotation_deg=-63.0,
            shift_x_px=60.0,
            shift_y_px=-90.0,
        ),
        replace(
            REFERENCE,
            star=StarShape(fwhm_px=2.8, beta=3.0, trail_x_px=3.0, trail_y_px=-2.0),
            gradient_x=0.4,
            gradient_y=-0.3,
            rotation_deg=-0.03,
            shift_y_px=7.5,
        ),
    ],
    ids=["still", "cloud-soft", "cloud-sharp", "defocus-180", "any-turn", "trail-gradient"],
)
def test_frames_of_our_renderer(sky: tuple[StarField, FrameMeasures], truth: FrameTruth) -> None:
    field, reference = sky
    rng = np.random.default_rng(730_002)
    frame = measured(render_frame(field, truth, CAMERA, rng), CAMERA.egain_e_per_adu)
    assert_close(
        related(frame, reference),
        shift=(truth.shift_x_px, truth.shift_y_px),
        turn_deg=truth.rotation_deg,
        transparency=truth.transparency * light_inside(truth.star) / light_inside(REFERENCE.star),
    )


def light_inside(star: StarShape) -> float:
    """Part of a Moffat's light inside the measuring radius R: 1 - (1 + (R / a)^2)^(1 - beta).

    The integral of Moffat 1969, A&A 3, 455 (from memory). Beyond R no light is counted, and stars
    of other beta have more or less of theirs there: 0.8 and 0.2 % for beta of 3 and 4.
    """
    radius = max(8.0, 3.0 * star.fwhm_px)
    core = star.fwhm_px / 2 / np.sqrt(2 ** (1 / star.beta) - 1)
    return 1.0 - float((1 + (radius / core) ** 2) ** (1 - star.beta))


@dataclass(frozen=True)
class GalsimFrame:
    """How a frame is drawn by GalSim."""

    psf: galsim.GSObject
    shift: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    transparency: float = 1.0


def draw_galsim(
    frame: GalsimFrame,
    xy: NDArray[np.float64],
    flux_e: NDArray[np.float64],
    rng: np.random.Generator,
) -> NDArray[np.uint16]:
    """Stars at `xy` about the frame's middle, background 80 e, read noise 2 e, 1 e an ADU."""
    ny, nx = CAMERA.shape
    image = galsim.ImageD(galsim.BoundsI(0, nx - 1, 0, ny - 1), scale=1.0, init_value=0.0)
    angle = np.deg2rad(frame.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    places = xy @ turn.T + np.array([(nx - 1) / 2, (ny - 1) / 2]) + np.array(frame.shift)
    for (x, y), flux in zip(places, flux_e, strict=True):
        near = galsim.BoundsI(round(x) - 30, round(x) + 30, round(y) - 30, round(y) + 30)
        shared = near & image.bounds
        if shared.isDefined():
            frame.psf.withFlux(flux * frame.transparency).drawImage(
                image=image[shared], center=galsim.PositionD(x, y), add_to_image=True
            )
    electrons = rng.poisson(np.maximum(image.array, 0) + 80.0) + rng.normal(0, 2.0, (ny, nx))
    return np.clip(np.rint(electrons + 300.0), 0, 65_535).astype(np.uint16)


@pytest.mark.parametrize(
    "drawn",
    [
        GalsimFrame(
            galsim.Kolmogorov(fwhm=3.9), shift=(18.6, -7.2), turn_deg=0.21, transparency=0.3
        ),
        GalsimFrame(
            galsim.Kolmogorov(fwhm=2.4), shift=(-5.1, 33.4), turn_deg=178.9, transparency=0.7
        ),
        GalsimFrame(
            galsim.Kolmogorov(fwhm=2.9), shift=(212.0, -98.5), turn_deg=30.0, transparency=0.8
        ),
    ],
    ids=["cloud-soft", "sharp-turned", "thirty-degrees"],
)
def test_frames_of_galsim(drawn: GalsimFrame) -> None:
    """GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121) shares nothing with us."""
    rng = np.random.default_rng(730_003)
    ny, nx = CAMERA.shape
    half = np.hypot(ny, nx) / 2
    xy = rng.uniform(-half, half, (500, 2))
    flux_e = 3000 * rng.uniform(0.002, 1.0, 500) ** -0.8
    reference = GalsimFrame(galsim.Kolmogorov(fwhm=2.9))
    frames = [measured(draw_galsim(one, xy, flux_e, rng), 1.0) for one in (drawn, reference)]
    assert_close(
        related(*frames),
        shift=drawn.shift,
        turn_deg=drawn.turn_deg,
        transparency=drawn.transparency,
    )
