"""The stars of two frames -> shift, rotation, transparency and overlap."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from starwinnow.stars import Stars

__all__ = ["Relation", "relate"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Relation:
    """How a frame lies on its reference, and how much of the reference's light it got.

    A reference position p lands in the frame at R (p - c) + c + (dx, dy), where c is the image
    centre of the reference and R the turn by `rotation_deg`.

    Attributes
    ----------
    centre_px : tuple of float
        (x, y) of the reference's image centre, ((nx - 1) / 2, (ny - 1) / 2), px.
    dx_px, dy_px : float
        Where the reference's image centre lands in the frame, minus that centre, px.
    shift_err_px : float
        Standard error of the shift, per axis, px.
    rotation_deg, rotation_err_deg : float
        Turn from +x towards +y that carries reference positions into the frame's, degrees.
    transparency, transparency_err : float
        Flux of the same stars relative to the reference; the error is the one of the stars'
        scatter, without what both frames' star profiles add. NaN when no star serves.
    matched : int
        Stars found in both frames.
    overlap : float
        Fraction of the reference's area that this frame sees.
    """

    centre_px: tuple[float, float]
    dx_px: float
    dy_px: float
    shift_err_px: float
    rotation_deg: float
    rotation_err_deg: float
    transparency: float
    transparency_err: float
    matched: int
    overlap: float

    def to_frame(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Positions in the reference, shape (n, 2), px, as positions in the frame."""
        raise NotImplementedError

    def to_reference(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Positions in the frame, shape (n, 2), px, as positions in the reference."""
        raise NotImplementedError


def relate(
    stars: Stars, reference: Stars, *, shape: tuple[int, int], reference_shape: tuple[int, int]
) -> Relation | None:
    """Lay a frame on its reference; None when no shared field is found."""
    raise NotImplementedError
