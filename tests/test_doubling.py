"""Second images share one offset; companions by chance do not."""

import dataclasses

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.doubling import find_doubling, without_seconds
from starwinnow.flags import StarFlag
from starwinnow.sources import Sources

_SHAPE = (1000, 1500)


def _field(rng: np.random.Generator, count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places (count, 2) of random stars and their significance (count,)."""
    places = rng.uniform(0.0, [_SHAPE[1], _SHAPE[0]], (count, 2))
    return places, 10 * np.exp(rng.exponential(1.5, count))


def _sources(places: NDArray[np.float64], significance: NDArray[np.float64]) -> Sources:
    order = np.argsort(-significance)
    return Sources(
        x_px=places[order, 0],
        y_px=places[order, 1],
        significance=significance[order],
        peak_adu=10 * significance[order],
        size_px=np.full(len(order), 3.0),
        flags=np.zeros(len(order), np.int32),
    )


def _doubled(
    rng: np.random.Generator, count: int, vector: NDArray[np.float64], part: float
) -> Sources:
    """Stars and their second images, those below 7 sigma unseen; noise in place and light."""
    places, significance = _field(rng, count)
    places = np.vstack([places, places + vector]) + rng.normal(0.0, 0.1, (2 * count, 2))
    significance = np.concatenate([significance, part * significance])
    significance += rng.normal(0.0, 1.0, 2 * count)
    seen = significance > 7
    return _sources(places[seen], significance[seen])


@pytest.mark.parametrize("part", [1.0, 0.6, 0.3])
@pytest.mark.parametrize("stars", [30, 300])
def test_second_images_are_found(stars: int, part: float) -> None:
    for seed in range(20):
        rng = np.random.default_rng([46_001, stars, round(10 * part), seed])
        angle, distance = rng.uniform(0.0, 2 * np.pi), rng.uniform(6.0, 18.0)
        vector = distance * np.array([np.cos(angle), np.sin(angle)])
        sources = _doubled(rng, stars, vector, part)
        flagged, found = find_doubling(sources)
        assert found is not None, f"seed {seed}"
        # Of equal images either may be called the second.
        off = min(np.hypot(*(found - vector)), np.hypot(*(found + vector)) if part == 1 else np.inf)
        assert off < 0.3
        second = flagged.flags & StarFlag.SECOND_IMAGE != 0
        assert np.count_nonzero(second) / len(sources) == pytest.approx(0.5, abs=0.25)
        assert len(without_seconds(flagged)) == np.count_nonzero(~second)


@pytest.mark.parametrize("stars", [5, 60, 400, 1500, 3000])
def test_chance_makes_no_doubling(stars: int) -> None:
    """None in 60 random fields each, up to 2,000 stars a megapixel."""
    for seed in range(60):
        rng = np.random.default_rng([46_101, stars, seed])
        sources = _sources(*_field(rng, stars))
        flagged, vector = find_doubling(sources)
        assert vector is None, f"seed {seed}"
        assert flagged is sources


def test_a_clustered_field_is_not_doubled() -> None:
    for seed in range(40):
        rng = np.random.default_rng([46_201, seed])
        places, significance = _field(rng, 600)
        places[:400] = rng.normal([750.0, 500.0], 60.0, (400, 2))
        assert find_doubling(_sources(places, significance))[1] is None, f"seed {seed}"


def test_images_that_run_together_are_left_to_the_fit() -> None:
    rng = np.random.default_rng(46_301)
    sources = _doubled(rng, 60, np.array([3.0, 2.0]), 0.8)
    assert find_doubling(sources)[1] is None
    small = dataclasses.replace(sources, size_px=np.full(len(sources), 1.5))
    assert find_doubling(small)[1] is not None
