"""Loops over stored numbers that turn them into pixels where they are.

Numbers of a FITS file are big-endian (FITS 4.0, clause 5). Called piece by piece these loops find
each piece in the processor's cache, and one loop does what would be two or three of numpy's.
"""

import sys

import numpy as np

from starwinnow.compiled import compiled

__all__ = ["to_unsigned", "to_usable_floats", "warm_up"]

_SWAP = sys.byteorder == "little"
# Without its sign bit a float32 is the larger the larger its bits; infinities and NaN come last.
_MAGNITUDE = 0x7FFFFFFF
_NAN = np.uint32(0x7FC00000)


@compiled
def to_unsigned(stored):
    """Turn 16-bit integers, given as uint16, into unsigned ones that are 32768 larger."""
    for i in range(stored.size):
        value = stored[i]
        if _SWAP:
            value = (value << 8) | (value >> 8)
        # Adding 32768 turns over the top bit.
        stored[i] = value ^ 0x8000


@compiled
def to_usable_floats(stored, limit):
    """Turn the bits of float32, given as uint32, into NaN where they reach those of a limit."""
    for i in range(stored.size):
        bits = stored[i]
        if _SWAP:
            pairs = (bits >> 8) & 0xFF00FF | (bits & 0xFF00FF) << 8
            bits = pairs >> 16 | (pairs & 0xFFFF) << 16
        stored[i] = _NAN if bits & _MAGNITUDE >= limit else bits


def warm_up() -> None:
    """Compile these loops."""
    to_unsigned(np.zeros(1, np.uint16))
    to_usable_floats(np.zeros(1, np.uint32), np.uint32(1))
