"""A streak is a crowded straight line of objects; chance makes none."""

import numpy as np
import pytest
from numpy.typing import NDArray

from starwinnow.flags import StarFlag
from starwinnow.frame_measures import Streak
from starwinnow.sources import Sources
from starwinnow.streaks import find_streak, is_thin_line

_SHAPE = (1000, 1500)


def _sources(places: NDArray[np.float64], rng: np.random.Generator) -> Sources:
    """Objects at places (n, 2), of any brightness, most significant first."""
    n = len(places)
    significance = np.sort(7 * np.exp(rng.exponential(1.0, n)))[::-1]
    return Sources(
        x_px=places[:, 0],
        y_px=places[:, 1],
        significance=significance,
        peak_adu=10 * significance,
        size_px=np.full(n, 3.0),
        flags=np.zeros(n, np.int32),
    )


def _field(rng: np.random.Generator, count: int) -> NDArray[np.float64]:
    return rng.uniform(0.0, [_SHAPE[1], _SHAPE[0]], (count, 2))


def _line(
    rng: np.random.Generator, count: int, length_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Objects evenly along a line, half a pixel off it, and the line's ends, (2, 2)."""
    angle = rng.uniform(0.0, np.pi)
    along = np.array([np.cos(angle), np.sin(angle)])
    middle = rng.uniform([500.0, 400.0], [1000.0, 600.0])
    place = (np.arange(count) / (count - 1) - 0.5) * length_px
    ends = middle + np.outer([-0.5 * length_px, 0.5 * length_px], along)
    return middle + np.outer(place, along) + rng.normal(0.0, 0.5, (count, 2)), ends


@pytest.mark.parametrize("bright", [True, False])
@pytest.mark.parametrize("stars", [20, 200, 600])
def test_a_streak_is_found_and_its_objects_flagged(stars: int, bright: bool) -> None:
    for seed in range(10):
        rng = np.random.default_rng([45_001, stars, seed])
        line, ends = _line(rng, 60, 750.0)
        places = np.vstack([line, _field(rng, stars)])
        order = rng.permutation(len(places))
        # Pieces of a bright streak are among the brightest objects, of a faint one the last.
        order = order[np.argsort((order >= len(line)) == bright, kind="stable")]
        places = places[order]
        flagged, streak = find_streak(_sources(places, rng), _SHAPE)
        assert streak is not None, f"seed {seed}"
        on_streak = flagged.flags & StarFlag.STREAK != 0
        pieces = order < len(line)
        assert np.all(on_streak[pieces])
        assert np.count_nonzero(on_streak[~pieces]) <= 12
        found = np.array([streak.start_px, streak.end_px])
        off = min(np.abs(found - ends).max(), np.abs(found[::-1] - ends).max())
        # Chance may put a star on its line within a quarter of its length, end to end.
        assert off < 750.0 / 3


@pytest.mark.parametrize("stars", [12, 60, 400, 1500])
def test_chance_makes_no_streak(stars: int) -> None:
    """None in 100 random fields each: a rate below 3 % (95 % confidence, rule of three)."""
    for seed in range(100):
        rng = np.random.default_rng([45_101, stars, seed])
        flagged, streak = find_streak(_sources(_field(rng, stars), rng), _SHAPE)
        assert streak is None, f"seed {seed}"
        assert not flagged.flags.any()


def test_a_clustered_field_has_no_streak() -> None:
    """The core of a cluster is crowded along every line through it."""
    for seed in range(50):
        rng = np.random.default_rng([45_201, seed])
        core = rng.normal([750.0, 500.0], 60.0, (300, 2))
        places = rng.permutation(np.vstack([core, _field(rng, 200)]))
        assert find_streak(_sources(places, rng), _SHAPE)[1] is None, f"seed {seed}"


def test_few_objects_make_no_streak() -> None:
    rng = np.random.default_rng(45_301)
    line, _ = _line(rng, 11, 600.0)
    sources, streak = find_streak(_sources(line, rng), _SHAPE)
    assert streak is None
    assert find_streak(_sources(np.empty((0, 2)), rng), _SHAPE)[1] is None
    assert not sources.flags.any()


def test_a_column_of_the_sensor_is_no_streak() -> None:
    rng = np.random.default_rng(45_401)
    column = np.column_stack([rng.normal(300.0, 0.2, 60), np.linspace(20.0, 980.0, 60)])
    places = np.vstack([column, _field(rng, 100)])
    assert find_streak(_sources(places, rng), _SHAPE)[1] is None


def test_objects_cut_by_the_edge_make_no_streak() -> None:
    rng = np.random.default_rng(45_501)
    edge = np.column_stack([rng.uniform(3.0, 6.0, 60), np.linspace(20.0, 980.0, 60)])
    sources = _sources(np.vstack([edge, _field(rng, 100)]), rng)
    sources.flags[:60] |= StarFlag.EDGE
    assert find_streak(sources, _SHAPE)[1] is None


def test_light_along_a_thin_line_is_told_from_a_tail_and_from_stars_in_a_row() -> None:
    rng = np.random.default_rng(45_601)
    streak = Streak(start_px=(40.0, 60.0), end_px=(440.0, 300.0))
    y, x = np.indices((350, 500), dtype=np.float64)
    along = np.array([400.0, 240.0]) / np.hypot(400.0, 240.0)
    aside = np.abs((y - 60.0) * along[0] - (x - 40.0) * along[1])
    part = (x - 40.0) * along[0] + (y - 60.0) * along[1]
    noise = rng.normal(100.0, 5.0, x.shape)
    line = 4.0 * np.exp(-0.5 * (aside / 2.0) ** 2)
    tail = 40.0 * np.exp(-aside / (5.0 + 0.15 * np.maximum(part, 0.0)))
    stars = 500.0 * np.exp(-0.5 * (aside**2 + ((part % 60.0) - 30.0) ** 2) / 2.0**2)
    assert is_thin_line(noise + line, 5.0, streak)
    assert not is_thin_line(noise, 5.0, streak)
    assert not is_thin_line(noise + tail, 5.0, streak)
    assert not is_thin_line(noise + stars, 5.0, streak)
    assert is_thin_line(np.where((x + y) % 2 == 0, noise + line, np.nan), 5.0, streak)
