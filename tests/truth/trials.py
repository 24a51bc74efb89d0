"""Measure many frames of one star shape and compare the figures with the truth."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from starwinnow.frame_measures import FrameMeasures
from starwinnow.measure import measure

from .photon_bound import PhotonBound, flux_for_snr, photon_bound
from .sky_frames import Sky, assemble, draw, expose, lay_out
from .star_shapes import StarShape
from .true_figures import TrueFigures, true_figures

__all__ = ["Condition", "Trial", "pull_scatter", "run_trials", "scatter_allowance"]

Array = NDArray[np.float64]

# The stars of a frame of mixed brightness: S/N evenly spread in the logarithm.
_MIXED_SNR = (20.0, 500.0)


@dataclass(frozen=True)
class Condition:
    """How bright the stars are (None: mixed, S/N 20 to 500) and what sky they stand on."""

    snr: float | None
    sky: Sky


@dataclass(frozen=True)
class Trial:
    """The figures of all frames of one shape under one condition, beside their truth.

    Attributes
    ----------
    bound : PhotonBound
        Relative error photons allow for the value of a frame (all its stars together).
    values, errors : dict of ndarray, shape (frames,)
        Measured figures and their quoted errors by name: fwhm, hfr, axis_ratio, nea.
    star_counts : ndarray, shape (frames,)
        Stars behind each frame's figures.
    stars : int
        Stars painted in each frame.
    """

    shape: StarShape
    condition: Condition
    truth: TrueFigures
    bound: PhotonBound
    values: dict[str, Array]
    errors: dict[str, Array]
    star_counts: NDArray[np.int64]
    stars: int

    def true_value(self, name: str) -> float:
        """Truth of one figure, px or a ratio."""
        return float(getattr(self.truth, name if name == "axis_ratio" else f"{name}_px"))

    def offsets(self, name: str) -> Array:
        """(value - truth) / truth of each frame, shape (frames,)."""
        return self.values[name] / self.true_value(name) - 1

    def bias(self, name: str) -> float:
        """Mean of `offsets`; NaN when a frame gave no value."""
        return float(np.mean(self.offsets(name)))

    def mean_deviation(self, name: str) -> float:
        """Mean of value - truth."""
        return float(np.mean(self.values[name] - self.true_value(name)))

    def bias_error(self, name: str) -> float:
        """Standard error of `bias`."""
        return self.scatter(name) / float(np.sqrt(len(self.values[name])))

    def scatter(self, name: str) -> float:
        """Standard deviation of `offsets` about their mean."""
        return float(np.std(self.offsets(name), ddof=1))

    def scatter_limit(self, name: str) -> float:
        """Largest scatter allowed: 1 %, or 1.3 times the photon bound where that is larger.

        The bound is that of stars whose wings are unknown, as the fit is not told them.
        """
        return max(0.01, 1.3 * float(getattr(self.bound, name)))

    def pulls(self, name: str) -> Array:
        """(value - truth) / quoted error of each frame, shape (frames,)."""
        return (self.values[name] - self.true_value(name)) / self.errors[name]


def run_trials(
    shape: StarShape, conditions: Sequence[Condition], frames: int, seed: int
) -> list[Trial]:
    """Paint `frames` star fields of one shape and measure each under every condition."""
    psf = shape.psf()
    gathered: list[list[FrameMeasures]] = [[] for _ in conditions]
    bounds: list[PhotonBound] = []
    for number in range(frames):
        rng = np.random.default_rng([seed, number])
        layout = lay_out(rng, shape.fwhm_px)
        stars = len(layout.x_px)
        stamps = draw(psf, layout)
        for condition, measures in zip(conditions, gathered, strict=True):
            fluxes_e = _fluxes(shape, condition, stars, rng)
            if number == 0:
                bounds.append(_frame_bound(shape, condition.sky, fluxes_e))
            stars_e = assemble(stamps, layout, fluxes_e)
            measures.append(measure(expose(stars_e, condition.sky, rng)))
    truth = true_figures(psf)
    return [
        _trial(shape, condition, truth, bound, measures, stars)
        for condition, bound, measures in zip(conditions, bounds, gathered, strict=True)
    ]


def scatter_allowance(freedom: int, chance: float = 1e-3) -> tuple[float, float]:
    """Lowest and highest scatter, over the true one, that chance alone leaves.

    For normal values s^2 / sigma^2 times the degrees of freedom follows chi-squared; each limit
    is passed with probability `chance`.
    """
    low, high = chi2.ppf(chance, freedom), chi2.isf(chance, freedom)
    return float(np.sqrt(low / freedom)), float(np.sqrt(high / freedom))


def pull_scatter(trials: Sequence[Trial], name: str) -> tuple[float, int]:
    """Scatter of pulls about each trial's own mean, pooled, and its degrees of freedom."""
    pulls = [trial.pulls(name) for trial in trials]
    freedom = sum(len(pull) - 1 for pull in pulls)
    squares = sum(float(np.sum((pull - pull.mean()) ** 2)) for pull in pulls)
    return float(np.sqrt(squares / freedom)), freedom


def _fluxes(shape: StarShape, condition: Condition, stars: int, rng: np.random.Generator) -> Array:
    """Flux of each star, electrons, shape (stars,)."""
    if condition.snr is not None:
        return np.full(stars, flux_for_snr(shape, condition.sky, condition.snr))
    grid = np.geomspace(*_MIXED_SNR, 15)
    fluxes = [flux_for_snr(shape, condition.sky, float(snr)) for snr in grid]
    return np.asarray(rng.choice(fluxes, stars))


def _frame_bound(shape: StarShape, sky: Sky, fluxes_e: Array) -> PhotonBound:
    """Bound of a frame's value: the information of its stars adds up."""
    stars = [photon_bound(shape, sky, float(flux_e)) for flux_e in fluxes_e]

    def together(name: str) -> float:
        return float(np.sum([getattr(star, name) ** -2 for star in stars]) ** -0.5)

    return PhotonBound(*(together(name) for name in ("fwhm", "hfr", "fwhm_known", "hfr_known")))


def _trial(
    shape: StarShape,
    condition: Condition,
    truth: TrueFigures,
    bound: PhotonBound,
    measures: Sequence[FrameMeasures],
    stars: int,
) -> Trial:
    columns = {
        "fwhm": "fwhm{}_px",
        "hfr": "hfr{}_px",
        "axis_ratio": "axis_ratio{}",
        "nea": "nea{}_px",
    }

    def column(pattern: str, suffix: str) -> Array:
        return np.array([getattr(frame, pattern.format(suffix)) for frame in measures])

    return Trial(
        shape=shape,
        condition=condition,
        truth=truth,
        bound=bound,
        values={name: column(pattern, "") for name, pattern in columns.items()},
        errors={name: column(pattern, "_err") for name, pattern in columns.items()},
        star_counts=np.array([frame.star_count for frame in measures]),
        stars=stars,
    )
