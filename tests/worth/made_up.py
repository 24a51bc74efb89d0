"""Star lists and measures made up from formulas, without pixels."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import FrameFlag, StarFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.stars import Stars

# NEA of a Moffat of beta 3 over FWHM^2, CHECKS a: pi a^2 (2b-1)/(b-1)^2.
MOFFAT_3_NEA = 3.7771
SHAPE = (1500, 2000)
_NO_FLAGS = FrameFlag(0)


@dataclass(frozen=True)
class Sky:
    """Stars around the pointing: places about the frame's middle, px, and flux, ADU."""

    xy: NDArray[np.float64]
    flux: NDArray[np.float64]


@dataclass(frozen=True)
class Sight:
    """How one frame sees a sky."""

    shift: tuple[float, float] = (0.0, 0.0)
    turn_deg: float = 0.0
    transparency: float = 1.0
    noise_adu: float = 10.0
    fwhm_px: float = 3.5
    shape: tuple[int, int] = SHAPE


def draw_sky(rng: np.random.Generator, count: int, size_px: float = 5000.0) -> Sky:
    """Draw stars over a square: numbers go with 1/flux, as counts of real stars about do."""
    flux = np.minimum(1000 * (1 + rng.pareto(1.0, count)), 3e6)
    return Sky(rng.uniform(-size_px / 2, size_px / 2, (count, 2)), flux)


def see(sky: Sky, sight: Sight, rng: np.random.Generator) -> Stars:
    """List what a frame detects above S/N 5, with errors as large as formulas say.

    Sky- and photon-limited flux errors (CHECKS b, 1 electron an ADU), centroid errors
    .6 FWHM / (S/N); .5 % scintillation and .03 px that no error column knows of.
    """
    angle = np.deg2rad(sight.turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    ny, nx = sight.shape
    place = sky.xy @ turn.T + np.array([(nx - 1) / 2, (ny - 1) / 2]) + np.array(sight.shift)
    light = sight.transparency * sky.flux
    flux_err = np.sqrt(sight.noise_adu**2 * MOFFAT_3_NEA * sight.fwhm_px**2 + light)
    flux = light * (1 + 0.005 * rng.standard_normal(len(light)))
    flux += flux_err * rng.standard_normal(len(light))
    centroid_err = 0.6 * sight.fwhm_px / np.maximum(flux / flux_err, 1)
    place += np.hypot(centroid_err, 0.03)[:, np.newaxis] * rng.standard_normal(place.shape)
    seen = (flux > 5 * flux_err) & np.all((place > 0) & (place < np.array([nx, ny]) - 1), axis=1)
    order = np.flatnonzero(seen)[np.argsort(-flux[seen])]
    flags = np.where(flux < 20 * flux_err, int(StarFlag.FAINT), 0).astype(np.int32)
    return star_list(place[order], flux[order], flux_err[order], centroid_err[order], flags[order])


def star_list(
    place: NDArray[np.float64],
    flux: NDArray[np.float64],
    flux_err: NDArray[np.float64],
    centroid_err: NDArray[np.float64],
    flags: NDArray[np.int32],
) -> Stars:
    """Columns that relating frames looks at; the others are NaN."""
    unknown = np.full(len(flux), np.nan)
    return Stars(
        x_px=place[:, 0],
        y_px=place[:, 1],
        x_err_px=centroid_err,
        y_err_px=centroid_err,
        flux_adu=flux,
        flux_err_adu=flux_err,
        peak_adu=unknown,
        fwhm_px=unknown,
        fwhm_err_px=unknown,
        hfr_px=unknown,
        hfr_err_px=unknown,
        axis_ratio=unknown,
        axis_ratio_err=unknown,
        trail_deg=unknown,
        flags=flags,
    )


def measures(
    number: int,
    stars: Stars,
    *,
    noise_adu: float = 10.0,
    fwhm_px: float = 3.5,
    nea_px: float | None = None,
    exposure_s: float | None = 8.0,
    flags: FrameFlag = _NO_FLAGS,
) -> FrameMeasures:
    """Measures of a frame with a round star of beta 3; errors .1 %, NEA by the formula."""
    nea_px = MOFFAT_3_NEA * fwhm_px**2 if nea_px is None else nea_px
    empty = np.empty((0, 0), np.float32)
    start = datetime(2031, 10, 14, 20, tzinfo=UTC) + timedelta(seconds=10 * number)
    return FrameMeasures(
        file_name=f"frame_{number:03d}.fits",
        shape=SHAPE,
        capture=Capture(start_utc=start, exposure_s=exposure_s),
        background_adu=500.0,
        background_err_adu=0.001 * noise_adu,
        noise_adu=noise_adu,
        star_count=int(np.count_nonzero(stars.flags == 0)),
        fwhm_px=fwhm_px,
        fwhm_err_px=0.001 * fwhm_px,
        hfr_px=0.63 * fwhm_px,
        hfr_err_px=0.001 * fwhm_px,
        axis_ratio=1.0,
        axis_ratio_err=0.01,
        trail_deg=0.0,
        trail_err_deg=50.0,
        nea_px=nea_px,
        nea_err_px=0.001 * nea_px,
        profile=StarProfile(
            fwhm_px=fwhm_px, stretch1=0.0, stretch2=0.0, beta=3.0, radius_px=3 * fwhm_px
        ),
        stars=stars,
        average_star=empty,
        average_star_err=empty,
        thumbnail=np.empty((0, 0), np.uint8),
        flags=flags,
    )
