"""The summary holds what the observer needs within 24 lines of 80 columns."""

import io
import re
from dataclasses import replace
from pathlib import Path

import pytest

from starwinnow_cli.screen import Emphasis, display_width
from starwinnow_cli.summary import listing, summary

PLAIN = Emphasis(io.StringIO())


@pytest.fixture(autouse=True)
def small_terminal(monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def text_of(snapshot, **options: int) -> str:
    return "\n".join(summary(snapshot, Path("garden"), Path("garden/starwinnow"), PLAIN, **options))


@pytest.mark.parametrize("runs", [1, 2, 9])
@pytest.mark.parametrize("frames", [1, 3, 8, 24, 300])
@pytest.mark.parametrize("unread", [0, 1, 40])
@pytest.mark.parametrize("prefix", ["a", "a_very_long_name_of_a_camera_program_" * 3, "星団" * 20])
def test_it_fits_the_screen(night, runs, frames, unread, prefix) -> None:
    snapshot = night(
        runs=runs, frames=frames, unread=unread, prefix=prefix, left_out=min(frames - 1, 90)
    )
    folder = Path("a_long_way") / prefix
    lines = summary(snapshot, folder, folder / "starwinnow", PLAIN)
    assert len(lines) <= 24
    assert max(display_width(line) for line in lines) <= 80
    assert max(display_width(line) for line in listing(snapshot, PLAIN)) <= 80


def test_it_tells_what_was_got_what_to_leave_out_and_what_next(night) -> None:
    text = " ".join(text_of(night()).split())
    assert "Collected 192 s in 24 frames of 8 s, filter R, 1920 x 1080 px" in text
    assert "Worth 132 s of frames like light_1_0001.fits (the reference)" in text
    assert "garden: 24 frames, " in text
    assert "local time, aim depth Collected" in text
    assert "Leave out 5 of 24 (ranks 20-24). A mean of the other 19 has 6.1 % more" in text
    assert "more signal-to-noise than one of all. Weighting all 24 gives 7.3 % more." in text
    assert "Next stack the 19 files in keep.txt" in text
    assert "Results garden/starwinnow: report.html, frames.ecsv, keep.txt" in text


def test_best_and_worst_frames_are_shown_with_error_time_and_verdict_in_words(night) -> None:
    lines = text_of(night()).splitlines()
    ranked = [line for line in lines if re.match(r" +\d+ ", line)]
    assert [int(line.split()[0]) for line in ranked] == [1, 2, 3, 22, 23, 24]
    assert re.search(r"2\.60 ±0\.02 +1\.45 +119 +0\.990 +7\.80 keep$", ranked[0])
    assert ranked[-1].endswith("leave out")


def test_long_names_lose_their_suffix_before_what_tells_them_apart(night) -> None:
    text = text_of(night(prefix="orchard-2024-03-09_"))
    assert "  1 orch..3-09_1_0001 " in text
    assert "  1 orchard-1_0001 " in text_of(night(prefix="orchard-"))


@pytest.mark.parametrize(("keep_snr", "little"), [(1.017, True), (1.061, False), (1.58, False)])
def test_a_little_gain_is_called_little(night, keep_snr, little) -> None:
    text = " ".join(text_of(night(keep_snr=keep_snr)).split())
    assert ("(ranks 20-24). That gains little: a mean of the other 19" in text) is little


def test_for_detail_it_tells_how_much_narrower_stars_get(night) -> None:
    snapshot = night()
    run = snapshot.runs[0]
    sharp = replace(run, gain=replace(run.gain, aim="detail"))
    text = " ".join(text_of(replace(snapshot, runs=(sharp,))).split())
    assert "than one of all and stars of FWHM 2.95 px instead of 3.14. Weighting all" in text


def test_nothing_to_leave_out_is_said(night) -> None:
    assert "Leave out   nothing: every frame helps" in text_of(night(left_out=0, keep_snr=1.0))


def test_unread_files_are_named_with_their_reason(night) -> None:
    text = text_of(night(unread=3))
    assert "Not read    light_torn_0.fits: it ends after 2880 bytes" in text
    assert "promises 8294400: copy it again" in " ".join(text.split())
    assert "... and 1 more, in frames.ecsv" in text


def test_every_run_has_its_line(night) -> None:
    text = text_of(night(runs=2))
    assert (
        len(re.findall(r"^ +[12] +24 +192 s +132 s +5 +6\.1 %  8 s, filter [LRGB]$", text, re.M))
        == 2
    )
    assert "Not scored  30 x not a light frame" in text


def test_a_night_in_which_nothing_could_be_read_says_so(night) -> None:
    text = text_of(night(runs=0, unread=2))
    assert "torn_1.fits: it ends" in text
    assert "Next" not in text


def test_a_run_without_scores_says_so(night) -> None:
    snapshot = night(frames=2, left_out=0)
    (run,) = snapshot.runs
    nothing = replace(run.gain, scored=0, kept=0, all_worth_s=float("nan"))
    rows = [
        replace(row, rank=None, verdict="not-scored", kept=False, causes=("few-stars",))
        for row in snapshot.rows
    ]
    run = replace(run, gain=nothing, reference=None, collected_s=float("nan"))
    text = text_of(replace(snapshot, runs=(run,), rows=tuple(rows)))
    assert "Collected   unknown time in 2 frames" in text
    assert "no frame could be scored" in text
    assert "2 x few stars" in text


def test_worth_counts_frames_where_no_exposure_is_known(night) -> None:
    snapshot = night()
    run = replace(snapshot.runs[0], worth_in_seconds=False)
    assert "132.0 reference frames" in text_of(replace(snapshot, runs=(run,)))


def test_the_listing_shows_every_frame_once_best_first(night) -> None:
    lines = listing(night(runs=2, unread=1), PLAIN)
    ranks = [int(line.split()[0]) for line in lines if re.match(r" +\d+ ", line)]
    assert ranks == [*range(1, 25), *range(1, 25)]
    assert sum("light_torn_0.fits: it ends" in line for line in lines) == 1
    assert "copy it again" in " ".join(lines)
    assert sum("dark_" in line for line in lines) == 30


def test_leave_out_stands_out(night, terminal) -> None:
    lines = listing(night(), Emphasis(terminal))
    assert sum(line.endswith(" \x1b[1mleave out\x1b[22m") for line in lines) == 5


def test_one_frame_is_one_frame(night) -> None:
    text = " ".join(text_of(night(frames=1, left_out=0)).split())
    assert "in 1 frame of 8 s" in text
    assert "Leave out nothing: one frame alone cannot be compared" in text
    assert "Next take the one file in keep.txt" in text
