"""Runs of frames with stars that GalSim drew: star lists and figures, no pixels of whole frames."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from starwinnow.diagnosis import FitCache, RunDiagnosis, diagnose_run
from starwinnow.diagnosis.evidence import Evidence, gather
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.scoring import score_run
from starwinnow.settings import Settings

from ..live.night_frames import made_frame
from .drawn_stars import OPTICS_MM, PIXEL_UM, SIDE_PX, DrawnStar, noise_equivalent_area

__all__ = [
    "CARD",
    "Made",
    "causes",
    "codes",
    "evidence_of",
    "frame_of",
    "quiet",
    "remembering",
    "told",
]

Column = NDArray[np.float64]

CARD: dict[str, object] = {
    "aperture_mm": OPTICS_MM[0], "focal_length_mm": OPTICS_MM[1], "pixel_um": PIXEL_UM,
}  # fmt: skip
_PLAIN_NOISE_ADU = 10.0
# Sixty stars of 50,000 electrons under a sky of 10 ADU, added up.
_SKY_PART = 2.5e-5
# A mount never runs quite true: each frame's stars are drawn out a little, some way (common
# practice, no source).
_STRETCH_SCATTER = 0.01
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


def frame_of(number: int, made: Made) -> FrameMeasures:
    """Figures of a frame; its stars' fluxes are those inside the measuring radius."""
    rng = np.random.default_rng([number, 41])
    clean = made.star.image()
    fwhm_px = made.star.fwhm_px()
    radius_px = min(3 * fwhm_px, SIDE_PX / 2)
    y, x = np.indices(clean.shape) - (SIDE_PX - 1) / 2
    inside = float(clean[np.hypot(x, y) <= radius_px].sum())
    star = clean / inside
    noise_adu = _PLAIN_NOISE_ADU * made.noise
    electrons = made.electrons * made.light
    sky = _SKY_PART * made.noise / made.light * math.sqrt(ELECTRONS / made.electrons)
    error = np.sqrt(sky**2 + np.maximum(star, 0.0) / electrons)
    area = noise_equivalent_area(clean) * math.exp(0.002 * rng.standard_normal())
    stretch = np.array(made.star.stretch()) + _STRETCH_SCATTER * rng.standard_normal(2)
    plain = made_frame(
        number,
        light=made.light * inside,
        noise_adu=noise_adu,
        fwhm_px=fwhm_px,
        **made.card,
    )
    stars = plain.stars
    chance = 1 + 0.006 * rng.standard_normal(len(stars.flux_adu))
    chance += stars.flux_err_adu / stars.flux_adu * rng.standard_normal(len(chance))
    tilt = np.exp(-made.slope * (stars.x_px / plain.shape[1] - 0.5))
    return replace(
        plain,
        stars=replace(stars, flux_adu=stars.flux_adu * chance * tilt),
        nea_px=area,
        nea_err_px=0.002 * area,
        axis_ratio=math.exp(-float(np.hypot(*stretch))),
        profile=StarProfile(
            fwhm_px=fwhm_px,
            stretch1=float(stretch[0]),
            stretch2=float(stretch[1]),
            beta=3.0,
            radius_px=radius_px,
        ),
        average_star=(star + error * rng.standard_normal(star.shape)).astype(np.float32),
        average_star_err=error.astype(np.float32),
    )


def told(made: Sequence[Made], cache: FitCache | None = None) -> RunDiagnosis:
    """Diagnose a run."""
    frames = [frame_of(number, one) for number, one in enumerate(made)]
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
