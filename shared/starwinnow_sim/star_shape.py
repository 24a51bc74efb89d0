"""What one star looks like: the light of a point source before it falls on the pixels."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, j1, kv

__all__ = ["StarShape", "disc_transfer", "star_transfer"]

Frequencies = NDArray[np.float64]
Transfer = NDArray[np.float64] | NDArray[np.complex128]

_LARGEST_BETA = 50.0
_SMALLEST_BETA = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class StarShape:
    """Seeing, defocus, trail and bump of one exposure, the same for all its stars.

    The image is the convolution of its parts and is centred on its centroid. Directions run
    from +x towards +y.

    Attributes
    ----------
    fwhm_px : float
        FWHM of the seeing alone (an elliptical Moffat), geometric mean of its two axes, px.
    beta : float
        Moffat exponent, 1.5 to 50; infinity is a Gaussian.
    axis_ratio, angle_deg : float
        Minor over major axis of the seeing, and direction of the major axis.
    defocus_px : float
        Outer diameter of the disc of light out of focus, px: focuser travel over focal ratio
        over pixel size.
    obstruction : float
        Inner over outer diameter of that disc: 0 for a refractor.
    trail_x_px, trail_y_px : float
        Way of the star during the exposure at even speed, px.
    bump_x_px, bump_y_px : float
        Way of the star in one sudden move during the exposure, px.
    bump_part : float
        Part of the light that arrived before that move.
    """

    fwhm_px: float
    beta: float = 3.0
    axis_ratio: float = 1.0
    angle_deg: float = 0.0
    defocus_px: float = 0.0
    obstruction: float = 0.0
    trail_x_px: float = 0.0
    trail_y_px: float = 0.0
    bump_x_px: float = 0.0
    bump_y_px: float = 0.0
    bump_part: float = 0.5

    def __post_init__(self) -> None:
        _require("fwhm_px", self.fwhm_px, self.fwhm_px > 0, "above 0")
        known = _SMALLEST_BETA <= self.beta <= _LARGEST_BETA or np.isinf(self.beta)
        _require("beta", self.beta, known, "1.5 to 50, or infinity")
        _require("axis_ratio", self.axis_ratio, 0 < self.axis_ratio <= 1, "above 0, at most 1")
        _require("defocus_px", self.defocus_px, self.defocus_px >= 0, "0 or more")
        _require("obstruction", self.obstruction, 0 <= self.obstruction < 1, "0 to below 1")
        _require("bump_part", self.bump_part, 0 <= self.bump_part <= 1, "0 to 1")

    @property
    def reach_px(self) -> float:
        """How far defocus, trail and bump carry light from the centre, px."""
        return float(
            self.defocus_px / 2
            + np.hypot(self.trail_x_px, self.trail_y_px) / 2
            + np.hypot(self.bump_x_px, self.bump_y_px)
        )


def _require(name: str, value: float, fulfilled: bool, wanted: str) -> None:
    """Raise ValueError with the value found and the range allowed."""
    if not fulfilled:
        raise ValueError(f"star shape: {name} is {value}, must be {wanted}")


def star_transfer(shape: StarShape, kx: Frequencies, ky: Frequencies) -> Transfer:
    """Fourier transform of the star's light at frequencies `kx`, `ky` (cycles/px), 1 at zero.

    Convolutions are products here, and each factor is known in closed form: Moffat (see
    `_moffat_transfer`), Gaussian exp(-2 pi^2 s^2 k^2), disc 2 J1(pi d k)/(pi d k) (the Airy
    amplitude; Born & Wolf, from memory), even trail sinc(k . L), bump
    p exp(-2 pi i k . r1) + (1 - p) exp(-2 pi i k . r2).
    """
    major_k, minor_k = _along_axes(kx, ky, shape.angle_deg)
    stretched = np.hypot(major_k / np.sqrt(shape.axis_ratio), minor_k * np.sqrt(shape.axis_ratio))
    transfer: Transfer = _moffat_transfer(stretched, shape.fwhm_px, shape.beta)
    if shape.defocus_px:
        transfer *= disc_transfer(np.hypot(kx, ky), shape.defocus_px, shape.obstruction)
    if shape.trail_x_px or shape.trail_y_px:
        transfer *= np.sinc(kx * shape.trail_x_px + ky * shape.trail_y_px)
    if shape.bump_x_px or shape.bump_y_px:
        turns = -2j * np.pi * (kx * shape.bump_x_px + ky * shape.bump_y_px)
        before = shape.bump_part
        transfer = transfer * (
            before * np.exp(-(1 - before) * turns) + (1 - before) * np.exp(before * turns)
        )
    return transfer


def disc_transfer(k: Frequencies, diameter_px: float, obstruction: float) -> Frequencies:
    """Fourier transform of an evenly lit disc, or of a ring where `obstruction` is not 0."""
    outer = _jinc(k * diameter_px)
    if not obstruction:
        return outer
    hole = obstruction**2
    return (outer - hole * _jinc(k * diameter_px * obstruction)) / (1 - hole)


def _along_axes(
    kx: Frequencies, ky: Frequencies, angle_deg: float
) -> tuple[Frequencies, Frequencies]:
    """Components of the frequencies along an axis at `angle_deg` and at right angles to it."""
    cosine, sine = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return kx * cosine + ky * sine, ky * cosine - kx * sine


def _jinc(x: Frequencies) -> Frequencies:
    """2 J1(pi x) / (pi x), 1 at zero."""
    argument = np.pi * np.where(x == 0, 1.0, x)
    return np.where(x == 0, 1.0, 2 * j1(argument) / argument)


def _moffat_transfer(k: Frequencies, fwhm_px: float, beta: float) -> Frequencies:
    """Fourier transform of a round Moffat profile.

    2 (t/2)^(b-1) K_(b-1)(t) / Gamma(b-1) with t = 2 pi a k and FWHM = 2 a sqrt(2^(1/b) - 1)
    (Moffat 1969, A&A 3, 455, and Trujillo et al. 2001, MNRAS 328, 977; from memory; checked
    in the tests against GalSim, which shares nothing with this file).
    """
    if np.isinf(beta):
        sigma_px = fwhm_px / np.sqrt(8 * np.log(2))
        return np.asarray(np.exp(-2 * (np.pi * sigma_px * k) ** 2))
    a_px = fwhm_px / 2 / np.sqrt(2 ** (1 / beta) - 1)
    nodes, values = _moffat_nodes(beta)
    return np.asarray(np.interp(2 * np.pi * a_px * k, nodes, values, right=0.0))


@lru_cache(maxsize=16)
def _moffat_nodes(beta: float) -> tuple[Frequencies, Frequencies]:
    """Nodes in t and the transform there: Bessel functions are slow, so they are taken once.

    Linear steps between the nodes are good to 2e-7; past the last one it is below 1e-12.
    """
    nodes = np.linspace(0.0, 40.0 + 2 * beta, 40_000)
    values = np.ones_like(nodes)
    scale = np.log(2) - gammaln(beta - 1)
    values[1:] = np.exp(scale + (beta - 1) * np.log(nodes[1:] / 2)) * kv(beta - 1, nodes[1:])
    return nodes, values
