"""What spoils a star, as factors in Fourier space: seeing, focus, trail, knock and halo.

A frame's average star is taken for the ordinary star of its run, convolved with such kernels. All
are 1 at frequency zero, so none of them changes the light.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from starwinnow.frame import Capture

__all__ = [
    "Factor",
    "FocusFactor",
    "HaloFactor",
    "KnockFactor",
    "Optics",
    "SeeingFactor",
    "ShiftFactor",
    "TrailFactor",
    "defocus_otf",
    "optics_of",
    "seeing_exponent",
]

Table = NDArray[np.float64]
Spectra = NDArray[np.complex128]

# Light between which colours reach the sensor of a camera without filter (common practice, no
# source).
_WAVELENGTH_UM = 0.55
# Width of the halo of dew on the lens, px, in the middle of what is told apart from the star and
# from the background within 16 px.
_HALO_SIGMA_PX = 7.0
# Seeing of FWHM w has the transfer function exp(-3.44 (lambda k / r0)^(5/3)) with
# r0 = .976 lambda / w (Fried 1966, JOSA 56, 1372; Roddier 1981; from memory).
_PER_FWHM = 3.44 / 0.976 ** (5 / 3)
# A defocus beyond this has no light left at half the pixel frequency, and is a disc to the eye.
_MOST_WAVES = 2.5
_WAVE_STEPS = 150
# A pupil passes next to nothing of what lies between this part of its cutoff and the cutoff.
_MOST_FREQUENCY = 0.97


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """A clear round pupil as the sensor sees it.

    Attributes
    ----------
    cutoff : float
        Highest frequency it passes, aperture / (wavelength x focal length), cycles per pixel.
    focal_ratio : float
        Focal length over aperture.
    """

    cutoff: float
    focal_ratio: float

    def defocus_um(self, waves: float) -> float:
        """Distance from focus for a wavefront off by so many waves at the pupil's edge, um.

        W = delta / (8 N^2) (Born & Wolf, from memory).
        """
        return waves * _WAVELENGTH_UM * 8 * self.focal_ratio**2


def optics_of(capture: Capture) -> Optics | None:
    """Pupil by a frame's header; None where aperture, focal length or pixel size is missing."""
    aperture, focal, pixel = capture.aperture_mm, capture.focal_length_mm, capture.pixel_um
    if aperture is None or focal is None or pixel is None or not 1 <= focal / aperture <= 60:
        return None
    ratio = focal / aperture
    return Optics(cutoff=pixel / (_WAVELENGTH_UM * ratio), focal_ratio=ratio)


def seeing_exponent(fwhm_px: float) -> float:
    """Coefficient of k^(5/3) in the exponent for seeing of this FWHM, px^(5/3)."""
    return float(_PER_FWHM * fwhm_px ** (5 / 3))


def defocus_otf(frequency: Table, waves: Table) -> Table:
    """Transfer function of a clear round pupil out of focus.

    Parameters
    ----------
    frequency : ndarray
        As a part of the cutoff; beyond 1 nothing passes.
    waves : ndarray
        Wavefront error at the pupil's edge, waves; broadcasts with `frequency`.

    Returns
    -------
    ndarray
        (4/pi) times the integral over x from 0 to 1 - s of sqrt(1 - (x + s)^2) cos(8 pi W s x),
        with s the frequency: the pupil's overlap with itself (Hopkins 1955, Proc. R. Soc. A 231,
        91).
    """
    s, waves = np.broadcast_arrays(np.clip(frequency, 0.0, 1.0), waves)
    nodes, weights = np.polynomial.legendre.leggauss(48)
    # x + s = cos(angle) takes the root's steep end away; angle from 0 to arccos(s).
    span = np.arccos(s)[..., np.newaxis]
    angle = span * (nodes + 1) / 2
    height = np.sin(angle) ** 2
    x = np.cos(angle) - s[..., np.newaxis]
    phase = 8 * np.pi * (waves * s)[..., np.newaxis] * x
    integral = np.sum(weights * height * np.cos(phase), axis=-1) * span[..., 0] / 2
    otf: Table = 4 / np.pi * integral
    return otf


class Factor:
    """A kernel with free parameters: value and derivatives for many frames at once.

    Attributes
    ----------
    name : str
    low, high : tuple of float
        Where its parameters stay.
    """

    name: str
    low: tuple[float, ...]
    high: tuple[float, ...]

    def at(self, parameters: Table) -> tuple[Spectra | Table, Sequence[Spectra | Table]]:
        """Value, and its derivative by each parameter.

        Parameters
        ----------
        parameters : ndarray of float64, shape (n, p)

        Returns
        -------
        value : ndarray, shape (n, k)
        derivatives : sequence of ndarray, shape (n, k)
        """
        raise NotImplementedError


class ShiftFactor(Factor):
    """The star lies (x, y) px from the ordinary one's centre."""

    name = "shift"
    low, high = (-4.0, -4.0), (4.0, 4.0)

    def __init__(self, kx: Table, ky: Table) -> None:
        self._turns = -2j * np.pi * np.stack([kx, ky])
        # All frequencies are pairs of a few along x and a few along y, so that few exponentials
        # make all of them.
        self._along_x, self._of_x = np.unique(kx, return_inverse=True)
        self._along_y, self._of_y = np.unique(ky, return_inverse=True)

    def at(self, parameters: Table) -> tuple[Spectra, Sequence[Spectra]]:
        """Value and derivatives by x and y."""
        by_x = np.exp(-2j * np.pi * parameters[:, :1] * self._along_x)
        by_y = np.exp(-2j * np.pi * parameters[:, 1:] * self._along_y)
        value: Spectra = by_x[:, self._of_x] * by_y[:, self._of_y]
        return value, [self._turns[0] * value, self._turns[1] * value]


class SeeingFactor(Factor):
    """exp(-c k^(5/3)): seeing worse, or better for c below zero, than the ordinary frames'."""

    name = "seeing"
    low, high = (-40.0,), (2000.0,)

    def __init__(self, kx: Table, ky: Table) -> None:
        self._power = np.hypot(kx, ky) ** (5 / 3)

    def at(self, parameters: Table) -> tuple[Table, Sequence[Table]]:
        """Value and derivative by c, px^(5/3)."""
        value = np.exp(-parameters * self._power)
        return value, [-self._power * value]


class HaloFactor(Factor):
    """Part w of the light is spread over a wide halo, as dew and thin cloud on the lens do it."""

    name = "halo"
    low, high = (-0.01,), (0.95,)

    def __init__(self, kx: Table, ky: Table) -> None:
        self._halo = np.exp(-2 * (np.pi * _HALO_SIGMA_PX) ** 2 * (kx**2 + ky**2)) - 1

    def at(self, parameters: Table) -> tuple[Table, Sequence[Table]]:
        """Value and derivative by w."""
        return 1 + parameters * self._halo, [np.broadcast_to(self._halo, (1, len(self._halo)))]


class FocusFactor(Factor):
    """Pupil out of focus over the same in focus, by the square of the defocus in waves."""

    name = "focus"
    low, high = (0.0,), (_MOST_WAVES**2,)

    def __init__(self, kx: Table, ky: Table, optics: Optics) -> None:
        self._table = _focus_table(np.hypot(kx, ky) / optics.cutoff)

    def at(self, parameters: Table) -> tuple[Table, Sequence[Table]]:
        """Value and derivative by the square of the defocus, waves^2."""
        place = np.sqrt(np.maximum(parameters[:, 0], 0.0)) * (_WAVE_STEPS / _MOST_WAVES)
        below = np.minimum(place.astype(int), _WAVE_STEPS - 1)
        waves = _MOST_WAVES / _WAVE_STEPS * np.array([below, below + 1])
        low, high = self._table[below], self._table[below + 1]
        slope = (high - low) / (waves[1] ** 2 - waves[0] ** 2)[:, np.newaxis]
        value = low + slope * (parameters - waves[0][:, np.newaxis] ** 2)
        return value, [slope]


class TrailFactor(Factor):
    """Stars drawn out evenly along the vector (x, y), px."""

    name = "trail"
    low, high = (-25.0, -25.0), (25.0, 25.0)

    def __init__(self, kx: Table, ky: Table) -> None:
        self._k = np.stack([kx, ky])

    def at(self, parameters: Table) -> tuple[Table, Sequence[Table]]:
        """Value and derivatives by x and y."""
        turns = parameters @ self._k
        value = np.sinc(turns)
        with np.errstate(divide="ignore", invalid="ignore"):
            slope = np.where(np.abs(turns) < 1e-4, -(np.pi**2) * turns / 3,
                             (np.cos(np.pi * turns) - value) / turns)  # fmt: skip
        return value, [slope * self._k[0], slope * self._k[1]]


class KnockFactor(Factor):
    """Part f of the light lies at (x, y), px, from the rest: the telescope was knocked."""

    name = "knock"
    low, high = (-14.0, -14.0, 0.03), (14.0, 14.0, 0.97)

    def __init__(self, kx: Table, ky: Table) -> None:
        self._turns = -2j * np.pi * np.stack([kx, ky])

    def at(self, parameters: Table) -> tuple[Spectra, Sequence[Spectra | Table]]:
        """Value and derivatives by x, y and f; the centre of light stays in place."""
        way, part = parameters[:, :2], parameters[:, 2:]
        phase = way @ self._turns
        near: Spectra = np.exp(-part * phase)
        far: Spectra = np.exp((1 - part) * phase)
        value: Spectra = (1 - part) * near + part * far
        by_phase = part * (1 - part) * (far - near)
        by_part: Spectra = far - near - phase * value
        return value, [by_phase * self._turns[0], by_phase * self._turns[1], by_part]


def _focus_table(frequency: Table) -> Table:
    """Ratios of transfer functions at steps of defocus, shape (steps + 1, k)."""
    passed = frequency < _MOST_FREQUENCY
    ratio = np.zeros((_WAVE_STEPS + 1, len(frequency)))
    ratio[:, passed] = _focus_ratios()(frequency[passed]).T
    return ratio


@lru_cache(maxsize=1)
def _focus_ratios() -> CubicSpline[np.float64]:
    frequency = np.linspace(0.0, _MOST_FREQUENCY, 100)
    waves = np.linspace(0.0, _MOST_WAVES, _WAVE_STEPS + 1)[:, np.newaxis]
    ratios = defocus_otf(frequency, waves) / defocus_otf(frequency, np.zeros(1))
    return CubicSpline(frequency, ratios.T)
