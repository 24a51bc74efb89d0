"""Draw the report that the documents show: `python docs/draw_report.py`.

The report of the sample night, opened from its file by a real browser without a window (Debian's
package chromium): by day, in red, on a phone, and printed.
"""

import shutil
import tempfile
import time
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright

from starwinnow.settings import Settings
from starwinnow_cli.score import score_folder

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"


def main() -> None:
    """Write the pictures."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as player:
        results = Path(folder)
        score_folder(ROOT / "sample_frames", results, Settings())
        address = (results / "report.html").as_uri()
        browser = player.chromium.launch(executable_path=shutil.which("chromium"))
        page = opened(browser, address, 1100)
        page.screenshot(path=DOCS / "report-day.png")
        page.locator("#h-cost").scroll_into_view_if_needed()
        page.screenshot(path=DOCS / "report-cost.png")
        page.select_option("#theme", "red")
        page.locator("#h-frames").evaluate("heading => heading.scrollIntoView()")
        page.wait_for_timeout(500)
        page.screenshot(path=DOCS / "report-red.png")
        page.select_option("#theme", "day")
        page.pdf(path=DOCS / "report-print.pdf")
        opened(browser, address, 390).screenshot(path=DOCS / "report-phone.png")
        browser.close()


def opened(browser: Any, address: str, width: int) -> Any:
    """Open the page, offline, and wait until it is drawn."""
    context = browser.new_context(
        viewport={"width": width, "height": 1000 if width > 500 else 800}, offline=True
    )
    page = context.new_page()
    page.goto(address)
    while not page.evaluate("document.documentElement.dataset.drawn || ''"):
        time.sleep(0.05)
    page.wait_for_timeout(300)
    return page


if __name__ == "__main__":
    main()
