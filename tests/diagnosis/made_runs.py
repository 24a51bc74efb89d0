"""Runs of frames with stars that GalSim drew: star lists and figures, no pixels of whole frames."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis import FitCache, RunDiagnosis, diagnose_run
from starwinnow.diagnosis.evidence import Evidence, gather
from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.scoring import score_run
from starwinnow.settings import Settings
from starwinnow.stars import Stars

from .drawn_stars import OPTICS_MM, PIXEL_UM, SIDE_PX, DrawnStar, noise_equivalent_area

__all__ = [
    "CARD",
    "ELECTRONS",
    "START",
    "Made",
    "causes",
    "codes",
    "evidence_of",
    "frame_of",
    "quiet",
    "remembering",
    "spoilt",
    "told",
]

Column = NDArray[np.float64]

CARD: dict[str, object] = {
    "aperture_mm": OPTICS_MM[0], "focal_length_mm": OPTICS_MM[1], "pixel_um": PIXEL_UM,
}  # fmt: skip
START = datetime(2031, 10, 14, 20, tzinfo=UTC)
_SHAPE, _STARS = (400, 600), 60
_PLAIN_NOISE_ADU = 10.0
# Sixty stars of 50,000 electrons under a sky of 10 ADU, added up.
_SKY_PART = 2.5e-5
# A mount never runs quite true: each frame's stars are drawn out a little, some way (common
# practice, no source).
_STRETCH_SCATTER = 0.008
ELECTRONS = 3e6


@dataclass(frozen=True, kw_only=True)
class Made:
    """How one frame is made.

    Attributes
    ----------
    star : DrawnStar
    light : float
        Part of the starlight that arrives, before what the star's own halo loses.
    slope : float
        ln of light lost more at the right edge than at the left one.
    noise : float
        Noise over that of an ordinary frame.
    electrons : float
        Light behind the average star: less makes it noisier.
    card : mapping
        What its header says beside the usual.
    """

    star: DrawnStar = field(default_factory=DrawnStar)
    light: float = 1.0
    slope: float = 0.0
    noise: float = 1.0
    electrons: float = ELECTRONS
    card: Mapping[str, object] = field(default_factory=lambda: CARD)


def remembering(count: int, memory: float, rng: np.random.Generator) -> Column:
    """Draw a series of mean 0 and variance 1 whose neighbours correlate by `memory`, AR(1)."""
    series = rng.standard_normal(count)
    for i in range(1, count):
        series[i] = memory * series[i - 1] + math.sqrt(1 - memory**2) * series[i]
    return series


def quiet(
    count: int,
    seed: int = 1,
    *,
    seeing_scatter: float = 0.015,
    memory: float = 0.6,
    electrons: float = ELECTRONS,
) -> list[Made]:
    """Frames in which nothing goes wrong: seeing, light and sky wander as in any night."""
    rng = np.random.default_rng(seed)
    seeing = 2.2 * np.exp(seeing_scatter * remembering(count, memory, rng))
    light = np.exp(0.005 * remembering(count, memory, rng))
    noise = np.exp(0.004 * remembering(count, memory, rng))
    return [
        Made(
            star=DrawnStar(seeing_px=round(float(seeing[i]), 2)),
            light=float(light[i]),
            noise=float(noise[i]),
            electrons=electrons,
        )
        for i in range(count)
    ]


def spoilt(made: Sequence[Made], rows: Iterable[int], **changes: object) -> list[Made]:
    """Change some frames.

    Names are those of `DrawnStar` and `Made`, and `wider`, a factor on the seeing; light and noise
    are factors too. What can be called is asked for each row.
    """
    every = list(made)
    for row in rows:
        new = {
            name: change(row) if callable(change) else change for name, change in changes.items()
        }
        one, star = every[row], every[row].star
        if "wider" in new:
            new["seeing_px"] = round(new.pop("wider") * star.seeing_px, 2)
        for name in {"light", "noise"} & set(new):
            new[name] *= getattr(one, name)
        shape = {name: new.pop(name) for name in list(new) if hasattr(star, name)}
        every[row] = replace(one, star=replace(star, **shape), **new)
    return every


def frame_of(number: int, made: Made) -> FrameMeasures:
    """Figures of a frame; its stars' fluxes are those inside the measuring radius."""
    rng = np.random.default_rng([number, 41])
    clean, fwhm_px = made.star.image(), made.star.fwhm_px()
    radius_px = min(3 * fwhm_px, SIDE_PX / 2)
    y, x = np.indices(clean.shape) - (SIDE_PX - 1) / 2
    inside = float(clean[np.hypot(x, y) <= radius_px].sum())
    image, error = _average(clean / inside, made, rng)
    noise_adu = _PLAIN_NOISE_ADU * made.noise
    area = noise_equivalent_area(clean) * math.exp(0.002 * rng.standard_normal())
    stretch = np.array(made.star.stretch()) + _STRETCH_SCATTER * rng.standard_normal(2)
    capture = Capture(
        start_utc=START + timedelta(seconds=10 * number), exposure_s=8.0, image_type="light"
    )
    return FrameMeasures(
        file_name=f"frame_{number:03d}.fits",
        shape=_SHAPE,
        capture=replace(capture, **made.card),
        background_adu=1000.0,
        background_err_adu=0.01 * noise_adu,
        noise_adu=noise_adu,
        star_count=_STARS,
        fwhm_px=fwhm_px,
        fwhm_err_px=0.002 * fwhm_px,
        hfr_px=0.63 * fwhm_px,
        hfr_err_px=0.002 * fwhm_px,
        axis_ratio=math.exp(-float(np.hypot(*stretch))),
        axis_ratio_err=0.01,
        trail_deg=0.0,
        trail_err_deg=50.0,
        nea_px=area,
        nea_err_px=0.002 * area,
        profile=StarProfile(
            fwhm_px=fwhm_px,
            stretch1=float(stretch[0]),
            stretch2=float(stretch[1]),
            beta=3.0,
            radius_px=radius_px,
        ),
        stars=_listed(number, made, inside, noise_adu * math.sqrt(area)),
        average_star=image,
        average_star_err=error,
        thumbnail=np.zeros((53, 80), np.uint8),
        flags=FrameFlag(0),
    )


def _average(
    star: Column, made: Made, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Add the noise of sky and photons to an average star of unit flux; with its error."""
    light = made.light * made.electrons / ELECTRONS
    sky = _SKY_PART * made.noise / light
    error = np.sqrt(sky**2 + np.maximum(star, 0.0) / (light * ELECTRONS))
    noisy = star + error * rng.standard_normal(star.shape)
    return noisy.astype(np.float32), error.astype(np.float32)


def _listed(number: int, made: Made, inside: float, error_adu: float) -> Stars:
    """Stars of one field, which drifts; .6 % scintillation that no error knows of."""
    rng, own = np.random.default_rng(1), np.random.default_rng([number, 42])
    ny, nx = _SHAPE
    x, y = rng.uniform(20, nx - 40, _STARS), rng.uniform(20, ny - 20, _STARS)
    flux = made.light * inside * np.sort(rng.uniform(20_000, 90_000, _STARS))[::-1]
    error, flat = np.full(_STARS, error_adu), np.ones(_STARS)
    seen = flux * np.exp(-made.slope * (x / nx - 0.5)) * (1 + 0.006 * own.standard_normal(_STARS))
    return Stars(
        x_px=x + 0.1 * number,
        y_px=y - 0.05 * number,
        x_err_px=error / flux,
        y_err_px=error / flux,
        flux_adu=seen + error * own.standard_normal(_STARS),
        flux_err_adu=error,
        peak_adu=flux / 10,
        fwhm_px=3.0 * flat,
        fwhm_err_px=0.1 * flat,
        hfr_px=1.9 * flat,
        hfr_err_px=0.1 * flat,
        axis_ratio=0.95 * flat,
        axis_ratio_err=0.05 * flat,
        trail_deg=0 * flat,
        flags=np.zeros(_STARS, np.int32),
    )


def told(
    made: Sequence[Made], *, cache: FitCache | None = None, backward: bool = False
) -> RunDiagnosis:
    """Diagnose a run, its frames given in time order or the other way round."""
    frames = [frame_of(number, one) for number, one in enumerate(made)]
    if backward:
        frames.reverse()
    return diagnose_run(frames, score_run(frames, Settings()), cache=cache)


def evidence_of(made: Sequence[Made]) -> Evidence:
    """Gather what a run's frames show."""
    frames = [frame_of(number, one) for number, one in enumerate(made)]
    evidence = gather(frames, score_run(frames, Settings()))
    assert evidence is not None
    return evidence


def causes(diagnosis: RunDiagnosis) -> list[set[str]]:
    """Codes of each frame."""
    return [{one.code for one in frame.causes} for frame in diagnosis.frames]


def codes(diagnosis: RunDiagnosis, rows: Sequence[int]) -> list[str]:
    """Codes of some frames, those of one frame joined by a plus."""
    every = causes(diagnosis)
    return ["+".join(sorted(every[row])) for row in rows]
