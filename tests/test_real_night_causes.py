"""Causes of the real night's frames against what was seen in pictures of them.

The labels in real_night_labels.toml were given by eye before any figure was known; the frames
are those of test_real_night.py, read from outside the project.
"""

import tomllib
from collections import Counter
from functools import lru_cache
from pathlib import Path

import pytest

from starwinnow.measure import measure
from starwinnow.night import Night
from starwinnow.readers import read_frame
from starwinnow.settings import Settings

pytest.importorskip("starwinnow.diagnosis")

_FOLDER = Path(__file__).parents[2] / "shared" / "frames" / "real_night"
_LABELS = tomllib.loads(Path(__file__).with_name("real_night_labels.toml").read_text("utf-8"))
_MOVED = {"trailed", "knocked"}

pytestmark = pytest.mark.skipif(
    not _FOLDER.is_dir(), reason="the real night is not beside the project"
)


@lru_cache(maxsize=1)
def _called_moved() -> dict[str, bool]:
    """Whether each frame's causes hold a moved image, alone or jointly."""
    night = Night()
    for path in sorted(_FOLDER.glob("*.fits.gz")):
        night.add(measure(read_frame(path)))
    return {
        row.file: any(_MOVED & set(cause.split("|")) for cause in row.causes)
        for row in night.snapshot(Settings()).rows
    }


def test_every_frame_has_a_label() -> None:
    assert set(_LABELS) == {path.name for path in _FOLDER.glob("*.fits.gz")}
    assert Counter(seen["label"] for seen in _LABELS.values()) == {
        "round": 31, "elongated": 16, "other": 1,
    }  # fmt: skip


def test_elongated_frames_are_called_trailed_or_knocked() -> None:
    """Of the 16 frames labelled as elongated, 85 % at least."""
    seen = [name for name, label in _LABELS.items() if label["label"] == "elongated"]
    agreed = [name for name in seen if _called_moved()[name]]
    assert len(agreed) >= 0.85 * len(seen), sorted(set(seen) - set(agreed))


def test_round_frames_are_not() -> None:
    """Of the frames that are surely round, 85 % at least."""
    seen = [name for name, label in _LABELS.items() if label["label"] == "round" and label["sure"]]
    wrong = [name for name in seen if _called_moved()[name]]
    assert len(wrong) <= 0.15 * len(seen), wrong
