"""How large and quick the report is, beside a page of bare Bokeh: writes tables/report.md.

`python benchmarks/report.py` takes a minute or two and wants Debian's package chromium. Both pages
are opened in turn, so that a busy machine slows both. The bare page holds as many plots with the
same frames and errors and nothing else.
"""

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from bokeh.embed import file_html
from bokeh.layouts import column
from bokeh.models import ColumnDataSource
from bokeh.plotting import figure
from bokeh.resources import Resources
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from report.made_nights import made_data

from starwinnow.report.page import night_page

PAGE = Path(__file__).parent / "tables" / "report.md"
ROUNDS = 5
SERIES = (
    ("worth_s", "worth_err_s"), ("fwhm_px", "fwhm_err_px"), ("hfr_px", "hfr_err_px"),
    ("axis_ratio", "axis_ratio_err"), ("transparency", "transparency_err"), ("background_adu", ""),
    ("noise_adu", ""), ("nea_px", ""), ("dx_px", ""), ("dy_px", ""), ("rotation_deg", ""),
)  # fmt: skip
# The report's map, growth and focus plots have this many fellows on the bare page.
MORE_PLOTS = 3
_DRAWN = {
    "ours": "Number(document.documentElement.dataset.drawn || 0)",
    "bare": "Bokeh.documents.length && Bokeh.documents[0].is_idle ? performance.now() : 0",
}
_TWO_DRAWINGS = "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"
_CHOOSE_OURS = (
    "async () => { const start = performance.now(); const range = document.getElementById('from');"
    " range.value = %d; range.dispatchEvent(new Event('input'));"
    f" await {_TWO_DRAWINGS}; return performance.now() - start; }}"
)
_CHOOSE_BARE = (
    "async () => { const start = performance.now();"
    " const source = Bokeh.documents[0].get_model_by_name('frames');"
    " source.selected.indices = Array.from({length: 1000 - %d}, (_, i) => i + %d);"
    f" await {_TWO_DRAWINGS}; return performance.now() - start; }}"
)


def main() -> None:
    """Measure and write the table."""
    lines = [
        "# The report's size and speed",
        "",
        f"Medians of {ROUNDS} openings from files in turn with bare Bokeh's page of as many plots,",
        "1280 px wide. First screen: it is drawn and a span can be chosen. All: every plot is",
        "drawn; the bare page shows none before. Choosing: until plots and table are drawn again.",
        "",
        "| frames | size, MB | bare, MB | first screen, ms | all, ms | bare, ms | first / bare |"
        " all / bare | choosing, ms | bare, ms | ratio |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as player:
        browser = player.chromium.launch(executable_path=shutil.which("chromium"))
        for frames in (3, 1000):
            data = made_data(frames)
            pages = {"ours": Path(folder) / "ours.html", "bare": Path(folder) / "bare.html"}
            pages["ours"].write_text(night_page(data), encoding="utf-8")
            pages["bare"].write_text(bare_page(data), encoding="utf-8")
            lines.append(row(frames, pages, browser))
        browser.close()
    PAGE.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))


def row(frames: int, pages: dict[str, Path], browser: Any) -> str:
    times: dict[str, list[float]] = {name: [] for name in ("first", "all", "bare")}
    chosen: dict[str, list[float]] = {name: [] for name in pages}
    for number in range(ROUNDS):
        for name, path in pages.items():
            page = browser.new_page(viewport={"width": 1280, "height": 900})
            page.goto(path.as_uri(), timeout=0)
            while not (at := page.evaluate(_DRAWN[name])):
                time.sleep(0.01)
            times["all" if name == "ours" else "bare"].append(at)
            if name == "ours":
                times["first"].append(
                    page.evaluate("Number(document.documentElement.dataset.ready)")
                )
            page.wait_for_timeout(500)
            if frames > 10:
                begin = 200 + number
                text = _CHOOSE_OURS % begin if name == "ours" else _CHOOSE_BARE % (begin, begin)
                chosen[name].append(page.evaluate(text))
            page.close()
    size = [f"{pages[name].stat().st_size / 1e6:.2f}" for name in ("ours", "bare")]
    first, every, bare = (statistics.median(times[name]) for name in ("first", "all", "bare"))
    cells = [*size, f"{first:.0f}", f"{every:.0f}", f"{bare:.0f}", f"{first / bare:.2f}"]
    cells += [f"{every / bare:.2f}", *compared(chosen)]
    return f"| {frames} | {' | '.join(cells)} |"


def compared(times: dict[str, list[float]]) -> list[str]:
    if not times["ours"]:
        return ["", "", ""]
    ours, bare = (statistics.median(times[name]) for name in ("ours", "bare"))
    return [f"{ours:.0f}", f"{bare:.0f}", f"{ours / bare:.2f}"]


def bare_page(data: dict[str, Any]) -> str:
    """Lay out the same series with Bokeh alone."""
    frames = data["frames"]
    columns = {"x": data["more"]["local_ms"]}
    for name, error in SERIES:
        columns[name] = frames[name]
        if error:
            pairs = list(zip(frames[name], frames[error], strict=True))
            columns[f"{name}_low"] = [a - b for a, b in pairs]
            columns[f"{name}_high"] = [a + b for a, b in pairs]
    source = ColumnDataSource(columns, name="frames")
    plots = []
    for name, error in (*SERIES, *SERIES[:MORE_PLOTS]):
        plot = figure(
            height=170, sizing_mode="stretch_width", tools="", toolbar_location=None,
            x_axis_type="datetime",
        )  # fmt: skip
        if error:
            plot.segment("x", f"{name}_low", "x", f"{name}_high", source=source)
        plot.scatter("x", name, source=source, size=6, fill_alpha=0.35)
        plots.append(plot)
    resources = Resources(mode="inline")
    page: str = file_html(column(*plots, sizing_mode="stretch_width"), resources, "bare")
    return page


if __name__ == "__main__":
    main()
