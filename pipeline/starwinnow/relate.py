"""The stars of two frames -> shift, rotation, transparency and overlap."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import StarFlag
from starwinnow.flux_ratio import flux_ratio
from starwinnow.placement_votes import turned
from starwinnow.star_matching import Placement, StarField, image_centre, place
from starwinnow.stars import Stars

__all__ = ["Relation", "identity", "relate"]

Positions = NDArray[np.float64]

# Hot pixels stay where they are while the stars move: they would vote for no shift at all.
_NOT_FOR_PLACES = StarFlag.HOT_PIXEL | StarFlag.EDGE | StarFlag.SECOND_IMAGE | StarFlag.STREAK
_NOT_FOR_FLUX = (
    StarFlag.SATURATED
    | StarFlag.EDGE
    | StarFlag.BLENDED
    | StarFlag.HOT_PIXEL
    | StarFlag.NOT_A_STAR
    | StarFlag.NO_FIT
)
# Cells along each axis when measuring the overlap: exact for shifts, to a hundredth with turns.
_OVERLAP_CELLS = 25
# Centroid error taken for objects that have none, px: a detection's peak is that well known.
_UNKNOWN_CENTROID_ERR_PX = 1.0


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

    def to_frame(self, xy: Positions) -> Positions:
        """Positions in the reference, shape (n, 2), px, as positions in the frame."""
        centre = np.array(self.centre_px)
        shift = np.array([self.dx_px, self.dy_px])
        here: Positions = turned(xy - centre, math.radians(self.rotation_deg)) + centre + shift
        return here

    def to_reference(self, xy: Positions) -> Positions:
        """Positions in the frame, shape (n, 2), px, as positions in the reference."""
        centre = np.array(self.centre_px)
        shift = np.array([self.dx_px, self.dy_px])
        there: Positions = turned(xy - centre - shift, -math.radians(self.rotation_deg)) + centre
        return there


def relate(
    stars: Stars, reference: Stars, *, shape: tuple[int, int], reference_shape: tuple[int, int]
) -> Relation | None:
    """Lay a frame on its reference.

    Parameters
    ----------
    stars, reference : Stars
        Objects of the frame and of its reference, brightest first.
    shape, reference_shape : tuple of int
        (ny, nx) of both, px.

    Returns
    -------
    Relation or None
        None when no shared field is found: too few stars in common to rule out chance.
    """
    ours = _placeable(stars)
    theirs = _placeable(reference)
    placement = place(_star_field(ours, shape), _star_field(theirs, reference_shape))
    if placement is None:
        return None
    transparency, transparency_err = _transparency(ours, theirs, placement)
    relation = Relation(
        centre_px=image_centre(reference_shape),
        dx_px=float(placement.shift_px[0]),
        dy_px=float(placement.shift_px[1]),
        shift_err_px=placement.shift_err_px,
        rotation_deg=math.degrees(placement.turn_rad),
        rotation_err_deg=math.degrees(placement.turn_err_rad),
        transparency=transparency,
        transparency_err=transparency_err,
        matched=len(placement.frame_rows),
        overlap=np.nan,
    )
    return replace(relation, overlap=_overlap(relation, shape, reference_shape))


def identity(stars: Stars, shape: tuple[int, int]) -> Relation:
    """How a frame of shape (ny, nx) lies on itself, which is known without looking."""
    return Relation(
        centre_px=image_centre(shape),
        dx_px=0.0,
        dy_px=0.0,
        shift_err_px=0.0,
        rotation_deg=0.0,
        rotation_err_deg=0.0,
        transparency=1.0,
        transparency_err=0.0,
        matched=len(_placeable(stars)),
        overlap=1.0,
    )


def _placeable(stars: Stars) -> Stars:
    """Objects whose positions belong to the sky."""
    known = np.isfinite(stars.x_px) & np.isfinite(stars.y_px)
    return stars.select(known & (stars.flags & _NOT_FOR_PLACES == 0))


def _star_field(stars: Stars, shape: tuple[int, int]) -> StarField:
    """Positions with one error per star."""
    err_px = np.sqrt((stars.x_err_px**2 + stars.y_err_px**2) / 2)
    err_px[~np.isfinite(err_px)] = _UNKNOWN_CENTROID_ERR_PX
    return StarField(xy_px=np.column_stack([stars.x_px, stars.y_px]), err_px=err_px, shape=shape)


def _transparency(stars: Stars, reference: Stars, placement: Placement) -> tuple[float, float]:
    """Flux ratio of matched stars whose fluxes can be trusted in both frames."""
    ours = stars.select(placement.frame_rows)
    theirs = reference.select(placement.reference_rows)
    trusted = (ours.flags | theirs.flags) & _NOT_FOR_FLUX == 0
    for column in (ours.flux_adu, ours.flux_err_adu, theirs.flux_adu, theirs.flux_err_adu):
        trusted &= np.isfinite(column) & (column > 0)
    return flux_ratio(
        ours.flux_adu[trusted],
        ours.flux_err_adu[trusted],
        theirs.flux_adu[trusted],
        theirs.flux_err_adu[trusted],
    )


def _overlap(relation: Relation, shape: tuple[int, int], reference_shape: tuple[int, int]) -> float:
    """Mean over a grid of cells of the reference of how much of each falls inside the frame."""
    size, reference_size = np.array(shape[::-1]), np.array(reference_shape[::-1])
    cell = reference_size / _OVERLAP_CELLS
    steps = np.arange(_OVERLAP_CELLS) + 0.5
    x, y = np.meshgrid(steps * cell[0] - 0.5, steps * cell[1] - 0.5)
    here = relation.to_frame(np.column_stack([x.ravel(), y.ravel()]))
    from_edge = np.minimum(here + 0.5, size - 0.5 - here)
    return float(np.mean(np.prod(np.clip(from_edge / cell + 0.5, 0, 1), axis=1)))
