"""Where an episode begins and ends, and that a quiet night has none."""

from datetime import timedelta

import pytest

from starwinnow.diagnosis import Episode, RunDiagnosis

from .made_runs import CARD, START, causes, codes, quiet, spoilt, told

STEP = range(18, 28)


def ends(episode: Episode) -> tuple[int, int]:
    return int(episode.first_file[6:9]), int(episode.last_file[6:9])


def of(diagnosis: RunDiagnosis, cause: str) -> list[tuple[int, int]]:
    return [ends(one) for one in diagnosis.episodes if one.cause == cause]


@pytest.mark.parametrize(
    ("cause", "changes"),
    [
        ("bright-sky", {"noise": 1.15}),
        ("cloud", {"light": 0.8}),
        ("out-of-focus", {"waves": 0.5}),
        ("soft-seeing", {"wider": 1.25}),
        ("trailed", {"trail_px": (3.0, 2.0)}),
    ],
)
def test_a_clean_step_ends_within_a_frame(cause: str, changes: dict[str, object]) -> None:
    diagnosis = told(spoilt(quiet(45, seeing_scatter=0.008), STEP, **changes))
    [(first, last)] = of(diagnosis, cause)
    assert abs(first - 18) <= 1
    assert abs(last - 27) <= 1
    [episode] = [one for one in diagnosis.episodes if one.cause == cause]
    assert episode.frames == last - first + 1
    # A frame every ten seconds, eight seconds long.
    assert episode.start_utc == START + timedelta(seconds=10 * first)
    assert episode.end_utc == START + timedelta(seconds=10 * last + 8)
    assert 0 < episode.cost_s < episode.exposed_s


def test_what_an_episode_cost() -> None:
    """Noise a half higher leaves 1/2.25 of ten frames of eight seconds."""
    diagnosis = told(spoilt(quiet(45), STEP, noise=1.5))
    [episode] = diagnosis.episodes
    assert episode.exposed_s == pytest.approx(80, rel=0.06)
    assert episode.cost_s == pytest.approx(80 * (1 - 1 / 2.25), rel=0.06)


WAYS = [(4.0, 1.0, 0.3), (-2.0, 5.0, 0.45), (0, 0, 0), (3.0, -4.0, 0.2), (-5.0, -1.0, 0.4)]


def test_a_gap_is_bridged_only_where_worth_was_lost_too() -> None:
    plain = quiet(40, seeing_scatter=0.008)
    knocked = spoilt(plain, [20, 21, 23, 24], knock=lambda row: WAYS[row - 20])
    assert of(told(knocked), "knocked") == [(20, 21), (23, 24)]
    lit = told(spoilt(knocked, [22], noise=1.2))
    assert codes(lit, [22]) == ["bright-sky"]
    [episode] = [one for one in lit.episodes if one.cause == "knocked"]
    assert ends(episode) == (20, 24)
    assert episode.frames == 4


def test_two_frames_in_the_gap_part_an_episode_whatever_they_lost() -> None:
    ways = [*WAYS[:2], (0, 0, 0), (0, 0, 0), *WAYS[3:]]
    made = spoilt(quiet(40, seeing_scatter=0.008), range(20, 26), knock=lambda row: ways[row - 20])
    made = spoilt(made, [22, 23], noise=1.3)
    assert of(told(made), "knocked") == [(20, 21), (24, 25)]


def test_a_single_frame_is_no_episode() -> None:
    diagnosis = told(spoilt(quiet(40, seeing_scatter=0.008), [20], knock=(4.0, 2.0, 0.3)))
    assert codes(diagnosis, [20]) == ["knocked"]
    assert diagnosis.episodes == ()


def test_two_troubles_at_once_are_two_episodes() -> None:
    made = spoilt(quiet(45), range(15, 27), waves=0.6)
    diagnosis = told(spoilt(made, range(20, 32), noise=1.3))
    assert of(diagnosis, "out-of-focus") == [(15, 26)]
    assert of(diagnosis, "bright-sky") == [(20, 31)]


def test_refocusing_is_advised_by_the_temperature() -> None:
    """A tube that cools by .2 C a frame, and its focus with it, from frame 20 on."""
    made = spoilt(
        quiet(40),
        range(40),
        waves=lambda row: round(0.06 * max(row - 19, 0), 2),
        card=lambda row: {**CARD, "focuser_temperature_c": 8.0 - 0.2 * max(row - 19, 0)},
    )
    [episode] = [one for one in told(made).episodes if one.cause == "out-of-focus"]
    first, last = ends(episode)
    assert 21 <= first <= 27
    assert last == 39
    assert f"while it cooled {0.2 * (last - first):.1f} C" in episode.size
    assert episode.advice.startswith("Refocus after each ")


@pytest.mark.parametrize("seed", range(8))
def test_a_quiet_night_has_no_episode(seed: int) -> None:
    """Seeing that remembers itself wanders by 2 % and is no one's fault."""
    diagnosis = told(quiet(40, seed, seeing_scatter=0.02, memory=0.5 + 0.05 * seed))
    assert diagnosis.episodes == ()
    assert sum(bool(found) for found in causes(diagnosis)) <= 3
    assert set.union(*causes(diagnosis)) <= {"soft-seeing", "out-of-focus|soft-seeing"}
