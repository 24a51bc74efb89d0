"""The stars of two frames -> shift, rotation, transparency and overlap."""

import math
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import StarFlag
from starwinnow.flux_ratio import flux_ratio
from starwinnow.overlap import seen_part
from starwinnow.placement_votes import turned
from starwinnow.star_matching import StarField, image_centre, place
from starwinnow.stars import Stars

__all__ = ["MatchedFluxes", "Relation", "identity", "matched_fluxes", "relate", "warm_up"]

Positions = NDArray[np.float64]
Column = NDArray[np.float64]
Rows = NDArray[np.integer[Any]]

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
    frame_rows, reference_rows : ndarray of int, shape (m,)
        The stars found in both frames: their rows in the two star lists.
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
    frame_rows: Rows = field(compare=False)
    reference_rows: Rows = field(compare=False)
    overlap: float

    @property
    def matched(self) -> int:
        """Stars found in both frames."""
        return len(self.frame_rows)

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
    ours, theirs = _placeable(stars), _placeable(reference)
    placement = place(
        _star_field(stars, ours, shape), _star_field(reference, theirs, reference_shape)
    )
    if placement is None:
        return None
    relation = Relation(
        centre_px=image_centre(reference_shape),
        dx_px=float(placement.shift_px[0]),
        dy_px=float(placement.shift_px[1]),
        shift_err_px=placement.shift_err_px,
        rotation_deg=math.degrees(placement.turn_rad),
        rotation_err_deg=math.degrees(placement.turn_err_rad),
        transparency=math.nan,
        transparency_err=math.nan,
        frame_rows=_small(ours[placement.frame_rows], stars),
        reference_rows=_small(theirs[placement.reference_rows], reference),
        overlap=math.nan,
    )
    both = matched_fluxes(stars, reference, relation)
    transparency, transparency_err = flux_ratio(
        both.flux, both.flux_err, both.reference_flux, both.reference_err
    )
    return replace(
        relation,
        transparency=transparency,
        transparency_err=transparency_err,
        overlap=_overlap(relation, shape, reference_shape),
    )


def identity(stars: Stars, shape: tuple[int, int]) -> Relation:
    """How a frame of shape (ny, nx) lies on itself, which is known without looking."""
    rows = _placeable(stars)
    return Relation(
        centre_px=image_centre(shape),
        dx_px=0.0,
        dy_px=0.0,
        shift_err_px=0.0,
        rotation_deg=0.0,
        rotation_err_deg=0.0,
        transparency=1.0,
        transparency_err=0.0,
        frame_rows=rows,
        reference_rows=rows,
        overlap=1.0,
    )


def warm_up() -> None:
    """Compile what relates two frames, by laying a few made-up stars on themselves."""
    place = 1e5 * np.sqrt(np.arange(2.0, 42.0)) % 997
    ones = np.full(len(place), 0.1)
    names = (field.name for field in fields(Stars) if field.name != "flags")
    columns = dict.fromkeys(names, ones) | {"x_px": place, "y_px": place[::-1].copy()}
    stars = Stars(**columns, flags=np.zeros(len(place), np.int32))
    relate(stars, stars, shape=(1000, 1000), reference_shape=(1000, 1000))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MatchedFluxes:
    """Stars whose flux can be trusted in both frames, columns of equal length n.

    Attributes
    ----------
    xy_px, reference_xy_px : ndarray of float64, shape (n, 2)
        Their places, px.
    flux, flux_err, reference_flux, reference_err : ndarray of float64, shape (n,)
        Their fluxes with standard errors, ADU, all positive.
    reference_rows : ndarray of int, shape (n,)
        Their rows in the reference's star list.
    """

    xy_px: Positions
    reference_xy_px: Positions
    flux: Column
    flux_err: Column
    reference_flux: Column
    reference_err: Column
    reference_rows: Rows

    def select(self, chosen: NDArray[np.bool_]) -> "MatchedFluxes":
        """Stars picked by a boolean mask of shape (n,)."""
        columns = {column.name: getattr(self, column.name)[chosen] for column in fields(self)}
        return MatchedFluxes(**columns)


def matched_fluxes(stars: Stars, reference: Stars, relation: Relation) -> MatchedFluxes:
    """Pick the matched stars whose fluxes can be trusted in both frames."""
    ours, theirs = relation.frame_rows, relation.reference_rows
    columns = {
        "flux": stars.flux_adu[ours],
        "flux_err": stars.flux_err_adu[ours],
        "reference_flux": reference.flux_adu[theirs],
        "reference_err": reference.flux_err_adu[theirs],
    }
    trusted = (stars.flags[ours] | reference.flags[theirs]) & _NOT_FOR_FLUX == 0
    for column in columns.values():
        trusted &= np.isfinite(column) & (column > 0)
    ours, theirs = ours[trusted], theirs[trusted]
    return MatchedFluxes(
        xy_px=np.column_stack([stars.x_px[ours], stars.y_px[ours]]),
        reference_xy_px=np.column_stack([reference.x_px[theirs], reference.y_px[theirs]]),
        **{name: column[trusted] for name, column in columns.items()},
        reference_rows=theirs,
    )


def _placeable(stars: Stars) -> NDArray[np.intp]:
    """Rows of objects whose positions belong to the sky."""
    known = np.isfinite(stars.x_px) & np.isfinite(stars.y_px)
    return np.flatnonzero(known & (stars.flags & _NOT_FOR_PLACES == 0))


def _small(rows: NDArray[np.intp], stars: Stars) -> Rows:
    """Rows in as few bytes as they need: a night holds those of all its frames."""
    return rows.astype(np.min_scalar_type(len(stars)))


def _star_field(stars: Stars, rows: Rows, shape: tuple[int, int]) -> StarField:
    """Positions of some stars with one error each."""
    err_px = np.sqrt((stars.x_err_px[rows] ** 2 + stars.y_err_px[rows] ** 2) / 2)
    err_px[~np.isfinite(err_px)] = _UNKNOWN_CENTROID_ERR_PX
    xy_px = np.column_stack([stars.x_px[rows], stars.y_px[rows]])
    return StarField(xy_px=xy_px, err_px=err_px, shape=shape)


def _overlap(relation: Relation, shape: tuple[int, int], reference_shape: tuple[int, int]) -> float:
    """Mean over a grid of cells of the reference of how much of each falls inside the frame."""
    shift = relation.dx_px, relation.dy_px
    return float(seen_part(math.radians(relation.rotation_deg), *shift, shape, reference_shape))
