"""Stacks made of a night's frames, what they show, and what was predicted of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, map_coordinates, spline_filter
from scipy.signal import fftconvolve

from starwinnow.frame import Capture, Frame
from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure
from starwinnow.night import Night
from starwinnow.relate import Relation
from starwinnow.scoring import RunScores, score_run
from starwinnow.settings import Aim, Mean, Settings
from starwinnow.stack_forecast import StackParts, mean_weights, stack_parts

from .rough_nights import Conditions, Field, render, star_image

__all__ = ["FaintStars", "MadeNight", "Plan", "make_night", "snr_ratio"]

Image = NDArray[np.float64]
Weights = NDArray[np.float64]

_SPLINE_ORDER = 3
# Wider than the filter reaches beyond its last tenth of a per cent.
_EDGE_PX = 14
_STAR_SIDE_PX = 41
# Rays from a bright star, and the points at their ends that tell the level.
_RAY_PX, _RING, _READING_ORDER = 14.0, 20, 5
_RESAMPLES = 400


@dataclass(frozen=True)
class FaintStars:
    """What a matched filter makes of faint stars and of blank places, shape (n,) each."""

    stars: NDArray[np.float64]
    blanks: NDArray[np.float64]

    @property
    def snr(self) -> float:
        """Mean light of the stars over the scatter at places without one."""
        return float(np.mean(self.stars) / np.std(self.blanks))


@dataclass(frozen=True)
class Plan:
    """A night's frames for one aim and mean: what the library says of them.

    Attributes
    ----------
    parts : StackParts
        From which the library predicts.
    even : ndarray of float64, shape (n,)
        Weights of a mean of all frames.
    kept : ndarray of bool, shape (n,)
    weights, ranks : ndarray, shape (n,)
        As in the table of frames.
    """

    parts: StackParts
    even: Weights
    kept: NDArray[np.bool_]
    weights: Weights
    ranks: NDArray[np.intp]

    def best(self, part: float) -> NDArray[np.bool_]:
        """The best `part` of the frames by rank."""
        return np.asarray(self.ranks <= round(part * len(self.ranks)))


@dataclass(frozen=True)
class MadeNight:
    """A rendered night, scored by the library, its frames laid on the reference.

    Attributes
    ----------
    conditions : list of Conditions
        What happened.
    measures : list of FrameMeasures
    scores : RunScores
    images : ndarray of float32, shape (n, ny, nx)
        Frames resampled to the reference, less their level, cut to what all share.
    star_images : ndarray of float64, shape (n, side, side)
        True star of each frame times its true light.
    bright_px, faint_px, blank_px : ndarray of float64, shape (m, 2)
        True places on the images.
    """

    conditions: list[Conditions]
    measures: list[FrameMeasures]
    scores: RunScores
    images: NDArray[np.float32]
    star_images: Image
    bright_px: NDArray[np.float64]
    faint_px: NDArray[np.float64]
    blank_px: NDArray[np.float64]

    @property
    def unblemished(self) -> NDArray[np.bool_]:
        """Frames that nothing happened to."""
        return np.array([not frame.trouble for frame in self.conditions])

    def plan(self, aim: Aim, mean: Mean) -> Plan:
        """Let the library choose and predict; every frame must have a score."""
        night = Night()
        for frame in self.measures:
            night.add(frame)
        rows = {row.file: row for row in night.snapshot(Settings(aim=aim, mean=mean)).rows}
        scores = score_run(self.measures, Settings(aim=aim, mean=mean))
        parts = stack_parts(self.measures, scores, aim)
        ordered = [rows[frame.file_name] for frame in self.measures]
        assert all(row.rank is not None for row in ordered)
        return Plan(
            parts=parts,
            even=mean_weights(parts, mean),
            kept=np.array([row.kept for row in ordered]),
            weights=np.array([row.weight for row in ordered]),
            ranks=np.array([row.rank for row in ordered]),
        )

    def stack(self, weights: Weights) -> Image:
        """Weighted mean of the frames."""
        used = np.flatnonzero(weights)
        total = np.zeros(self.images.shape[1:])
        for k in used:
            total += weights[k] * self.images[k]
        return total / float(np.sum(weights))

    def faint_stars(self, weights: Weights) -> FaintStars:
        """Read the stack through the filter that matches its true star.

        Resampling correlates the noise of neighbouring pixels, so noise is never taken from
        pixels but from what the filter makes of blank places.
        """
        star = np.tensordot(weights, self.star_images, 1)
        filtered = fftconvolve(self.stack(weights), star[::-1, ::-1], mode="same")
        stars, blanks = _read(filtered, self.faint_px), _read(filtered, self.blank_px)
        ground = _quadratic(self.blank_px, filtered.shape)
        surface, *_ = np.linalg.lstsq(ground, blanks, rcond=None)
        return FaintStars(
            stars=stars - _quadratic(self.faint_px, filtered.shape) @ surface,
            blanks=blanks - ground @ surface,
        )

    def star_width(self, weights: Weights) -> float:
        """FWHM of the stack's bright stars read off their mean image, px: no fit, no profile.

        2 sqrt(A / pi) of the area A inside the half-maximum contour.
        """
        splines = spline_filter(self.stack(weights), order=_READING_ORDER)
        angles = np.linspace(0, 2 * np.pi, 36, endpoint=False)
        radii_px = np.arange(0, _RAY_PX, 0.1)
        rays = radii_px * np.stack([np.cos(angles), np.sin(angles)])[..., np.newaxis]
        light = np.zeros((len(angles), len(radii_px)))
        for place in self.bright_px:
            here = place[:, np.newaxis, np.newaxis] + rays
            light += map_coordinates(splines, here[::-1], order=_READING_ORDER, prefilter=False)
        light -= np.mean(light[:, -_RING:])
        half_px = [
            np.interp(-light[0, 0] / 2, -np.minimum.accumulate(ray), radii_px) for ray in light
        ]
        return float(2 * np.sqrt(np.mean(np.square(half_px))))

    def fitted_width(self, weights: Weights) -> float:
        """FWHM of the stack's stars as the library measures that of any frame, px."""
        pixels = self.stack(weights).astype(np.float32)
        return measure(Frame(path=Path("stack.fits"), pixels=pixels, capture=Capture())).fwhm_px


def make_night(
    field: Field, conditions: Sequence[Conditions], rng: np.random.Generator
) -> MadeNight:
    """Render, measure, score and register a night."""
    frames = [render(field, frame, number, rng) for number, frame in enumerate(conditions)]
    measures = [measure(frame) for frame in frames]
    scores = score_run(measures, Settings())
    relations = [score.relation for score in scores.scores]
    names = [frame.file_name for frame in measures]
    reference = conditions[names.index(str(scores.reference_file))]
    resampled = [_registered(frame, one) for frame, one in zip(frames, relations, strict=True)]
    images = np.array([image - np.nanmedian(image) for image in resampled], np.float32)
    rows, columns = _shared_part(images)
    images = np.ascontiguousarray(images[:, rows, columns])

    def on_images(places_px: NDArray[np.float64]) -> NDArray[np.float64]:
        here = reference.place(places_px, field.shape) - [columns.start, rows.start]
        size = np.array(images.shape[:0:-1])
        return here[np.all((here > _EDGE_PX) & (here < size - 1 - _EDGE_PX), axis=1)]

    stars = [one.transparency * star_image(one.psf(), _STAR_SIDE_PX) for one in conditions]
    return MadeNight(
        conditions=list(conditions),
        measures=measures,
        scores=scores,
        images=images,
        star_images=np.array(stars),
        bright_px=on_images(field.bright_px),
        faint_px=on_images(field.faint_px),
        blank_px=on_images(field.blank_px),
    )


def snr_ratio(one: FaintStars, other: FaintStars, rng: np.random.Generator) -> tuple[float, float]:
    """S/N of one stack over another's, and its standard error by drawing places anew.

    Both stacks are read at the same places, so what they share of noise cancels.
    """

    def drawn() -> float:
        stars = rng.integers(len(one.stars), size=len(one.stars))
        blanks = rng.integers(len(one.blanks), size=len(one.blanks))
        return (
            FaintStars(one.stars[stars], one.blanks[blanks]).snr
            / FaintStars(other.stars[stars], other.blanks[blanks]).snr
        )

    return one.snr / other.snr, float(np.std([drawn() for _ in range(_RESAMPLES)]))


def _registered(frame: Frame, relation: Relation | None) -> Image:
    """Resample a frame to its reference's pixels by cubic splines; NaN where it has none."""
    assert relation is not None, f"{frame.path.name} was not laid on the reference"
    origin, along_x, along_y = relation.to_frame(np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]))
    # scipy counts (row, column)
    matrix = np.column_stack([along_y - origin, along_x - origin])[::-1]
    pixels = frame.pixels.astype(np.float64)
    return np.asarray(
        affine_transform(pixels, matrix, origin[::-1], order=_SPLINE_ORDER, cval=np.nan)
    )


def _shared_part(images: NDArray[np.float32]) -> tuple[slice, slice]:
    """Rows and columns that every image has: small shifts leave a frame around them empty."""
    seen = np.all(np.isfinite(images), axis=0)
    ny, nx = seen.shape
    rows = np.flatnonzero(seen[:, nx // 2])
    columns = np.flatnonzero(seen[ny // 2])
    # turns slant the edges by a few pixels
    return slice(rows[0] + 6, rows[-1] - 5), slice(columns[0] + 6, columns[-1] - 5)


def _read(image: Image, places_px: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values between pixels, by cubic splines."""
    return np.asarray(map_coordinates(image, places_px.T[::-1], order=_SPLINE_ORDER))


def _quadratic(places_px: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Terms of a quadratic surface at places, shape (n, 6): a gradient of the background."""
    x, y = (2 * places_px / np.array(shape[::-1]) - 1).T
    return np.column_stack([np.ones_like(x), x, y, x * x, x * y, y * y])
