"""Average stars of many frames, each fitted by the run's ordinary star and a family of kernels."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from starwinnow.diagnosis.kernels import Factor, HaloFactor, SeeingFactor, ShiftFactor

__all__ = ["KernelFits", "StarImages", "StarModel", "prepare"]

Table = NDArray[np.float64]

# Wider than the images, so that what a kernel moves over one edge does not come in at the other.
_PADDED_PX = 54
# Pixels nearer the centre than this are fitted, px.
_FITTED_RADIUS_PX = 16.3
_STEPS = 14
_FIRST_DAMPING, _LEAST_DAMPING = 1e-2, 1e-7
_SETTLED = 0.2
# What is free in every fit: light, background, shift (2), seeing, halo.
COMMON = 6
LIGHT, LEVEL, SHIFT_X, SHIFT_Y, SEEING, HALO = range(COMMON)
# How far light and background of an average star may be off (unit flux, 1/px^2), and the rest:
# weak priors that only keep a fit from running away.
_PRIOR_SIGMA = (0.5, 1e-2, 1.0, 1.0, 60.0, 0.3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarImages:
    """Average stars of n frames with the error of each pixel.

    Attributes
    ----------
    image, error : ndarray of float64, shape (n, side, side)
        Unit flux, centred; error infinite where nothing is known.
    halo_sigma : ndarray of float64, shape (n,)
        How large a halo may be expected.
    """

    image: Table
    error: Table
    halo_sigma: Table

    def __len__(self) -> int:
        return len(self.image)

    def select(self, rows: NDArray[np.intp]) -> "StarImages":
        """Pick some of the frames."""
        return StarImages(
            image=self.image[rows], error=self.error[rows], halo_sigma=self.halo_sigma[rows]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KernelFits:
    """What a family of kernels makes of n stars.

    Attributes
    ----------
    parameters, errors : ndarray of float64, shape (n, p)
        Light, background, shift (x, y), seeing c, halo w, then the family's own, with standard
        errors.
    chi2 : ndarray of float64, shape (n,)
        Sum of squared deviations in units of their errors, with those from what was expected of
        the parameters.
    """

    parameters: Table
    errors: Table
    chi2: Table

    def best_of(self, starts: int) -> "KernelFits":
        """Frame by frame the fit that deviates least, of all from one start after the other."""
        chi2 = self.chi2.reshape(starts, -1)
        frames = chi2.shape[1]
        rows = np.argmin(chi2, axis=0) * frames + np.arange(frames)
        return KernelFits(
            parameters=self.parameters[rows], errors=self.errors[rows], chi2=self.chi2[rows]
        )


def prepare(
    images: Sequence[NDArray[np.float32]],
    errors: Sequence[NDArray[np.float32]],
    halo_sigma: Table,
) -> StarImages:
    """Stack average stars as frames carry them; pixels of which nothing is known get no weight."""
    image, error = np.array(images, np.float64), np.array(errors, np.float64)
    known = np.isfinite(image) & np.isfinite(error) & (error > 0)
    return StarImages(
        image=np.where(known, image, 0.0),
        error=np.where(known, error, np.inf),
        halo_sigma=halo_sigma,
    )


class StarModel:
    """The ordinary star of a run, to be convolved.

    Parameters
    ----------
    star : ndarray of float64, shape (side, side)
    """

    def __init__(self, star: Table) -> None:
        side = star.shape[0]
        self.star = star
        padded = np.zeros((_PADDED_PX, _PADDED_PX))
        padded[:side, :side] = star
        self._spectrum = fft.rfft2(padded).ravel()
        self._half = (_PADDED_PX, _PADDED_PX // 2 + 1)
        ky, kx = np.meshgrid(fft.fftfreq(_PADDED_PX), fft.rfftfreq(_PADDED_PX), indexing="ij")
        self.kx, self.ky = kx.ravel(), ky.ravel()
        y, x = np.indices(star.shape) - (side - 1) / 2
        self.fitted = np.hypot(x, y) <= _FITTED_RADIUS_PX
        self.ring = np.rint(np.hypot(x, y)[self.fitted]).astype(np.intp)
        self._side = side
        self._common = (
            ShiftFactor(self.kx, self.ky),
            SeeingFactor(self.kx, self.ky),
            HaloFactor(self.kx, self.ky),
        )

    def _images(self, spectra: NDArray[np.complex128]) -> Table:
        """Pixels that are fitted, of spectra of shape (..., k), shape (..., pixels)."""
        lead = spectra.shape[:-1]
        side = self._side
        # Rows below the star are padding: they are dropped between the two transforms.
        rows = fft.ifft(spectra.reshape(*lead, *self._half), axis=-2)[..., :side, :]
        pixels: Table = fft.irfft(rows, _PADDED_PX, axis=-1)[..., :side][..., self.fitted]
        return pixels

    def render(self, parameters: Table, family: Sequence[Factor]) -> tuple[Table, Table]:
        """Model images and their derivatives.

        Parameters
        ----------
        parameters : ndarray of float64, shape (n, p)
        family : sequence of Factor
            Beside the common ones.

        Returns
        -------
        images : ndarray of float64, shape (n, pixels)
        derivatives : ndarray of float64, shape (n, p, pixels)
        """
        n, p = parameters.shape
        values, slopes, column = [], [], 2
        for factor in (*self._common, *family):
            width = len(factor.low)
            value, by_each = factor.at(parameters[:, column : column + width])
            values.append(value)
            slopes.append(by_each)
            column += width
        # Products of the factors after each, and of the star and those before it.
        after: list[Table | NDArray[np.complex128]] = [np.ones(1)]
        for value in values[:0:-1]:
            after.append(value * after[-1])
        product = np.broadcast_to(self._spectrum, (n, len(self._spectrum)))
        spectra = np.empty((n, p - 1, len(self._spectrum)), np.complex128)
        row = 1
        for value, by_each, rest in zip(values, slopes, after[::-1], strict=True):
            others = product * rest
            for slope in by_each:
                np.multiply(others, slope, out=spectra[:, row])
                row += 1
            product = product * value
        spectra[:, 0] = product
        spectra[:, 1:] *= parameters[:, :1, np.newaxis]
        rendered = self._images(spectra)
        derivatives = np.empty((n, p, rendered.shape[-1]))
        derivatives[:, LIGHT] = rendered[:, 0]
        derivatives[:, LEVEL] = 1.0
        derivatives[:, 2:] = rendered[:, 1:]
        images = parameters[:, :1] * rendered[:, 0] + parameters[:, 1:2]
        return images, derivatives

    def area_parts(self, parameters: Table, family: Sequence[Factor]) -> dict[str, float]:
        """Tell by how much each kernel enlarges the star, in ln of its noise-equivalent area.

        Parameters
        ----------
        parameters : ndarray of float64, shape (p,)
        family : sequence of Factor

        Returns
        -------
        dict of str to float
            By the kernels' names: what would be gained without that one.
        """
        values, column = {}, COMMON - 2
        for factor in (*self._common[1:], *family):
            width = len(factor.low)
            value = factor.at(parameters[np.newaxis, column : column + width])[0]
            values[factor.name] = value[0]
            column += width
        whole = self._log_area(list(values.values()))
        return {
            name: whole - self._log_area([v for other, v in values.items() if other != name])
            for name in values
        }

    def _log_area(self, kernels: list[NDArray[np.complex128] | Table]) -> float:
        """Ln of 1 / sum(P^2), by Parseval's theorem, but for a constant."""
        # All but the first column of half a plane stand for two.
        twice = np.where(self.kx > 0, 2.0, 1.0)
        spectrum = self._spectrum
        for kernel in kernels:
            spectrum = spectrum * kernel
        return -math.log(float(twice @ np.abs(spectrum) ** 2))

    def fit(
        self,
        stars: StarImages,
        family: Sequence[Factor],
        start: Table,
        seeing_sigma: float = _PRIOR_SIGMA[SEEING],
        least: Table | None = None,
    ) -> KernelFits:
        """Fit all stars by one family: damped Gauss-Newton steps, each star with its own damping.

        Parameters
        ----------
        stars : StarImages
        family : sequence of Factor
            Beside the common ones; empty for seeing alone.
        start : ndarray of float64, shape (n, p)
            Parameters to begin with.
        seeing_sigma : float
            How far the seeing may be expected from the ordinary one, px^(5/3).
        least : ndarray of float64, shape (n,), optional
            Lower bound of the last parameter, where that is not the factor's own.
        """
        low, high = self._bounds(family)
        low = np.tile(low, (len(stars), 1))
        if least is not None:
            low[:, -1] = least
        values = stars.image[:, self.fitted]
        weights = 1 / stars.error[:, self.fitted] ** 2
        prior = np.zeros(start.shape)
        prior[:, :COMMON] = 1 / np.array(_PRIOR_SIGMA) ** 2
        prior[:, SEEING] = 1 / seeing_sigma**2
        prior[:, HALO] = 1 / stars.halo_sigma**2
        centre = np.zeros(start.shape[1])
        centre[LIGHT] = 1.0
        trial = np.clip(start, low, high)
        active = np.arange(len(stars))
        best = KernelFits(
            parameters=trial.copy(),
            errors=np.full(start.shape, np.inf),
            chi2=np.full(len(stars), np.inf),
        )
        curvature = np.zeros((len(stars), start.shape[1], start.shape[1]))
        gradient = np.zeros(start.shape)
        damping = np.full(len(stars), _FIRST_DAMPING)
        objective = np.full(len(stars), np.inf)
        for _ in range(_STEPS):
            images, derivatives = self.render(trial[active], family)
            left = values[active] - images
            off = trial[active] - centre
            chi2 = np.sum(weights[active] * left**2, axis=1)
            total = chi2 + np.sum(prior[active] * off**2, axis=1)
            better = total < objective[active]
            gain = objective[active] - total
            rows = active[better]
            weighted = derivatives[better] * weights[rows][:, np.newaxis]
            curvature[rows] = weighted @ np.swapaxes(derivatives[better], 1, 2)
            np.einsum("nii->ni", curvature)[rows] += prior[rows]
            gradient[rows] = np.einsum("npk,nk->np", weighted, left[better])
            gradient[rows] -= prior[rows] * off[better]
            best.parameters[rows], best.chi2[rows] = trial[rows], total[better]
            objective[rows] = total[better]
            damping[active] = np.where(
                better, np.maximum(damping[active] / 8, _LEAST_DAMPING), damping[active] * 6
            )
            active = active[~(better & (gain < _SETTLED)) & (damping[active] < 1e6)]
            if len(active) == 0:
                break
            scale = np.einsum("nii->ni", curvature[active])
            identity = np.eye(start.shape[1])
            damped = curvature[active]
            damped += (scale * damping[active, np.newaxis] + 1e-12)[..., np.newaxis] * identity
            step = _step_within(
                damped, gradient[active], best.parameters[active], low[active], high
            )
            trial[active] = np.clip(best.parameters[active] + step, low[active], high)
        covariance = np.linalg.pinv(curvature, hermitian=True)
        best.errors[:] = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
        return best

    def _bounds(self, family: Sequence[Factor]) -> tuple[Table, Table]:
        factors = (*self._common, *family)
        low = [0.2, -0.1, *(value for factor in factors for value in factor.low)]
        high = [3.0, 0.1, *(value for factor in factors for value in factor.high)]
        return np.array(low), np.array(high)


def _step_within(
    curvature: Table, gradient: Table, parameters: Table, low: Table, high: Table
) -> Table:
    """Newton's step of each star, in which parameters at a bound do not push on beyond it.

    Were they merely cut off afterwards, the others would step as if those had moved too, and a
    fit near a bound would never settle.
    """
    held = ((parameters <= low) & (gradient < 0)) | ((parameters >= high) & (gradient > 0))
    free = ~held
    reduced = curvature * (free[:, :, np.newaxis] & free[:, np.newaxis])
    np.einsum("nii->ni", reduced)[:] += held
    pull = np.where(free, gradient, 0.0)[..., np.newaxis]
    return np.asarray(np.linalg.solve(reduced, pull)[..., 0], np.float64)
