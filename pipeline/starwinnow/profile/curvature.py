"""What noise in the stars' places does to a fit, to second order."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.profile.cutouts import Cutouts
from starwinnow.profile.kernel import accumulate
from starwinnow.profile.remainders import profile_values
from starwinnow.profile.star_pixels import Shape, expected_on, own_pixels

__all__ = ["curvature_pull"]

_STEP_PX = 0.25


def curvature_pull(
    cutouts: Cutouts,
    own: NDArray[np.float64],
    place_variance: NDArray[np.float64],
    shape: Shape,
    disc: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Gradient that the model's curvature in x and y exerts on each star's parameters.

    The expected second-order term of the model, A (var(x) m_xx + var(y) m_yy), in place of the
    residual.

    Parameters
    ----------
    cutouts, own, shape, disc
        As in `starwinnow.profile.kernel.accumulate`.
    place_variance : ndarray, shape (n, 2)
        Of x and y, px^2.

    Returns
    -------
    ndarray, shape (n, 8)
    """
    h = _STEP_PX
    profile = profile_values(cutouts, own, shape, disc)
    seen = profile.copy()
    for axis, (right, up) in enumerate(((h, 0.0), (0.0, h))):
        moved = [profile_values(cutouts, own, shape, disc, w * right, w * up) for w in (-1, 1)]
        second = (moved[0] + moved[1] - 2 * profile) / h**2
        seen += place_variance[:, axis, np.newaxis] * second
    # Stars that are the model and this beyond it.
    bent = _with_light(cutouts, own, disc, own[:, 3:] + own[:, :1] * seen)
    expected = expected_on(None, disc)
    return accumulate(bent, math.inf, own, shape, disc=disc, expected=expected)[1]


def _with_light(
    cutouts: Cutouts,
    own: NDArray[np.float64],
    disc: NDArray[np.int64],
    light_adu: NDArray[np.float64],
) -> Cutouts:
    """Put other light into stars' squares, given for the pixels of a disc, shape (n, m).

    Pixels without value keep none, and those beside the disc lose theirs.
    """
    squares = np.full_like(cutouts.light_adu, np.nan)
    middle = own_pixels(own) - cutouts.corner_px
    columns, rows = middle[:, :1] + disc[0], middle[:, 1:] + disc[1]
    side = squares.shape[1]
    star, pixel = np.nonzero((columns >= 0) & (columns < side) & (rows >= 0) & (rows < side))
    there = star, rows[star, pixel], columns[star, pixel]
    squares[there] = light_adu[star, pixel] + 0 * cutouts.light_adu[there]
    return Cutouts(light_adu=squares, corner_px=cutouts.corner_px)
