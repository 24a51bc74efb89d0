"""The report in a real browser, from a file, without a network.

Needs Debian's package chromium; the rules of axe-core come with axe-playwright-python.
"""

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from starwinnow.report import page as report_page
from starwinnow.report.page import night_page
from starwinnow.report.page_data import page_data

from .made_nights import HOSTILE, made_data, made_night, without_scores

DARK = 8
WIDTHS = (1280, 390)
MOST_STOPS = 25


class Reader:
    """Opens pages as a reader would: from a file, offline, with every complaint kept."""

    def __init__(self, browser: Any, folder: Path) -> None:
        self.browser, self.folder, self.complaints = browser, folder, []
        self.contexts: list[Any] = []

    def open(self, data: dict[str, Any], *, width: int = 1280, theme: Any = "device") -> Any:
        path = self.folder / "report.html"
        path.write_text(night_page(data, theme=theme), encoding="utf-8")
        context = self.browser.new_context(
            viewport={"width": width, "height": 800}, offline=True, has_touch=width < 500,
            is_mobile=width < 500,
        )  # fmt: skip
        self.contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("requestfailed", lambda request: self.complaints.append(request.url[:200]))
        page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        page.on(
            "console",
            lambda line: line.type in {"error", "warning"} and self.complaints.append(line.text),
        )
        page.goto(path.as_uri())
        for _ in range(200):
            if page.evaluate("document.documentElement.dataset.drawn || ''"):
                return page
            page.wait_for_timeout(50)
        raise AssertionError(f"the page was not drawn in time: {self.complaints}")


@pytest.fixture
def reader(browser: Any, tmp_path: Path) -> Iterator[Reader]:
    reading = Reader(browser, tmp_path)
    yield reading
    for context in reading.contexts:
        context.close()
    assert reading.complaints == []


def pixels(page: Any) -> np.ndarray:
    image = pytest.importorskip("PIL.Image", reason="no reader of PNG is here")
    page.wait_for_timeout(150)
    return np.asarray(image.open(io.BytesIO(page.screenshot(full_page=True))).convert("RGB"))


def violations(page: Any) -> list[str]:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415

    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {[node['target'] for node in one['nodes']][:3]}" for one in found]


@pytest.mark.parametrize("width", WIDTHS)
def test_no_complaint_and_no_scrolling_sideways(reader: Reader, width: int) -> None:
    page = reader.open(made_data(), width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.locator("#thumbs summary").click()
    page.locator("#method summary").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator("#thumbs img").count() == 24


@pytest.mark.parametrize("width", WIDTHS)
def test_rules_of_access_hold_in_all_themes(reader: Reader, width: int) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not here")
    page = reader.open(made_data(4, runs=2, unread=2), width=width)
    for theme in ("day", "night", "red"):
        page.select_option("#theme", theme)
        assert violations(page) == [], theme


def test_rules_of_access_would_see_what_is_wrong(reader: Reader) -> None:
    pytest.importorskip("axe_playwright_python", reason="axe-playwright-python is not here")
    page = reader.open(made_data(1), theme="red")
    page.evaluate("document.documentElement.style.setProperty('--ink', '#400000')")
    assert any(one.startswith("color-contrast") for one in violations(page))


def test_red_is_nothing_but_red(reader: Reader) -> None:
    page = reader.open(made_data(), width=390, theme="red")
    page.locator("#thumbs summary").click()
    page.locator(".figure summary").first.click()
    page.locator("#find").focus()
    shown = pixels(page)
    assert shown[:, :, 1:].max() <= DARK
    assert shown[:, :, 0].max() > 200


def test_theme_follows_the_device(reader: Reader) -> None:
    page = reader.open(made_data())
    page.emulate_media(color_scheme="light")
    assert pixels(page)[5, 5].min() > 200
    page.emulate_media(color_scheme="dark")
    assert pixels(page)[5, 5].max() < 60


def test_few_tab_stops_reach_all(reader: Reader) -> None:
    page = reader.open(made_data(runs=2))
    stops = []
    for _ in range(MOST_STOPS + 10):
        page.keyboard.press("Tab")
        name = page.evaluate(
            "(e => e === document.body ? '' : e.id || e.tagName + e.textContent.slice(0, 9))"
            "(document.activeElement)"
        )
        if not name or name in stops:
            break
        stops.append(name)
    assert len(stops) <= MOST_STOPS
    assert {"theme", "frame", "from", "to", "sort", "find", "run"} <= set(stops)


def test_keys_choose_a_span_for_plots_and_table(reader: Reader) -> None:
    page = reader.open(made_data())
    page.locator("#from").focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    assert page.inner_text("#span-words").startswith("19 of 24 frames chosen")
    assert page.inner_text("#count").startswith("19 of 24 frames")
    chosen = page.evaluate("source('frames').selected.indices")
    assert chosen == list(range(5, 24))
    assert "19 of 19 frames" in page.inner_text("#summary-worth_s")
    told = page.inner_text("#summary-focuser_position")
    assert told == "Median 12345 steps, from 12345 to 12345; 19 of 19 frames."


def test_dragging_chooses_a_span(reader: Reader) -> None:
    page = reader.open(made_data())
    box = page.locator("#plot-worth_s").bounding_box()
    y = box["y"] + box["height"] / 2
    page.locator("#plot-worth_s").scroll_into_view_if_needed()
    box = page.locator("#plot-worth_s").bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + 0.4 * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.6 * box["width"], y, steps=4)
    page.mouse.up()
    count = int(page.inner_text("#span-words").split()[0])
    assert 3 <= count <= 8
    page.locator("#whole").click()
    assert page.inner_text("#span-words").startswith("24 of 24")


def test_tapping_tells_what_hovering_tells(reader: Reader) -> None:
    texts = []
    for width in WIDTHS:
        page = reader.open(made_data(), width=width)
        for name, readout in (("worth_s", "readout-words"), ("growth", "readout-growth"),
                              ("field", "readout-field")):  # fmt: skip
            plot = page.locator(f"#plot-{name}")
            plot.scroll_into_view_if_needed()
            place = page.evaluate(
                f"(b => b.left + 0.4 * (b.right - b.left))(state.views['{name}'].frame.bbox)"
            )
            if width < 500:
                plot.tap(position={"x": place, "y": 60})
            else:
                plot.hover(position={"x": place, "y": 60})
            texts.append(page.inner_text(f"#{readout}"))
    assert texts[:2] == texts[3:5]
    assert "rank" in texts[0]
    assert "weighted" in texts[1]
    assert "FWHM" in texts[2]


def test_table_sorts_and_filters(reader: Reader) -> None:
    page = reader.open(made_data(unread=3))
    page.select_option("#sort", "rank")
    first = page.locator("#table tbody tr").first.inner_text()
    assert "\t1\t" in first
    page.select_option("#cause", "cloud")
    assert page.inner_text("#count").startswith("4 of 27 frames")
    page.select_option("#cause", "")
    page.fill("#find", "torn_1")
    assert page.inner_text("#count").startswith("1 of 27 frames")
    page.fill("#find", "")
    page.locator("#all").check()
    heads = page.locator("#table th").count()
    assert heads == len(made_data()["columns"]) + 1


def test_hostile_text_is_text(reader: Reader) -> None:
    data = made_data(hostile=True, unread=2)
    page = reader.open(data, width=390)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("main script, main img[onerror]").count() == 0
    assert page.inner_text("h1") == HOSTILE[0]
    page.locator("#thumbs summary").click()
    shown = page.evaluate("frames.file")
    assert shown == data["frames"]["file"]
    assert HOSTILE[1] in page.locator("#table").inner_text()


@pytest.mark.parametrize("items", [7, 256])
def test_the_page_holds_the_figures_of_the_files(reader: Reader, monkeypatch, items) -> None:
    """However many items of a list are written at once."""
    monkeypatch.setattr(report_page, "_ITEMS", items)
    data = made_data(unread=1)
    page = reader.open(data)
    read = json.loads(page.locator("#data").text_content())
    assert read == json.loads(json.dumps(data, default=list))


@pytest.mark.parametrize("frames", [1, 3])
def test_small_nights(reader: Reader, frames: int) -> None:
    page = reader.open(made_data(frames))
    assert page.inner_text("#count").startswith(f"{frames} of {frames} frames")


def test_nights_without_times_or_anything_usable(reader: Reader) -> None:
    page = reader.open(made_data(known=False))
    assert page.locator("#plot-temperature_c").count() == 0
    assert "24 of 24" in page.inner_text("#count")
    snapshot, measures = made_night(6)
    page = reader.open(page_data(without_scores(snapshot), measures, folder="dull"))
    assert "could be scored" in page.inner_text(".headline")
    empty, _ = made_night(0, runs=0, unread=3)
    page = reader.open(page_data(empty, {}, folder="empty"))
    assert "3 of 3 frames" in page.inner_text("#count")


def test_a_second_run_can_be_chosen(reader: Reader) -> None:
    page = reader.open(made_data(8, runs=2))
    page.select_option("#run", "2")
    assert "field2_0000.fits" in page.inner_text("#readout-words")
    assert page.inner_text("#count").startswith("8 of 16")


def test_a_large_night_is_quick_and_prints_in_order(reader: Reader, tmp_path: Path) -> None:
    data = made_data(1000)
    page = reader.open(data)
    size = (tmp_path / "report.html").stat().st_size
    assert size < 2e6 + 4e3 * 1000
    assert page.locator("#table tbody tr").count() == 100
    assert page.inner_text("#count") == "1000 of 1000 frames; shown: 1 to 100."
    printed = page.pdf()
    assert printed.startswith(b"%PDF")
    assert printed.count(b"/Type /Page\n") <= 9
