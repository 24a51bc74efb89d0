"""Star size and shape over the sensor: a smooth map, and what kind of change it shows."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from starwinnow.flags import StarFlag
from starwinnow.frame_measures import FrameMeasures

__all__ = ["Change", "FieldShape", "MapCell", "across_field"]

Column = NDArray[np.float64]
State = Literal["seen", "not-seen", "cannot-tell"]
Origin = Literal["coma", "astigmatism", "cannot-tell"]

# Fewer stars than this in a typical frame say nothing of the corners (common practice, no source).
_FEWEST_STARS = 40
# A change is seen above this many standard errors: chance reaches it once in a thousand fits
# with two free parts, exp(-3.8^2 / 2), and once in many thousands with one.
_SEEN_SIGMA = 4.5
# Smaller changes, as a part of the FWHM, are within what pixels do to a star's figures.
_LEAST_PART = 0.015
# With a larger error, as a part of the FWHM, a change that matters could hide.
_KNOWN_PART = 0.03
_CLIP_SIGMA = 4.0
# Added to each star's own error: where its centre lies on the pixels (from memory).
_PIXEL_PART = 0.01
# Tails, as `FrameMeasures.corner_tails`: coma too weak to draw stars out by 1 % makes less than
# this, and one that matters could hide behind a larger error (drawn with GalSim, see below).
_LEAST_TAILS, _KNOWN_TAILS = 0.006, 0.004
# Coma that makes tails t draws stars out by 126 to 155 t^2: drawn with GalSim, stars of 3 px
# through 80 mm of f/6 on pixels of 3.76 um. Wider stars have weaker tails: up to three times
# weaker is allowed for.
_STRETCH_PER_TAILS2, _TAILS_MARGIN = 140.0, 3.0
_COLUMNS, _ROWS = 9, 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One kind of change over the sensor.

    Attributes
    ----------
    amount, error : float
        px for `tilt` and `curvature`; ln(long axis / short axis) for `stretch`; third moment in
        half FWHM for `coma`. NaN where it was not fitted.
    direction_deg : float
        Towards the wider stars, from +x towards +y; NaN where it has none.
    state : {'seen', 'not-seen', 'cannot-tell'}
    """

    amount: float
    error: float
    direction_deg: float = math.nan
    state: State = "cannot-tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """A part of the sensor: its middle, the smooth map's FWHM there, the stars' mean stretch."""

    x_px: float
    y_px: float
    fwhm_px: float
    fwhm_err_px: float
    stars: int
    axis_ratio: float
    trail_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldShape:
    """Star size and shape over the sensor.

    Attributes
    ----------
    frames, stars : int
        Frames, and stars in a typical one.
    tilt : Change
        Difference of FWHM between the corners it points to and from.
    curvature : Change
        FWHM in the corners over that in the middle.
    stretch : Change
        How much stars in the corners are drawn out, positive along the line to the middle,
        negative across it. Coma and astigmatism both do this.
    coma : Change
        How lopsided stars in the corners are, positive with tails away from the middle.
        Astigmatism does not do this.
    saddle : Change
        FWHM changing unlike tilt and curvature: a sensor tilted about a line in focus does that,
        and then neither can be told.
    cells : tuple of MapCell
    """

    frames: int
    stars: int
    tilt: Change
    curvature: Change
    stretch: Change
    coma: Change
    saddle: Change
    cells: tuple[MapCell, ...]

    @property
    def stretch_origin(self) -> Origin:
        """What draws the stars in the corners out.

        Coma draws them along the line to the middle alone, and not without tails.
        """
        if self.stretch.state != "seen":
            return "cannot-tell"
        if self.stretch.amount < 0:
            return "astigmatism"
        if self.coma.state == "seen":
            return "coma"
        expected = math.sqrt(self.stretch.amount / _STRETCH_PER_TAILS2)
        most = abs(self.coma.amount) + 3 * self.coma.error
        known = self.coma.state == "not-seen" and most < expected / _TAILS_MARGIN
        return "astigmatism" if known else "cannot-tell"


def across_field(frames: Sequence[FrameMeasures]) -> FieldShape | None:
    """Fit size and shape of the stars of some frames over the sensor.

    FWHM = p0 + p1 u + p2 v + p3 (u^2 + v^2) + p4 (u^2 - v^2) + p5 2uv, with u and v from the
    middle in half diagonals, by least squares with the stars' errors; the stretch vector
    ln(1/q) (cos 2t, sin 2t) = constant + k (u^2 - v^2, 2uv): third-order coma and astigmatism
    lengthen weakly blurred stars with the square of the distance (second moments of Seidel
    aberrations). A constant stretch is a trail and no matter of the field. Coma is the mean of the
    frames' `corner_tails`. The same stars are in all frames: errors do not shrink with the number
    of frames.

    Returns
    -------
    FieldShape or None
        None without a usable star.
    """
    columns = _gathered(frames)
    if columns is None:
        return None
    u, v, fwhm, fwhm_err, axis, axis_err, trail = columns
    used = [one for one in frames if math.isfinite(one.fwhm_px) and _fitted_stars(one).any()]
    stars = round(len(u) / len(used))
    repeats = math.sqrt(len(used))
    basis = _size_basis(u, v)
    middle = float(np.median(fwhm))
    if stars < _FEWEST_STARS:
        unknown = Change(amount=math.nan, error=math.nan)
        return FieldShape(
            frames=len(used), stars=stars, tilt=unknown, curvature=unknown, stretch=unknown,
            coma=unknown, saddle=unknown, cells=(),
        )  # fmt: skip
    size, size_cov = _fitted(basis, fwhm, np.hypot(fwhm_err, _PIXEL_PART * middle), repeats)
    length = -np.log(np.clip(axis, 0.05, 1.0))
    angle = np.radians(2 * trail)
    sight = np.concatenate([length * np.cos(angle), length * np.sin(angle)])
    ones, none = np.ones_like(u), np.zeros_like(u)
    along = np.concatenate([u**2 - v**2, 2 * u * v])
    design = np.stack([np.concatenate([ones, none]), np.concatenate([none, ones]), along], axis=1)
    doubt = np.hypot(axis_err / np.clip(axis, 0.05, 1.0), _PIXEL_PART)
    shape, shape_cov = _fitted(design, sight, np.concatenate([doubt, doubt]), repeats)
    saddle = _vector(size[4:6], size_cov[4:6, 4:6], middle)
    tilt = _vector(2 * size[1:3], 4 * size_cov[1:3, 1:3], middle)
    curvature = _scalar(float(size[3]), float(size_cov[3, 3]), middle)
    if saddle.state == "seen":
        tilt, curvature = _untold(tilt), _untold(curvature)
    return FieldShape(
        frames=len(used),
        stars=stars,
        tilt=tilt,
        curvature=curvature,
        stretch=_scalar(float(shape[2]), float(shape_cov[2, 2]), 1.0),
        coma=_coma(used),
        saddle=saddle,
        cells=_map(frames[0].shape, size, size_cov, (u, v, sight)),
    )


def _gathered(frames: Sequence[FrameMeasures]) -> tuple[Column, ...] | None:
    """Places in half diagonals, sizes and axes of the usable stars of all frames.

    Sizes are brought to the median frame's, so that the air's changes do not widen the scatter.
    """
    sizes = [one.fwhm_px for one in frames if math.isfinite(one.fwhm_px)]
    if not sizes:
        return None
    typical = float(np.median(sizes))
    parts = []
    for one in frames:
        stars = one.stars.select(_fitted_stars(one))
        if not len(stars) or not math.isfinite(one.fwhm_px):
            continue
        ny, nx = one.shape
        half = math.hypot(nx, ny) / 2
        scale = typical / one.fwhm_px
        parts.append(
            np.stack([
                (stars.x_px - (nx - 1) / 2) / half,
                (stars.y_px - (ny - 1) / 2) / half,
                stars.fwhm_px * scale,
                stars.fwhm_err_px * scale,
                stars.axis_ratio,
                stars.axis_ratio_err,
                stars.trail_deg,
            ])
        )  # fmt: skip
    if not parts:
        return None
    whole = np.concatenate(parts, axis=1)
    whole = whole[:, np.isfinite(whole).all(axis=0)]
    return tuple(whole) if whole.shape[1] else None


def _fitted_stars(one: FrameMeasures) -> NDArray[np.bool_]:
    """Stars with figures of their own, those among them whose shape is not the frame's.

    That is what stars near the edge may be called where the shape changes over the field;
    galaxies among them are left out as outliers.
    """
    stars = one.stars
    unlike = stars.flags == StarFlag.NOT_A_STAR
    fitted: NDArray[np.bool_] = ((stars.flags == 0) | unlike) & np.isfinite(stars.fwhm_px)
    return fitted


def _size_basis(u: Column, v: Column) -> NDArray[np.float64]:
    return np.stack([np.ones_like(u), u, v, u**2 + v**2, u**2 - v**2, 2 * u * v], axis=-1)


def _fitted(
    design: NDArray[np.float64], seen: Column, doubt: Column, repeats: float
) -> tuple[Column, NDArray[np.float64]]:
    """Weighted least squares without outliers; the covariance follows the scatter seen."""
    used = np.ones(len(seen), np.bool_)
    for _ in range(3):
        rows = design[used] / doubt[used, np.newaxis]
        values: Column = np.asarray(
            np.linalg.lstsq(rows, seen[used] / doubt[used], rcond=None)[0], np.float64
        )
        rest = (seen - design @ values) / doubt
        spread = max(1.0, 1.4826 * float(np.median(np.abs(rest))))
        used = np.abs(rest) < _CLIP_SIGMA * spread
    free = max(1, int(used.sum()) - design.shape[1])
    scatter = max(1.0, float(np.sum(rest[used] ** 2)) / free)
    covariance: NDArray[np.float64] = np.linalg.pinv(rows.T @ rows) * scatter * repeats**2
    return values, covariance


def _vector(parts: Column, covariance: NDArray[np.float64], size: float) -> Change:
    amount = float(np.hypot(*parts))
    sigma = math.sqrt(max(0.0, float(parts @ np.linalg.pinv(covariance) @ parts)))
    error = math.sqrt(float(np.trace(covariance)) / 2)
    towards = math.degrees(math.atan2(float(parts[1]), float(parts[0]))) % 360
    return Change(
        amount=amount,
        error=error,
        direction_deg=towards,
        state=_state(amount, error, sigma, size),
    )


def _scalar(amount: float, variance: float, size: float) -> Change:
    error = math.sqrt(max(0.0, variance))
    state = _state(abs(amount), error, abs(amount) / error if error else 0.0, size)
    return Change(amount=amount, error=error, state=state)


def _state(amount: float, error: float, sigma: float, size: float) -> State:
    if sigma > _SEEN_SIGMA and amount > _LEAST_PART * size:
        return "seen"
    return "not-seen" if error < _KNOWN_PART * size else "cannot-tell"


def _coma(frames: Sequence[FrameMeasures]) -> Change:
    """Mean of the frames' tails, weighted by their errors, with the error of a typical one."""
    known = [one for one in frames if one.corner_tails_err > 0]
    if not known:
        return Change(amount=math.nan, error=math.nan)
    tails = np.array([one.corner_tails for one in known])
    errors = np.array([one.corner_tails_err for one in known])
    amount = float(np.average(tails, weights=errors**-2))
    error = float(np.median(errors))
    state: State = "not-seen" if error < _KNOWN_TAILS else "cannot-tell"
    if abs(amount) > max(_SEEN_SIGMA * error, _LEAST_TAILS):
        state = "seen"
    return Change(amount=amount, error=error, state=state)


def _untold(change: Change) -> Change:
    return Change(amount=change.amount, error=change.error, direction_deg=change.direction_deg)


def _map(
    shape: tuple[int, int],
    size: Column,
    covariance: NDArray[np.float64],
    stars: tuple[Column, Column, Column],
) -> tuple[MapCell, ...]:
    ny, nx = shape
    half = math.hypot(nx, ny) / 2
    u, v, sight = stars
    column = np.floor((u * half / nx + 0.5) * _COLUMNS).astype(int)
    row = np.floor((v * half / ny + 0.5) * _ROWS).astype(int)
    cells = []
    for j in range(_ROWS):
        for i in range(_COLUMNS):
            x, y = (i + 0.5) / _COLUMNS * nx - 0.5, (j + 0.5) / _ROWS * ny - 0.5
            place = np.array([(x - (nx - 1) / 2) / half]), np.array([(y - (ny - 1) / 2) / half])
            basis = _size_basis(*place)[0]
            here = (column == i) & (row == j)
            both = np.concatenate([here, here])
            means = sight[both].reshape(2, -1).mean(axis=1) if here.any() else np.full(2, np.nan)
            cells.append(
                MapCell(
                    x_px=x,
                    y_px=y,
                    fwhm_px=float(basis @ size),
                    fwhm_err_px=math.sqrt(max(0.0, float(basis @ covariance @ basis))),
                    stars=int(here.sum()),
                    axis_ratio=math.exp(-float(np.hypot(*means))),
                    trail_deg=math.degrees(math.atan2(float(means[1]), float(means[0]))) / 2 % 180,
                )
            )
    return tuple(cells)
