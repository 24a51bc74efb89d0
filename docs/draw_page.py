"""Draw the phone page that the documents show: `python docs/draw_page.py`.

The made-up evening of `draw_screens.py`, served by the very server and shown by a real browser
without a window (Debian's package chromium) in the size of a small phone.
"""

import shutil
import socket
from dataclasses import replace
from pathlib import Path

import draw_screens
import numpy as np
from numpy.typing import NDArray
from playwright.sync_api import sync_playwright

from starwinnow_cli.phone.address import Place
from starwinnow_cli.phone.server import PageServer

DOCS = Path(__file__).parent
WIDTH, HEIGHT = 360, 640


def main() -> None:
    """Write the pictures."""
    night = replace(draw_screens.made_up_night(), picture=made_up_picture())
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        place = Place("127.0.0.1", probe.getsockname()[1])
    with PageServer(place, None) as server, sync_playwright() as player:
        server.publish(night)
        browser = player.chromium.launch(executable_path=shutil.which("chromium"))
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        page.goto(server.links[0])
        page.get_by_text("Keep").wait_for()
        page.screenshot(path=DOCS / "page-red.png")
        page.get_by_role("button", name="Day").click()
        page.screenshot(path=DOCS / "page-day.png")
        page.get_by_role("button", name="Red").click()
        page.get_by_role("button", name="Show the last frame").click()
        page.wait_for_function("document.getElementById('frame').naturalWidth > 0")
        page.locator("#frame").scroll_into_view_if_needed()
        page.screenshot(path=DOCS / "page-picture-red.png")
        browser.close()


def made_up_picture() -> NDArray[np.uint8]:
    """Make up stars on a dark ground."""
    rng = np.random.default_rng(7)
    y, x = np.mgrid[:80, :120]
    sky = rng.normal(24, 9, (80, 120))
    for _ in range(90):
        light, column, row = 60 * (1 + rng.pareto(1.3)), rng.uniform(0, 120), rng.uniform(0, 80)
        sky += light * np.exp(-((x - column) ** 2 + (y - row) ** 2) / 0.7)
    picture: NDArray[np.uint8] = np.clip(sky, 0, 255).astype(np.uint8)
    return picture


if __name__ == "__main__":
    main()
