"""What a frame's average star says about why it is large: one fit for each family of kernels."""

import math
from collections.abc import MutableMapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from starwinnow.diagnosis.evidence import Evidence
from starwinnow.diagnosis.kernels import (
    Factor,
    FocusFactor,
    KnockFactor,
    Optics,
    TrailFactor,
    optics_of,
    seeing_exponent,
)
from starwinnow.diagnosis.star_fits import (
    COMMON,
    HALO,
    LIGHT,
    SEEING,
    KernelFits,
    StarImages,
    StarModel,
    prepare,
)
from starwinnow.flags import FrameFlag
from starwinnow.frame_measures import FrameMeasures

__all__ = ["FAMILIES", "FitCache", "ShapeFit", "fit_shapes"]

Table = NDArray[np.float64]

FAMILIES = ("seeing", "focus", "trail", "knock")

# Ordinary frames behind the ordinary star, and so many more that tell how well fits can be.
_MOST_ORDINARY = 24
_FEWEST_ORDINARY = 3
# What two images of the same star differ by even at the best, as a part of its brightness.
_LEAST_MISFIT = 0.003
# A frame's star is asked for its shape when it is this much larger, in ln of its area, and by so
# many of the night's own scatters; or when it is less round than the ordinary one.
_ASKED_SIZE, _ASKED_SIGMA = 0.04, 1.5
_ASKED_STRETCH = 0.04
_ASKED_LIGHT = 0.04


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShapeFit:
    """Fits of one frame's average star.

    Attributes
    ----------
    chi2 : dict of str to float
        By family, 1 a pixel for an ordinary frame; infinite for families not tried.
    parameters, errors : dict of str to ndarray
        Of the fits.
    parts : dict of str to dict of str to float
        By family: ln of the star's area that 'seeing', 'halo' and the family itself each add.
    pixels : int
        Pixels fitted.
    """

    chi2: dict[str, float]
    parameters: dict[str, Table]
    errors: dict[str, Table]
    parts: dict[str, dict[str, float]]
    pixels: int

    def log_likelihood(self, family: str) -> float:
        """Of a family, less what its free parameters would gain by chance (BIC)."""
        own = len(self.parameters[family]) - COMMON if family in self.parameters else 0
        return -0.5 * (self.chi2[family] + own * math.log(self.pixels))

    @property
    def best(self) -> str:
        """Likeliest family."""
        return max(self.parameters, key=self.log_likelihood)

    def halo(self) -> tuple[float, float]:
        """Part of the light in a wide halo, with its error, by the likeliest family."""
        best = self.best
        return float(self.parameters[best][HALO]), float(self.errors[best][HALO])


FitCache = MutableMapping[tuple[str, tuple[str, ...]], ShapeFit]
"""Fits already made, by file name and the names of the frames that they are measured by."""


def fit_shapes(evidence: Evidence, cache: FitCache) -> dict[int, ShapeFit]:
    """Fit the average stars of the frames that are not as ordinary ones.

    Parameters
    ----------
    evidence : Evidence
    cache : dict
        Fits known from earlier calls; new ones are added.

    Returns
    -------
    dict of int to ShapeFit
        By row of the evidence. Empty where the run has too few ordinary frames; frames whose
        stars are discs or doubled are left out, as their figures say enough.
    """
    standard = _standard_rows(evidence)
    if len(standard) < _FEWEST_ORDINARY:
        return {}
    names = tuple(sorted(evidence.frames[row].file_name for row in standard))
    asked = _asked_rows(evidence)
    new = [row for row in asked if (evidence.frames[row].file_name, names) not in cache]
    if new:
        workshop = _Workshop([evidence.frames[row] for row in standard])
        fits = workshop.fit([evidence.frames[row] for row in new])
        for row, fit in zip(new, fits, strict=True):
            cache[evidence.frames[row].file_name, names] = fit
    return {row: cache[evidence.frames[row].file_name, names] for row in asked}


def _standard_rows(evidence: Evidence) -> list[int]:
    """Ordinary frames to measure by, the same for as long as the run does not double.

    While a night grows, fits are worth keeping.
    """
    count = len(evidence)
    first = 1 << (count.bit_length() - 1)
    rows = np.flatnonzero(evidence.ordinary[:first])
    if len(rows) < _FEWEST_ORDINARY:
        rows = np.flatnonzero(evidence.ordinary)
    near = rows[np.argsort(np.abs(evidence.size[rows]), kind="stable")][:_MOST_ORDINARY]
    return [int(row) for row in near if evidence.frames[row].average_star.size]


def _asked_rows(evidence: Evidence) -> list[int]:
    usual = np.median(
        [_stretch(evidence.frames[row]) for row in np.flatnonzero(evidence.ordinary)], axis=0
    )
    rows = []
    for row, frame in enumerate(evidence.frames):
        if frame.flags & (FrameFlag.DISCS | FrameFlag.DOUBLED) or not frame.average_star.size:
            continue
        large = evidence.size[row] > max(_ASKED_SIZE, _ASKED_SIGMA * evidence.of_size.sigma)
        drawn = np.hypot(*(_stretch(frame) - usual)) > _ASKED_STRETCH
        if large or drawn or evidence.light[row] < -_ASKED_LIGHT:
            rows.append(row)
    return rows


def _stretch(frame: FrameMeasures) -> Table:
    if frame.profile is None:
        return np.zeros(2)
    return np.array([frame.profile.stretch1, frame.profile.stretch2])


class _Workshop:
    """The ordinary star, how well it fits its like, and what other stars are fitted by."""

    def __init__(self, standard: Sequence[FrameMeasures]) -> None:
        stars = _stars_of(standard)
        self.model = StarModel(stars.image.mean(axis=0))
        self.fwhm_px = float(np.median([one.fwhm_px for one in standard]))
        self.optics: Optics | None = optics_of(standard[0].capture)
        fits = self.model.fit(stars, (), self._start(standard))
        self.misfit2 = self._misfit(stars, fits)
        again = self.model.fit(self._with_misfit(stars), (), self._start(standard))
        self.pixels = int(np.count_nonzero(self.model.fitted))
        self.per_pixel = max(float(np.median(again.chi2)) / self.pixels, 0.2)

    def _start(self, frames: Sequence[FrameMeasures]) -> Table:
        rows = np.tile([1.0, 0.0, 0.0, 0.0, 0.0, 0.01], (len(frames), 1))
        ordinary = seeing_exponent(self.fwhm_px)
        rows[:, SEEING] = [
            seeing_exponent(one.fwhm_px) - ordinary if math.isfinite(one.fwhm_px) else 0.0
            for one in frames
        ]
        return rows

    def _misfit(self, stars: StarImages, fits: KernelFits) -> Table:
        """Variance of what is left beyond the stars' own errors, smoothed, shape (side, side)."""
        fitted = self.model.fitted
        left = stars.image[:, fitted] - self.model.render(fits.parameters, ())[0]
        beyond = np.mean(left**2 - np.minimum(stars.error[:, fitted], 1.0) ** 2, axis=0)
        image = np.zeros(fitted.shape)
        image[fitted] = beyond
        return np.maximum(ndimage.gaussian_filter(image, 1.5), 0.0)

    def _with_misfit(self, stars: StarImages) -> StarImages:
        floor = (_LEAST_MISFIT * stars.image) ** 2
        # What ordinary stars are off by shrinks with the peak of a wider star.
        peak = stars.image.max(axis=(1, 2)) / float(self.model.star.max())
        misfit = self.misfit2 * np.minimum(peak, 1.0)[:, np.newaxis, np.newaxis] ** 2
        return StarImages(image=stars.image, error=np.sqrt(stars.error**2 + floor + misfit))

    def fit(self, frames: Sequence[FrameMeasures]) -> list[ShapeFit]:
        """Fit all families to all frames."""
        stars = self._with_misfit(_stars_of(frames))
        start = self._start(frames)
        fits = {"seeing": self.model.fit(stars, (), start)}
        families: dict[str, tuple[Factor, ...]] = {"seeing": ()}
        kx, ky = self.model.kx, self.model.ky
        for name, factor, starts in (
            ("focus", self._focus(), self._focus_starts(start)),
            ("trail", TrailFactor(kx, ky), self._trail_starts(frames, start)),
            ("knock", KnockFactor(kx, ky), self._knock_starts(frames, stars, fits["seeing"])),
        ):
            if factor is None:
                continue
            families[name] = (factor,)
            for values in starts:
                fit = self.model.fit(stars, (factor,), values)
                fits[name] = fits[name].better_of(fit) if name in fits else fit
        return [self._one(row, fits, families) for row in range(len(frames))]

    def _one(
        self, row: int, fits: dict[str, KernelFits], families: dict[str, tuple[Factor, ...]]
    ) -> ShapeFit:
        chi2 = {family: math.inf for family in FAMILIES}
        chi2 |= {family: float(fit.chi2[row]) / self.per_pixel for family, fit in fits.items()}
        return ShapeFit(
            chi2=chi2,
            parameters={family: fit.parameters[row] for family, fit in fits.items()},
            errors={family: fit.errors[row] for family, fit in fits.items()},
            parts={
                family: self.model.area_parts(fit.parameters[row], families[family])
                for family, fit in fits.items()
            },
            pixels=self.pixels,
        )

    def _focus(self) -> FocusFactor | None:
        if self.optics is None:
            return None
        return FocusFactor(self.model.kx, self.model.ky, self.optics)

    def _focus_starts(self, start: Table) -> list[Table]:
        sharp = start.copy()
        sharp[:, SEEING] = 0.0
        own = [np.full((len(start), 1), waves**2) for waves in (0.25, 0.6)]
        return [np.hstack([sharp, values]) for values in own]

    def _trail_starts(self, frames: Sequence[FrameMeasures], start: Table) -> list[Table]:
        sharp = start.copy()
        sharp[:, SEEING] = 0.0
        return [np.hstack([sharp, self._trails(frames)])]

    def _trails(self, frames: Sequence[FrameMeasures]) -> Table:
        """Trails that stretch the ordinary star as the frames' stars are, px, shape (n, 2)."""
        ways = []
        for frame in frames:
            stretch = _stretch(frame)
            ratio = math.exp(min(float(np.hypot(*stretch)), 3.0))
            # CHECKED against a box of that variance: L = 1.47 w sqrt(E^2 - 1).
            length = max(1.0, 1.47 * self.fwhm_px * math.sqrt(ratio**2 - 1))
            angle = math.atan2(stretch[1], stretch[0]) / 2
            ways.append([length * math.cos(angle), length * math.sin(angle)])
        return np.clip(np.array(ways), -20.0, 20.0)

    def _knock_starts(
        self, frames: Sequence[FrameMeasures], stars: StarImages, seeing: KernelFits
    ) -> list[Table]:
        """Two ways along the trail, and where the fit by seeing leaves most light."""
        way = np.clip(0.6 * self._trails(frames), -8.0, 8.0)
        sharp = seeing.parameters.copy()
        sharp[:, SEEING] = 0.0
        starts = [
            np.hstack([sharp, sign * way, np.full((len(way), 1), 0.3)]) for sign in (1.0, -1.0)
        ]
        left = np.zeros_like(stars.image)
        rendered = self.model.render(seeing.parameters, ())[0]
        left[:, self.model.fitted] = stars.image[:, self.model.fitted] - rendered
        smooth = ndimage.gaussian_filter(left, (0.0, 1.2, 1.2))
        side = left.shape[1]
        place = np.argmax(smooth.reshape(len(left), -1), axis=1)
        far = np.column_stack([place % side, place // side]) - (side - 1) / 2.0
        far = np.where(np.hypot(*far.T)[:, np.newaxis] < 1.5, way, far)
        starts.append(np.hstack([sharp, np.clip(far, -13.0, 13.0), np.full((len(far), 1), 0.2)]))
        return starts


def _stars_of(frames: Sequence[FrameMeasures]) -> StarImages:
    return prepare([f.average_star for f in frames], [f.average_star_err for f in frames])
