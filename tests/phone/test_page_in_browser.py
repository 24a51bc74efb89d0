"""The page in a real browser: it updates, comes back, stays red, and can be used by all.

Needs Debian's package chromium; the rules of axe-core come with axe-playwright-python.
"""

import io
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.phone.address import Place
from starwinnow_cli.phone.server import PageServer

# A green or blue of 8 of 255 is darker than a phone's own black.
DARK = 8
TOKEN = "abcdefghjkmnpqrs"


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(viewport={"width": 360, "height": 640}, has_touch=True)
    page = context.new_page()
    page.complaints = []
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.on(
        "console",
        lambda line: "Content Security" in line.text and page.complaints.append(line.text),
    )
    yield page
    assert not page.complaints
    context.close()


@pytest.fixture
def server(place: Place, night: LiveSnapshot) -> Iterator[PageServer]:
    with PageServer(place, None) as running:
        running.publish(with_picture(night))
        yield running


def with_picture(night: LiveSnapshot) -> LiveSnapshot:
    return replace(night, picture=np.tile(np.arange(120, dtype=np.uint8) * 2, (80, 1)))


def opened(page: Any, server: PageServer) -> None:
    page.goto(server.links[0])
    page.get_by_role("heading", name="Keep").wait_for()


def pixels(page: Any) -> np.ndarray:
    image = pytest.importorskip("PIL.Image", reason="no reader of PNG is here")
    shot = page.screenshot(full_page=True)
    return np.asarray(image.open(io.BytesIO(shot)).convert("RGB"))


def serious(page: Any) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    found = Axe().run(page).response["violations"]
    return [f"{f['impact']} {f['id']}" for f in found if f["impact"] in {"serious", "critical"}]


def test_news_come_without_reload(page: Any, server: PageServer, night: LiveSnapshot) -> None:
    opened(page, server)
    page.evaluate("window.stays = true")
    worse = replace(night.strip[-1], file="the-next.fits", verdict="leave-out", kept=False)
    began = time.monotonic()
    server.publish(replace(night, last=worse, strip=(*night.strip[1:], worse), advice=()))
    page.get_by_role("heading", name="Leave out").wait_for()
    assert time.monotonic() - began < 2
    assert page.locator("#file").inner_text().startswith("the-next.fits")
    assert page.locator("#next").inner_text() == ""
    assert page.evaluate("window.stays") is True


def test_it_shows_what_the_terminal_shows(page: Any, server: PageServer) -> None:
    opened(page, server)
    text = page.inner_text("body")
    for wanted in ("Now: Light fell", "Twice as much in 58 min.", "HFR 1.92 ±0.02 px", "371 kept"):
        assert wanted in text
    kept, out = page.locator("#strip .k").count(), page.locator("#strip .b").count()
    assert kept + out == 59
    assert page.locator("#strip .x").count() == out + 1
    assert not page.locator("#rest").is_visible()
    page.get_by_role("button", name="One more note").tap()
    assert "recentre in about 12 min" in page.inner_text("#rest")


def test_it_comes_back_by_itself_after_a_restart(
    page: Any, place: Place, night: LiveSnapshot
) -> None:
    with PageServer(place, TOKEN) as first:
        first.publish(night)
        opened(page, first)
        page.evaluate("window.stays = true")
        clock = page.inner_text("#clock")
        began = time.monotonic()
    # Ctrl-C has two seconds in all, with a page open.
    assert time.monotonic() - began < 1
    page.get_by_text(f"No news since {clock}").wait_for(timeout=15_000)
    with PageServer(place, TOKEN) as second:
        second.publish(replace(night, target="back again"))
        page.get_by_role("heading", name="back again").wait_for(timeout=15_000)
        assert page.inner_text("#lost") == ""
    assert page.evaluate("window.stays") is True


def test_the_end_is_told_and_is_no_loss(page: Any, place: Place, night: LiveSnapshot) -> None:
    with PageServer(place, None) as server:
        server.publish(night)
        page.clock.install()
        opened(page, server)
        server.publish(replace(night, state="ended"))
    page.get_by_role("heading", name="The watch has ended.").wait_for()
    page.wait_for_timeout(500)
    page.clock.run_for(20_000)
    assert page.inner_text("#lost") == ""


def test_a_server_without_news_is_told_from_one_with(
    page: Any, server: PageServer, night: LiveSnapshot, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("starwinnow_cli.phone.board._FRESH_S", 0.5)
    page.clock.install()
    opened(page, server)
    clock = page.inner_text("#clock")
    page.clock.run_for(10_000)
    assert page.inner_text("#lost") == ""
    page.wait_for_timeout(1000)
    # It connects once more and is told how things stood: that is no news.
    with page.expect_response("**/events"):
        page.clock.run_for(10_000)
    page.wait_for_timeout(1000)
    assert page.inner_text("#lost") == f"No news since {clock}"
    server.publish(night)
    page.wait_for_function("document.getElementById('lost').textContent === ''", polling=100)


def test_red_is_nothing_but_red_in_every_state(
    page: Any, server: PageServer, night: LiveSnapshot
) -> None:
    opened(page, server)
    page.get_by_role("button", name="Show the last frame").tap()
    # The page lets nobody evaluate text, so a wait cannot look inside it by itself.
    width = 0
    for _ in range(100):
        width = page.evaluate("document.getElementById('frame').naturalWidth")
        if width > 0:
            break
        page.wait_for_timeout(100)
    assert width > 0
    page.get_by_role("button", name="One more note").tap()
    page.keyboard.press("Tab")
    shown = pixels(page)
    assert shown[:, :, 1:].max() <= DARK
    assert shown[:, :, 0].max() > 200
    # Most of it is black: a page is a lamp too.
    assert (shown.max(axis=2) <= DARK).mean() > 0.5
    server.publish(replace(night, state="folder-gone", last=None))
    page.get_by_text("The folder cannot be seen").wait_for()
    assert pixels(page)[:, :, 1:].max() <= DARK


def test_it_is_black_before_any_news(page: Any, place: Place) -> None:
    with PageServer(place, None) as empty:
        page.goto(empty.links[0])
        assert pixels(page)[:, :, 1:].max() <= DARK


def test_small_phones_need_no_sideways_scrolling_and_targets_are_big(
    page: Any, server: PageServer
) -> None:
    opened(page, server)
    assert page.evaluate("document.documentElement.scrollWidth") == 360
    strip = page.locator("#strip").bounding_box()
    assert strip["y"] + strip["height"] < 640
    for button in page.get_by_role("button").all():
        box = button.bounding_box()
        assert box["height"] >= 48
        assert box["width"] >= 48


def test_the_theme_is_chosen_and_remembered(page: Any, server: PageServer) -> None:
    opened(page, server)
    page.get_by_role("button", name="Day").tap()
    assert pixels(page)[:, :, 1:].max() > 200
    page.reload()
    page.get_by_role("button", name="Red").tap()
    assert pixels(page)[:, :, 1:].max() <= DARK


@pytest.mark.parametrize("theme", ["red", "day"])
def test_nothing_serious_for_those_who_see_or_use_it_otherwise(
    page: Any, server: PageServer, theme: str
) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not here")
    opened(page, server)
    if theme == "day":
        page.get_by_role("button", name="Day").tap()
    page.get_by_role("button", name="Show the last frame").tap()
    page.get_by_role("button", name="One more note").tap()
    assert serious(page) == []
    # The rules would see what is wrong.
    page.evaluate("document.documentElement.style.setProperty('--text', '#500000')")
    page.evaluate("document.documentElement.style.setProperty('--ground', '#000000')")
    page.evaluate("document.documentElement.style.setProperty('--card', '#000000')")
    assert serious(page) == ["serious color-contrast"]


def test_nothing_on_it_moves_or_is_drawn_anew_without_news(
    page: Any, server: PageServer, night: LiveSnapshot
) -> None:
    opened(page, server)
    page.evaluate(
        "window.changes = 0; new MutationObserver((all) => { window.changes += all.length; })"
        ".observe(document.body, {subtree: true, childList: true, characterData: true,"
        " attributes: true, attributeFilter: ['class', 'hidden', 'src', 'd']})"
    )
    before = pixels(page)
    clock = page.inner_text("#clock")
    for _ in range(3):
        server.publish(replace(with_picture(night), news_utc=datetime.now(UTC)))
        page.wait_for_timeout(500)
    if page.inner_text("#clock") == clock:
        assert page.evaluate("window.changes") == 0
        assert (pixels(page) == before).all()


def test_names_and_notes_are_text_and_never_markup(
    page: Any, server: PageServer, night: LiveSnapshot
) -> None:
    opened(page, server)
    odd = "<img src=x onerror=alert(1)>"
    advice = replace(night.advice[0], text=odd)
    last = replace(night.strip[-1], file="<b>.fits", note=odd)
    server.publish(replace(night, last=last, advice=(advice, advice), target="<i>"))
    page.get_by_role("heading", name="<i>").wait_for()
    assert page.locator("main img").count() == 1
    assert page.locator("b, i").count() == 0
    assert page.inner_text("#reason") == odd
