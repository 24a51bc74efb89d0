"""A frame's detected objects as equal-length columns."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["Stars"]

FloatColumn = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stars:
    """Detected objects, brightest first; columns of equal length n, no stars is n = 0.

    Attributes
    ----------
    x_px, y_px, x_err_px, y_err_px : ndarray of float64, shape (n,)
        Centroid and its standard error, px; the first pixel's centre is (0, 0).
    flux_adu, flux_err_adu : ndarray of float64, shape (n,)
        Profile-fitted flux inside the frame's measuring radius, ADU above the background.
    peak_adu : ndarray of float64, shape (n,)
        Brightest pixel above the background, ADU.
    fwhm_px, fwhm_err_px : ndarray of float64, shape (n,)
        Full width at half maximum as imaged, px.
    hfr_px, hfr_err_px : ndarray of float64, shape (n,)
        Half-flux radius, px.
    axis_ratio, axis_ratio_err : ndarray of float64, shape (n,)
        Minor over major axis; noisy star by star, see the frame's value.
    trail_deg : ndarray of float64, shape (n,)
        Direction of the major axis, from +x towards +y, in [0, 180) degrees.
    flags : ndarray of int32, shape (n,)
        Bits of `StarFlag`; 0 for objects used in the star figures.
    """

    x_px: FloatColumn
    y_px: FloatColumn
    x_err_px: FloatColumn
    y_err_px: FloatColumn
    flux_adu: FloatColumn
    flux_err_adu: FloatColumn
    peak_adu: FloatColumn
    fwhm_px: FloatColumn
    fwhm_err_px: FloatColumn
    hfr_px: FloatColumn
    hfr_err_px: FloatColumn
    axis_ratio: FloatColumn
    axis_ratio_err: FloatColumn
    trail_deg: FloatColumn
    flags: NDArray[np.int32]

    def __post_init__(self) -> None:
        lengths = {field.name: len(getattr(self, field.name)) for field in fields(self)}
        if len(set(lengths.values())) != 1:
            raise ValueError(f"star columns differ in length: {lengths}; they must be equal")

    def __len__(self) -> int:
        return len(self.x_px)

    @property
    def snr(self) -> FloatColumn:
        """Flux over its error, shape (n,)."""
        return np.divide(
            self.flux_adu,
            self.flux_err_adu,
            out=np.zeros_like(self.flux_adu),
            where=self.flux_err_adu > 0,
        )

    @classmethod
    def empty(cls) -> "Stars":
        """No stars."""
        none = np.empty(0)
        columns = {field.name: none for field in fields(cls) if field.name != "flags"}
        return cls(**columns, flags=none.astype(np.int32))

    def select(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> "Stars":
        """Rows picked by a boolean mask of shape (n,) or by indices."""
        return Stars(**{field.name: getattr(self, field.name)[chosen] for field in fields(self)})
