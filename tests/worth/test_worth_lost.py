"""What each cause cost, worked out by hand."""

import math

import pytest

from starwinnow.diagnosis.causes import Cause, FrameDiagnosis
from starwinnow.diagnosis.worth_lost import worth_lost
from starwinnow.scoring import FrameScore

NAN = math.nan


def score(worth_s: float) -> FrameScore:
    return FrameScore(
        file_name="", relation=None, transparency=1.0, transparency_err=0.0, depth=1.0,
        worth_s=worth_s, worth_err_s=0.0,
    )  # fmt: skip


def lost(*frames: tuple[float, float, dict[str, float]]) -> dict[str, float]:
    """Frames as worth left, loss, and loss by cause."""
    diagnoses = [
        FrameDiagnosis(
            file_name="",
            causes=tuple(Cause(code=code, loss=part, evidence="") for code, part in parts.items()),
            loss=loss,
        )
        for _, loss, parts in frames
    ]
    return worth_lost(diagnoses, [score(worth) for worth, _, _ in frames])


def test_one_cause_bears_all() -> None:
    # 10 s were left of 40 s, twice.
    frame = (10.0, math.log(4), {"cloud": math.log(4)})
    assert lost(frame, frame) == pytest.approx({"cloud": 60.0})


def test_two_causes_share_by_what_each_would_cost_alone() -> None:
    # Of 80 s cloud alone leaves 40 and focus 20: 40 and 60 lost. Together they leave 10, so the
    # 70 lost part as 40 to 60.
    frame = (10.0, math.log(8), {"cloud": math.log(2), "out-of-focus": math.log(4)})
    found = lost(frame)
    assert found == pytest.approx({"out-of-focus": 42.0, "cloud": 28.0})
    assert list(found) == ["out-of-focus", "cloud"]


def test_a_loss_that_no_cause_explains_is_nobodys() -> None:
    # Of 80 s half went by cloud; the other half has no name: 40 s are cloud's.
    frame = (20.0, math.log(4), {"cloud": math.log(2)})
    assert lost(frame) == pytest.approx({"cloud": 40.0})


def test_what_cannot_be_told_costs_nothing() -> None:
    assert lost((10.0, NAN, {"cloud": 1.0}), (NAN, 1.0, {"cloud": 1.0})) == {}
    assert lost((10.0, 1.0, {"streak": NAN}), (10.0, 0.0, {"dew": 0.0}), (10.0, 0.0, {})) == {}
