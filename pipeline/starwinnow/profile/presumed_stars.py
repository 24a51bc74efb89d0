"""Which objects a fit takes for stars: by rough sizes before it, by what it says of each after."""

import math

import numpy as np
from numpy.typing import NDArray

from starwinnow.background import Background
from starwinnow.flags import FEW_STARS
from starwinnow.profile.equations import Equations, star_weights
from starwinnow.profile.star_weights import OUTLIER_SIGMA, half_sample_mode
from starwinnow.quantile import quantile
from starwinnow.sources import Sources

__all__ = [
    "FIRST_SCATTER",
    "FIRST_STARS",
    "LONE_SIGNIFICANCE",
    "MIN_SIGNIFICANCE",
    "candidates",
    "commonest_size",
    "like_the_first",
    "on_plain_sky",
    "smaller_crowd",
    "smallest_size",
]

# The first fit takes so many stars at most.
FIRST_STARS = 25
# Any star is so significant at least, and one of few that are looked at one by one.
MIN_SIGNIFICANCE, LONE_SIGNIFICANCE = 7.0, 12.0
# ln size: stars of the first fit differ by so much at least.
FIRST_SCATTER = 0.04
# ln size: rough sizes of stars agree this well, those of most galaxies do not.
_COMMON_SIZE = 0.35
# ln size: a frame's stars differ by less than this, galaxies by more.
_ALIKE = 0.05
# ln size: error of those that show a crowd, S/N of 13 or more; surer ones alone can be too few.
_SURE = 0.08
# A smaller crowd this much denser than the fitted one holds the stars.
_DENSER = 1.3
# ln rough size: the same, with what noise does to rough sizes; and the sizes looked at.
_ROUGHLY_ALIKE, _MOST_SIZES = 0.1, 300
# A crowd of stars has at least this part of the objects of any other crowd.
_CROWD = 0.25
# Light of a star's wings that may pass for background about it, as a part of its peak.
_WING_PART = 0.001


def candidates(sources: Sources) -> NDArray[np.bool_]:
    """Clean objects significant enough for a star that is fitted, shape (n,)."""
    clean: NDArray[np.bool_] = (sources.flags == 0) & (sources.significance >= MIN_SIGNIFICANCE)
    return clean


def commonest_size(sources: Sources) -> NDArray[np.bool_]:
    """Clean objects near the commonest rough size of the brightest of them, shape (n,)."""
    clean = candidates(sources)
    if not clean.any():
        return clean
    sizes = np.log(sources.size_px)
    usual = np.abs(sizes - half_sample_mode(sizes[clean][:FIRST_STARS])) < _COMMON_SIZE
    return clean & usual


def smallest_size(sources: Sources) -> NDArray[np.bool_]:
    """Clean objects near the smallest rough size that many have, shape (n,).

    Knots of a nebula and pieces of a streak may be more than the stars, but they are larger.
    """
    clean = candidates(sources)
    sizes = np.log(sources.size_px)
    clean &= np.isfinite(sizes)
    sure = sizes[clean & (sources.significance >= LONE_SIGNIFICANCE)][:_MOST_SIZES]
    if len(sure) == 0:
        return np.zeros(len(sources), bool)
    near = np.abs(sure[:, np.newaxis] - sure) < _ROUGHLY_ALIKE
    counts = np.count_nonzero(near, axis=1)
    many = counts >= max(_CROWD * counts.max(), min(FEW_STARS, counts.max()))
    crowd = near[many & (sure == sure[many].min())][0]
    # The middle of the crowd, whose edge the smallest lies on.
    usual: NDArray[np.bool_] = np.abs(sizes - quantile(sure[crowd])) < _COMMON_SIZE
    return clean & usual


def smaller_crowd(equations: Equations, background: Background) -> NDArray[np.intp] | None:
    """Rows of a denser crowd of sizes below the fitted one, or None.

    What is no star is larger than one (galaxies, blends) and of many sizes, while stars are all
    alike: the densest crowd is that of the stars, even where they are the fewer.
    """
    _, deviation, error = star_weights(equations, background)
    width = deviation[:, 0]
    sure = error[:, 0] < _SURE
    if np.count_nonzero(sure) < FEW_STARS:
        return None
    near = np.abs(width[sure][:, np.newaxis] - width[sure]) < _ALIKE
    counts = np.count_nonzero(near, axis=1)
    center = quantile(width[sure][near[int(np.argmax(counts))]])
    fitted = np.count_nonzero(np.abs(width[sure]) < _ALIKE)
    if center > -2 * _ALIKE or counts.max() < max(FEW_STARS, _DENSER * fitted):
        return None
    return np.flatnonzero(np.abs(width - center) < 2 * _ALIKE)


def on_plain_sky(
    own: NDArray[np.float64], weight: NDArray[np.float64], background: Background
) -> NDArray[np.bool_]:
    """Which stars stand on sky like the others', shape (n,).

    In a nebula, a coma or the core of a cluster the light about a star is not its own. All are
    taken where less than a third, or too few, would be left.
    """
    used = weight > 0
    level = np.abs(own[:, 3])
    # From the stars of plainest sky: a quarter of a Gaussian lies within .3186 of its middle.
    usual = quantile(level[used], 0.25) / 0.318639 if used.any() else 0.0
    # What the profile lacks of a star's wings is taken for level too.
    limit = OUTLIER_SIGMA * max(usual, background.local_err_adu) + _WING_PART * own[:, 0]
    plain: NDArray[np.bool_] = level < limit
    left = np.count_nonzero(used & plain)
    return plain if left >= max(FEW_STARS, 0.3 * np.count_nonzero(used)) else np.ones_like(plain)


def like_the_first(
    equations: Equations, first: Equations, background: Background
) -> NDArray[np.bool_]:
    """Which stars are as large as those of the first fit, within error and their own spread."""
    weight, width, _ = star_weights(first, background, least_scatter=FIRST_SCATTER)
    if not weight.any():
        return np.ones(len(equations.pull), bool)
    widths = width[weight > 0, 0]
    apart = widths - widths.sum() / len(widths)
    spread = max(math.sqrt(apart @ apart / len(widths)), FIRST_SCATTER)
    _, deviation, error = star_weights(equations, background)
    limit = OUTLIER_SIGMA * np.hypot(error[:, 0], spread)
    alike: NDArray[np.bool_] = np.abs(deviation[:, 0] - quantile(widths)) < limit
    return alike if alike.any() else ~alike
