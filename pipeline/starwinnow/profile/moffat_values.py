"""The Moffat profile at many places at once, in single precision, which vector instructions do."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.compiled import elementwise, inlined

__all__ = ["moffat_values", "nodes_on_pixel", "quadratic"]

# Chebyshev series, by `numpy.polynomial.chebyshev.chebfit` at 400 Chebyshev points, turned into
# powers, lowest first: ln(1 + z) / z for 1 + z from 1 / sqrt 2 to sqrt 2, of degree 8, good to
# 3e-8; and exp(r) for r from -ln(2) / 2 to ln(2) / 2, of degree 6, good to 3e-9.
_LOG = tuple(np.float32(factor) for factor in (
    0.999999974, -0.49999987, 0.333341833, -0.250021535, 0.199569775, -0.16560696, 0.149490955,
    -0.143773306, 0.0874394535,
))  # fmt: skip
_EXP = tuple(np.float32(factor) for factor in (
    1.0, 1.00000004, 0.500000011, 0.166664155, 0.0416662183, 0.00837512889, 0.00139485808,
))  # fmt: skip
_ONE, _HALF = np.float32(1.0), np.float32(0.5)
_LN2, _PER_LN2 = np.float32(np.log(2.0)), np.float32(1 / np.log(2.0))
# Of a single precision number's bits: those of 1 / sqrt 2, which the fractions begin at, of the
# fraction, and where the exponent begins and its zero.
_FRACTION_START, _FRACTION = np.int32(0x3F3504F3), np.int32(0x007FFFFF)
_EXPONENT_BIT, _EXPONENT_ZERO = np.int32(23), np.int32(127)
# Beyond exp(-80) no pixel shows any light, and single precision ends.
_FAINTEST = np.float32(80.0)


def nodes_on_pixel(side: int) -> NDArray[np.float32]:
    """Nodes and weights of Gauss and Legendre on a pixel, side^2 of them: rows x, y and weight."""
    places, weights = np.polynomial.legendre.leggauss(side)
    rows = np.tile(places / 2, side), np.repeat(places / 2, side), np.outer(weights, weights) / 4
    return np.stack([np.ravel(row) for row in rows]).astype(np.float32)


@inlined
def quadratic(matrix):
    """Factors of x^2, x y and y^2 in q = 4 r' C^-1 r, for C^-1 as (xx, xy, yy) or its change."""
    return (
        np.float32(4.0 * matrix[0]), np.float32(8.0 * matrix[1]), np.float32(4.0 * matrix[2])
    )  # fmt: skip


@elementwise
def moffat_values(q, inverse_beta, exponents, values):
    """Moffat of peak 1 at each q = (2 r / FWHM)^2: exp(-E) with E = beta ln(1 + kappa q).

    See `starwinnow.profile.moffat`; kappa = 2^(1 / beta) - 1.

    Parameters
    ----------
    q : ndarray of float32, shape (n,)
    inverse_beta : float
        1 / beta, above 0.
    exponents, values : ndarray of float32, shape (n,)
        Receive E, good to 5e-7 of itself, and exp(-E), good to 2e-7 of the peak.
    """
    kappa, beta = np.float32(2.0**inverse_beta - 1.0), np.float32(1.0 / inverse_beta)
    for i in range(len(q)):
        exponent = min(beta * _log1p(kappa * q[i]), _FAINTEST)
        exponents[i] = exponent
        values[i] = _exp(-exponent)


@inlined
def _log1p(v):
    """ln(1 + v) for v from 0 up: of a power of 2, from the number's bits, and of the rest."""
    base = _ONE + v
    # What rounding took from v: it counts where v is tiny and beta is large.
    lost = v - (base - _ONE)
    bits = np.float32(base).view(np.int32) - _FRACTION_START
    power = np.float32(np.int32(bits >> _EXPONENT_BIT))
    z = np.int32((bits & _FRACTION) + _FRACTION_START).view(np.float32) - _ONE
    total = _LOG[8]
    total = total * z + _LOG[7]
    total = total * z + _LOG[6]
    total = total * z + _LOG[5]
    total = total * z + _LOG[4]
    total = total * z + _LOG[3]
    total = total * z + _LOG[2]
    total = total * z + _LOG[1]
    total = total * z + _LOG[0]
    return total * z + power * _LN2 + lost / base


@inlined
def _exp(x):
    """e^x for x from -80 to 0: a power of 2, made of its bits, times e^r of the rest."""
    power = np.floor(x * _PER_LN2 + _HALF)
    rest = x - power * _LN2
    total = _EXP[6]
    total = total * rest + _EXP[5]
    total = total * rest + _EXP[4]
    total = total * rest + _EXP[3]
    total = total * rest + _EXP[2]
    total = total * rest + _EXP[1]
    total = total * rest + _EXP[0]
    scale = np.int32((np.int32(power) + _EXPONENT_ZERO) << _EXPONENT_BIT)
    return total * np.int32(scale).view(np.float32)
