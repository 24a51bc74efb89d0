"""Image of the frame's average star and its error."""

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.frame import Pixels
from starwinnow.frame_measures import StarProfile
from starwinnow.profile.cutouts import cut
from starwinnow.profile.equations import kernel_shape
from starwinnow.profile.joint_fit import JointFit
from starwinnow.profile.moffat import unit_flux
from starwinnow.profile.remainders import stack_remainders
from starwinnow.profile.star_pixels import expected_on, image_of, square_of

__all__ = ["average_star"]

_SIDE_PX = 33
# The brightest stars hold nearly all that is known of the average.
_MOST_STARS = 25


def average_star(
    pixels: Pixels,
    background: Background,
    fit: JointFit,
    profile: StarProfile,
    flux_per_peak: float,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Average star, centred, unit flux inside R: the profile plus the mean of what it left over.

    Only the remainders are moved by whole pixels to the common centre, so the image is not
    blurred by resampling. The error is the scatter between the stars.

    Parameters
    ----------
    pixels : ndarray, shape (ny, nx)
    background : Background
    fit : JointFit
    profile : StarProfile
    flux_per_peak : float
        Flux inside R of a Moffat of peak 1, px^2.

    Returns
    -------
    image, error : ndarray of float32, shape (33, 33)
        NaN in the error where no star says anything.
    """
    first = slice(0, _MOST_STARS)
    own = fit.own[first]
    cutouts = cut(
        pixels, background, own[:, 1:3], _SIDE_PX / 2, fit.neighbours[fit.index[first]]
    )  # fmt: skip
    square = square_of(_SIDE_PX)
    sums = stack_remainders(
        cutouts, background.noise_adu, own, fit.weight[first], kernel_shape(fit.shape), square,
        expected_on(fit.common, square),
    )  # fmt: skip
    sums = image_of(sums, square)
    norm = np.where(sums[1] > 0, sums[1], np.nan) * flux_per_peak
    image = unit_flux(profile, _SIDE_PX, fit.figures) + np.nan_to_num(sums[0] / norm)
    return image.astype(np.float32), (np.sqrt(sums[2]) / norm).astype(np.float32)
