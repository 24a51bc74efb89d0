"""The live screen: fits, stays where it is, is red where red is asked for; lines for a pipe."""

import importlib.util
import io
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest

from starwinnow.live_snapshot import LiveCounts, LiveReference, LiveSnapshot, WorthSoFar
from starwinnow_cli.live_lines import news_lines, screen_lines
from starwinnow_cli.screen import Emphasis, LiveTerminal, RedEmphasis, coloured, display_width

DOCS = Path(__file__).parents[2] / "docs"
PLAIN = Emphasis(io.StringIO())
CODE = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")

SCREEN = """\
garden, demo field, aim depth                               21:43:07 local time

KEEP   demo-field_0402.fits   judged 21:43:05
worth 5.76 of 8 s   light 0.864   FWHM 2.93 px   stars 214   background 671


Worth      46 min from 53 min of exposure, 3.2 mag deeper than one frame. Twice
           as much in 58 min.
Frames     371 kept, 28 left out, 4 of them either way, 2 not scored,
           1 unreadable, 371 passed on
Reference  demo-field_0087.fits, settled, changed once
Focus      HFR 1.92 ±0.02 px, best 1.81, +0.31 ±0.05 px an hour, 7.4 °C

Last 60    ▇█▇█▇▇█▇▇▇▇▇▇▇▇▇▇▇▇▇▇▆▇▇▅▄▂▂▂▂▂▃▄▇▇▆▇▆▆▇▆▆▇▆▆▆ ▇▆▆▆▆▆▆▆▆▆▆▆▆
                                     xxxxx               -
           x left out  ? either way  - not scored   bars: worth

Now        Light fell from 0.98 to 0.86 and a glow grows around the stars: dew
           on the lens? Look at it with a dim red lamp; warm it gently.
Note       The field drifts: recentre in about 12 min, 8 % of it is gone.
Changed    demo-field_0012.fits: passed on, but now left out


Ctrl-C ends the watch and writes the results.
"""


@pytest.fixture(scope="module")
def drawing() -> ModuleType:
    spec = importlib.util.spec_from_file_location("draw_screens", DOCS / "draw_screens.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(autouse=True)
def _greenwich() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TZ", "UTC")
        time.tzset()
        yield
    time.tzset()


@pytest.fixture
def night(drawing: ModuleType) -> LiveSnapshot:
    return drawing.made_up_night()


def lines_of(drawing, night, size=(80, 24), emphasis=PLAIN, **options) -> list[str]:
    return screen_lines(night, emphasis, size=size, now=drawing.NOW, **options)


def test_the_screen_is_as_drawn(drawing, night) -> None:
    shown = "".join(f"{line.rstrip()}\n" for line in lines_of(drawing, night))
    assert shown == SCREEN


def test_pictures_in_the_documents_are_those_of_today(drawing) -> None:
    for name, text in drawing.pictures().items():
        assert (DOCS / name).read_text(encoding="utf-8") == text, name


@pytest.mark.parametrize("size", [(80, 24), (60, 20), (20, 10), (100, 30), (200, 60)])
@pytest.mark.parametrize("advice", [0, 1, 9])
def test_it_fits_every_terminal(drawing, night, size, advice) -> None:
    full = replace(night, advice=(night.advice * 5)[:advice])
    lines = lines_of(drawing, full, size)
    assert len(lines) == max(size[1], 18)
    assert max(map(display_width, lines)) < min(max(size[0], 60), 120)
    assert lines[-1].startswith("Ctrl-C ends")


def test_lines_above_the_advice_stay_where_they_are(drawing, night) -> None:
    """Only the texts change, so the eye finds each where it was."""
    labels = [
        [line[:9] for line in lines_of(drawing, one)[:16]]
        for one in (night, replace(night, advice=(), revisions=()))
    ]
    assert labels[0] == labels[1]


def test_a_small_terminal_shows_advice_and_whole_words(drawing, night) -> None:
    lines = lines_of(drawing, night, (60, 20))
    assert "" not in lines[:-4]
    assert lines[2] == "worth 5.76 of 8 s   light 0.864   FWHM 2.93 px   stars 214"
    assert any(line.startswith("Now ") for line in lines)


def test_lines_below_the_counts_stay_where_they_are(drawing, night) -> None:
    few = replace(night, counts=LiveCounts(frames=1, kept=1), worth=WorthSoFar(kept_s=8.0))
    for size in ((80, 24), (200, 60)):
        rows = [
            [line.startswith("Focus") for line in lines_of(drawing, one, size)].index(True)
            for one in (night, few)
        ]
        assert rows[0] == rows[1]


def test_the_last_frames_words(drawing, night) -> None:
    """A long name gives way; what could not be read says why in full; causes are words."""
    last = replace(
        night.last, file="a" * 60 + ".fits", verdict="marginal", kept=False, provisional=True,
        causes=("not-light",),
    )  # fmt: skip
    waiting = replace(night.counts, waiting=12)
    lines = lines_of(drawing, replace(night, last=last, counts=waiting))
    assert lines[2].startswith("LEAVE OUT? (provisional)   aa")
    assert lines[2].endswith("   judged 21:43:05   12 waiting")
    assert lines[4] == "not a light frame"
    note = "truncated: no END card in the 285120 bytes of its header; copy it again from the camera"
    unread = replace(last, verdict="not-scored", stars=None, note=note)
    lines = lines_of(drawing, replace(night, last=unread))
    assert " ".join(lines[3:5]) == note


def test_a_trend_within_chance_is_not_shown(drawing, night) -> None:
    focus = replace(night.focus, rate_px_per_hour=4.2, rate_err_px_per_hour=11.2)
    assert "an hour" not in "".join(lines_of(drawing, replace(night, focus=focus)))


def test_one_frame_more_is_one_frame(drawing, night) -> None:
    reference = LiveReference(file="a.fits", frames_left=1)
    lines = lines_of(drawing, replace(night, reference=reference))
    assert "Reference  a.fits; settles after 1 more scored frame" in lines


def test_an_empty_night_waits(drawing) -> None:
    empty = LiveSnapshot(folder="garden", state="waiting", news_utc=drawing.NOW)
    lines = lines_of(drawing, empty)
    assert lines[2] == "Waiting for the first frame, since 21:43:07."
    assert lines[3].startswith("Let the capture program save every exposure")
    assert not any(line.startswith(("Last", "time")) for line in lines)
    assert "settles after" not in lines[6]
    gone = replace(empty, state="folder-gone")
    assert "cannot be seen" in lines_of(drawing, gone)[2]


def test_a_terminal_without_blocks_gets_digits(drawing, night) -> None:
    (strip,) = [x for x in lines_of(drawing, night, blocks=False) if x.startswith("Last 60")]
    assert strip.isascii()
    assert set(strip.split(maxsplit=2)[2]) <= set("12345678 ")


def test_red_is_nothing_but_red(drawing, night, terminal, monkeypatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    red = RedEmphasis(terminal)
    with LiveTerminal(terminal, red) as screen:
        screen.draw(lines_of(drawing, night, emphasis=red))
    sent = terminal.getvalue()
    colours = set(re.findall(r"([34]8;5;\d+)", sent))
    # Of the 256 colours 16 is black; 88, 124, 196 hold red alone.
    assert colours == {"48;5;16", "38;5;88", "38;5;124", "38;5;196"}
    plain = [code for code in CODE.findall(sent) if code.endswith("m") and "8;5;" not in code]
    assert plain == ["\x1b[0m"]
    first_text = sent.index("garden")
    assert "48;5;16" in sent[:first_text]


def test_the_terminal_is_left_as_it_was_and_drawn_only_when_it_changes(terminal) -> None:
    with LiveTerminal(terminal, PLAIN) as screen:
        screen.draw(["one"])
        before = terminal.getvalue()
        screen.draw(["one"])
        assert terminal.getvalue() == before
        assert "\x1b[2J" not in before
        screen.leave()
        screen.draw(["two"])
    assert terminal.getvalue().startswith("\x1b[?1049h")
    assert "two" not in terminal.getvalue()
    assert terminal.getvalue().endswith("\x1b[?1049l")
    assert terminal.getvalue().count("\x1b[?1049l") == 1


def test_what_follows_the_live_screen_is_red_too(terminal) -> None:
    red = RedEmphasis(terminal)
    with coloured(terminal, red):
        with LiveTerminal(terminal, red):
            pass
        terminal.write("results")
    _, after = terminal.getvalue().split("\x1b[?1049l")
    assert after == f"{red.ground}results\x1b[0m\x1b[K"


def test_the_days_colours_are_left_alone(terminal) -> None:
    with coloured(terminal, Emphasis(terminal)):
        terminal.write("results")
    assert terminal.getvalue() == "results"


def test_lines_for_a_pipe_tell_what_is_new(night) -> None:
    before = replace(night, advice=night.advice[:1], revisions=(), reference=LiveReference())
    now = replace(night, advice=night.advice[1:])
    provisional = replace(night.strip[-1], provisional=True)
    assert news_lines([provisional], before, now) == [
        "21:43:05 keep demo-field_0402.fits (provisional) (fed): worth 5.76, light 0.864, "
        "HFR 1.89 px, 214 stars",
        "21:43:04 ! The field drifts: recentre in about 12 min, 8 % of it is gone.",
        "21:43:04 - no longer: dew",
        "21:43:04 ~ demo-field_0012.fits: now leave out, and stays in the feed",
        "21:43:04 the reference has settled: demo-field_0087.fits",
    ]
    assert news_lines([], now, now) == []
    gone = replace(now, state="folder-gone")
    assert news_lines([], now, gone) == ["21:43:04 the folder cannot be seen; looking for it"]
