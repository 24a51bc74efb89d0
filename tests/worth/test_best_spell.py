"""The best stretch of a run, against what is seen at a glance."""

import numpy as np

from starwinnow.best_spell import best_spell
from starwinnow.frame_rows import FrameRow


def rows(worth_s: list[float]) -> list[FrameRow]:
    return [FrameRow(file=f"{k}.fits", worth_s=worth) for k, worth in enumerate(worth_s)]


def names(worth_s: list[float]) -> list[str]:
    return [row.file for row in best_spell(rows(worth_s))]


def test_a_quarter_of_the_run_where_worth_is_highest() -> None:
    worth = [1.0] * 40
    worth[20:30] = [2.0] * 10
    assert names(worth) == [f"{k}.fits" for k in range(20, 30)]


def test_the_first_and_the_last_frames_can_be_the_best() -> None:
    assert names([3.0] * 5 + [1.0] * 15) == [f"{k}.fits" for k in range(5)]
    assert names([1.0] * 15 + [3.0] * 5) == [f"{k}.fits" for k in range(15, 20)]


def test_it_is_the_best_of_all_stretches() -> None:
    worth = np.random.default_rng(4).uniform(0.1, 2.0, 60).tolist()
    found = names(worth)
    sums = [sum(worth[start : start + 15]) for start in range(46)]
    assert found == [f"{k + int(np.argmax(sums))}.fits" for k in range(15)]


def test_frames_without_worth_do_not_count() -> None:
    worth = [float("nan"), 0.0] * 5 + [1.0, 2.0, 3.0]
    assert names(worth) == ["10.fits", "11.fits", "12.fits"]
    assert names([float("nan")] * 9) == []
    assert names([]) == []
