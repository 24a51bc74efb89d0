"""The run's ordinary star, and what fits others by it, family after family."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from starwinnow.diagnosis.kernels import (
    Factor,
    FocusFactor,
    KnockFactor,
    Optics,
    TrailFactor,
    optics_of,
    seeing_exponent,
)
from starwinnow.diagnosis.shape_fit import FAMILIES, ShapeFit
from starwinnow.diagnosis.standard import Standard
from starwinnow.diagnosis.star_fits import SEEING, KernelFits, StarImages, StarModel, prepare
from starwinnow.diagnosis.stretch import ASKED_STRETCH, stretch_of, usual_stretch
from starwinnow.frame_measures import FrameMeasures

__all__ = ["Workshop", "expected_halo"]

Table = NDArray[np.float64]

# What two images of the same star differ by even at the best, as a part of its brightness.
_LEAST_MISFIT = 0.003
# Trails and knocks are tried where what round kernels leave is uneven all round by so much in chi
# squared a pixel, or where the star is drawn out.
_UNEVEN = 1.15
# Seeing wanders by this in ln of the star's area even in steady nights.
_LEAST_WANDER, _ANY_SEEING = 0.03, 60.0
# Dew spreads a part of the light that it takes over a halo, the rest farther: so much of the light
# lost may be expected there, and this where none is lost.
_HALO_PER_LOSS, _LEAST_HALO = 2.0, 0.01
# Steps to the largest defocus, by which the growth of stars is looked up.
_GROWTHS = 25
# A second way to focus is tried where the first explains nothing.
_WAVES_TO_BEGIN = (0.35, 0.8)


def expected_halo(light: Table) -> Table:
    """How large a halo may be: no dew makes one and takes no light.

    In steps of two, so that fits need not be made anew with every change of the ordinary light.
    """
    halo = _LEAST_HALO + _HALO_PER_LOSS * np.maximum(-light, 0.0)
    steps: Table = 2.0 ** np.rint(np.log2(halo))
    return steps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitted:
    """One frame fitted by one family."""

    chi2: float
    parameters: Table
    errors: Table


class Workshop:
    """The ordinary star, how well it fits its like, and what other stars are fitted by."""

    def __init__(self, ordinary: Standard) -> None:
        standard = ordinary.frames
        stars = _stars_of(standard, expected_halo(np.zeros(len(standard))))
        self.model = StarModel(stars.image.mean(axis=0))
        self.fwhm_px = float(np.median([one.fwhm_px for one in standard]))
        self.stretch = usual_stretch(standard)
        self.optics: Optics | None = optics_of(standard[0].capture)
        kx, ky = self.model.kx, self.model.ky
        self._families: dict[str, tuple[Factor, ...]] = {
            "seeing": (),
            "trail": (TrailFactor(kx, ky),),
            "knock": (KnockFactor(kx, ky),),
        }
        if self.optics is not None:
            focus = FocusFactor(kx, ky, self.optics)
            self._families |= {"focus": (focus,), "trail-focus": (TrailFactor(kx, ky), focus)}
            self._waves2 = np.linspace(0.0, 1.0, _GROWTHS) ** 2 * focus.high[0]
            self._growth = [
                self.model.area_parts(np.array([1.0, 0, 0, 0, 0, 0, waves2]), (focus,))["focus"]
                for waves2 in self._waves2
            ]
        fits = self.model.fit(stars, (), self._start(standard))
        self.misfit2 = self._misfit(stars, fits)
        again = self.model.fit(self._with_misfit(stars), (), self._start(standard))
        self.pixels = int(np.count_nonzero(self.model.fitted))
        self.per_pixel = max(float(np.median(again.chi2)) / self.pixels, 0.2)
        # A larger star is out of focus or in bad seeing: both at once is less likely than either.
        by_seeing = self.model.area_parts(np.array([1.0, 0.0, 0.0, 0.0, 1.0, 0.0]), ())["seeing"]
        self.seeing_sigma = math.hypot(ordinary.wander, _LEAST_WANDER) / by_seeing

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
        smooth: Table = np.maximum(ndimage.gaussian_filter(image, 1.5), 0.0)
        return smooth

    def _with_misfit(self, stars: StarImages) -> StarImages:
        floor = (_LEAST_MISFIT * stars.image) ** 2
        # What ordinary stars are off by shrinks with the peak of a wider star.
        peak = stars.image.max(axis=(1, 2)) / float(self.model.star.max())
        misfit = self.misfit2 * np.minimum(peak, 1.0)[:, np.newaxis, np.newaxis] ** 2
        return replace(stars, error=np.sqrt(stars.error**2 + floor + misfit))

    def fit(self, frames: Sequence[FrameMeasures], halos: Table) -> list[ShapeFit]:
        """Fit round families to all frames, and moved ones to those that are not round."""
        stars = self._with_misfit(_stars_of(frames, halos))
        start = self._start(frames)
        fits: list[dict[str, _Fitted]] = [{} for _ in frames]
        everyone = np.arange(len(frames))
        seeing = self._add(fits, "seeing", everyone, stars, [start])
        left = self._not_round(stars, "seeing", seeing.parameters)
        if self.optics is not None:
            sharp = self._sharp(start)
            starts = [_with(sharp, [waves**2]) for waves in _WAVES_TO_BEGIN]
            least = self._least_focus(fits, everyone, "seeing")
            focus = self._add(fits, "focus", everyone, stars, starts, least)
            left = np.minimum(left, self._not_round(stars, "focus", focus.parameters))
        drawn = [np.hypot(*(stretch_of(one) - self.stretch)) > ASKED_STRETCH for one in frames]
        odd = np.flatnonzero((left > _UNEVEN * self.per_pixel) | np.array(drawn))
        if len(odd):
            some = [frames[int(row)] for row in odd]
            self._fit_moved(fits, odd, some, stars.select(odd), start[odd])
        return [self._one(fit) for fit in fits]

    def _fit_moved(
        self,
        fits: list[dict[str, _Fitted]],
        rows: NDArray[np.intp],
        frames: list[FrameMeasures],
        stars: StarImages,
        start: Table,
    ) -> None:
        sharp, trails = self._sharp(start), self._trails(frames)
        self._add(fits, "trail", rows, stars, [np.hstack([sharp, trails])])
        if self.optics is not None:
            best = np.array([fits[row]["trail"].parameters for row in rows])
            starts = [_with(self._sharp(best), [waves**2]) for waves in _WAVES_TO_BEGIN]
            least = self._least_focus(fits, rows, "trail")
            self._add(fits, "trail-focus", rows, stars, starts, least)
        seeing = np.array([fits[row]["seeing"].parameters for row in rows])
        self._add(fits, "knock", rows, stars, self._knock_starts(trails, stars, seeing))

    def _add(
        self,
        fits: list[dict[str, _Fitted]],
        name: str,
        rows: NDArray[np.intp],
        stars: StarImages,
        starts: list[Table],
        least: Table | None = None,
    ) -> KernelFits:
        """Fit some frames by one family from several starts, and keep the best of each."""
        family = self._families[name]
        focus = any(isinstance(factor, FocusFactor) for factor in family)
        sigma = self.seeing_sigma / math.sqrt(self.per_pixel) if focus else _ANY_SEEING
        # All starts at once: what a step costs beside its sums is shared.
        copies = np.tile(np.arange(len(stars)), len(starts))
        least = None if least is None else least[copies]
        every = self.model.fit(stars.select(copies), family, np.vstack(starts), sigma, least)
        best = every.best_of(len(starts))
        for place, row in enumerate(rows):
            fits[row][name] = _Fitted(
                chi2=float(best.chi2[place]) / self.per_pixel,
                parameters=best.parameters[place],
                errors=best.errors[place],
            )
        return best

    def _not_round(self, stars: StarImages, name: str, parameters: Table) -> Table:
        """Chi squared a pixel of what a fit leaves, beyond what it leaves alike all round."""
        fitted = self.model.fitted
        left = stars.image[:, fitted] - self.model.render(parameters, self._families[name])[0]
        weights = 1 / stars.error[:, fitted] ** 2
        ring = self.model.ring
        uneven = []
        for one, weight in zip(left, weights, strict=True):
            light = np.bincount(ring, weight * one) / np.maximum(np.bincount(ring, weight), 1e-300)
            uneven.append(np.sum(weight * (one - light[ring]) ** 2))
        chi2: Table = np.array(uneven) / (self.pixels - ring.max() - 1)
        return chi2

    def _least_focus(
        self, fits: list[dict[str, _Fitted]], rows: NDArray[np.intp], name: str
    ) -> Table:
        """Square of the defocus that makes half of what stars grew by, by a family without it.

        A star that grew for want of focus owes most of it to that; or else, in a night of restless
        air, seeing would pass for a focus that is not off at all.
        """
        grown = [
            self.model.area_parts(fits[row][name].parameters, self._families[name])["seeing"]
            for row in rows
        ]
        half: Table = np.interp(np.array(grown) / 2, self._growth, self._waves2)
        return half

    def _one(self, fits: dict[str, _Fitted]) -> ShapeFit:
        return ShapeFit(
            chi2=dict.fromkeys(FAMILIES, math.inf) | {name: fit.chi2 for name, fit in fits.items()},
            parameters={name: fit.parameters for name, fit in fits.items()},
            errors={name: fit.errors for name, fit in fits.items()},
            parts={
                name: self.model.area_parts(fit.parameters, self._families[name])
                for name, fit in fits.items()
            },
            pixels=self.pixels,
        )

    def _sharp(self, start: Table) -> Table:
        """Begin with the ordinary seeing, so that the other kernels do the work."""
        sharp = start.copy()
        sharp[:, SEEING] = 0.0
        return sharp

    def _trails(self, frames: Sequence[FrameMeasures]) -> Table:
        """Trails that stretch the ordinary star as the frames' stars are, px, shape (n, 2)."""
        ways = []
        for frame in frames:
            stretch = stretch_of(frame)
            ratio = math.exp(min(float(np.hypot(*stretch)), 3.0))
            # A box of length L stretches a Gaussian by E = sqrt(1 + .4621 (L / w)^2).
            length = max(1.0, 1.47 * self.fwhm_px * math.sqrt(ratio**2 - 1))
            angle = math.atan2(stretch[1], stretch[0]) / 2
            ways.append([length * math.cos(angle), length * math.sin(angle)])
        trails: Table = np.clip(np.array(ways), -20.0, 20.0)
        return trails

    def _knock_starts(self, trails: Table, stars: StarImages, seeing: Table) -> list[Table]:
        """Two ways along the trail, and where the fit by seeing leaves most light."""
        way = np.clip(0.6 * trails, -8.0, 8.0)
        sharp = self._sharp(seeing)
        part = np.full((len(way), 1), 0.3)
        starts = [np.hstack([sharp, sign * way, part]) for sign in (1.0, -1.0)]
        left = np.zeros_like(stars.image)
        rendered = self.model.render(seeing, ())[0]
        left[:, self.model.fitted] = stars.image[:, self.model.fitted] - rendered
        smooth = ndimage.gaussian_filter(left, (0.0, 1.2, 1.2))
        side = left.shape[1]
        place = np.argmax(smooth.reshape(len(left), -1), axis=1)
        far = np.column_stack([place % side, place // side]) - (side - 1) / 2.0
        far = np.where(np.hypot(*far.T)[:, np.newaxis] < 1.5, way, np.clip(far, -13.0, 13.0))
        return [*starts, np.hstack([sharp, far, 0.7 * part])]


def _with(start: Table, own: list[float]) -> Table:
    """Begin a family with parameters of its own."""
    return np.hstack([start, np.tile(own, (len(start), 1))])


def _stars_of(frames: Sequence[FrameMeasures], halos: Table) -> StarImages:
    return prepare([f.average_star for f in frames], [f.average_star_err for f in frames], halos)
