"""The night's report: one page that holds all it needs."""

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from starwinnow.frame_measures import FrameMeasures
from starwinnow.night import NightSnapshot
from starwinnow.report.exports import PAGE_NAME, write_text
from starwinnow.report.page_data import page_data
from starwinnow.report.page_plots import PLOT_NAMES, plots

__all__ = ["PAGE_THEMES", "PageTheme", "night_page", "write_page"]

PageTheme = Literal["device", "day", "night", "red"]
PAGE_THEMES: tuple[PageTheme, ...] = ("device", "day", "night", "red")

_FILES = Path(__file__).parent / "page_files"
# In the order in which the page runs them.
_SCRIPTS = ("data.js", "plots.js", "choosing.js", "pointer.js", "table.js", "page.js")

# Items of a list turned into text at once.
_ITEMS = 256

# Stands for the data while the rest is rendered; no text of a night can look so, being escaped.
_BLOCK = "<!-- data -->"


def write_page(
    snapshot: NightSnapshot,
    measures: Mapping[str, FrameMeasures],
    results: Path,
    *,
    folder: str,
    theme: PageTheme = "device",
) -> None:
    """Write `report.html`, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written; the former one is then still whole.
    """
    data = page_data(snapshot, measures, folder=folder)
    write_text(results / PAGE_NAME, page_parts(data, theme=theme))


def night_page(data: Mapping[str, Any], *, theme: PageTheme = "device") -> str:
    """Lay out the page, in one text: see `page_parts`."""
    return "".join(page_parts(data, theme=theme))


def page_parts(data: Mapping[str, Any], *, theme: PageTheme = "device") -> Iterator[str]:
    """Lay out the page.

    Parameters
    ----------
    data : mapping
        What `page_data` gives.
    theme : {'device', 'day', 'night', 'red'}
        What the page opens with; 'device' follows the reader's device.

    Yields
    ------
    str
        Parts of HTML whose content security policy forbids the network and any script but its own.
    """
    # It takes a while to load: only those pay who write the page.
    from jinja2 import Environment, FileSystemLoader, StrictUndefined  # noqa: PLC0415
    from markupsafe import Markup  # noqa: PLC0415

    drawn = _known_series(data)
    scripts = [_bokeh_script(), *((_FILES / name).read_text(encoding="utf-8") for name in _SCRIPTS)]
    environment = Environment(
        loader=FileSystemLoader(_FILES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    runs = data["night"]["runs"]
    largest = max(runs, key=lambda run: run["frames"])["run"] if runs else None
    page = environment.get_template("page.html").render(
        data=data,
        runs=runs,
        largest=largest,
        theme=theme,
        policy="; ".join(_policy(scripts)),
        style=Markup((_FILES / "page.css").read_text(encoding="utf-8")),
        scripts=[Markup(script) for script in scripts],
        block=Markup(_BLOCK),
        drawn=drawn,
        plots=Markup(_safe_json(plots(drawn))),
    )
    # The data are most of a long night's page, and each step with a whole page copies it.
    before, _, after = page.partition(_BLOCK)
    yield before
    yield from _json_parts(data)
    yield after


def _known_series(data: Mapping[str, Any]) -> frozenset[str]:
    """Names of the plots that have something to show."""
    columns = data["frames"] | data["more"]
    names = {name for name, some in columns.items() if any(value is not None for value in some)}
    runs = data["night"]["runs"]
    names |= {"growth"} if any(run["growth"]["frames"] for run in runs) else set()
    names |= {"field"} if any(run["field"] and run["field"]["cells"] for run in runs) else set()
    names |= {"focus"} if {"temperature_c", "hfr_px"} <= names else set()
    return frozenset(names & set(PLOT_NAMES)) if runs else frozenset()


def _bokeh_script() -> str:
    """Bokeh's own script, from the installed package."""
    from bokeh.resources import Resources  # noqa: PLC0415

    found: list[str] = Resources(mode="inline", components=["bokeh"]).js_raw
    return found[0]


def _policy(scripts: list[str]) -> list[str]:
    hashes = [
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'"
        for script in scripts
    ]
    # Bokeh sets styles of its own inside its plots.
    return [
        "default-src 'none'",
        f"script-src {' '.join(hashes)}",
        "style-src 'unsafe-inline'",
        "img-src data:",
        "base-uri 'none'",
        "form-action 'none'",
    ]


def _json_parts(data: Mapping[str, Any]) -> Iterator[str]:
    """Members of an object, and of the objects in it: what each takes while it is made is small."""
    separator = "{"
    for key, value in data.items():
        yield f"{separator}{_safe_json(key)}:"
        separator = ","
        if isinstance(value, dict) and value:
            yield from _json_parts(value)
        elif isinstance(value, Sequence) and not isinstance(value, str) and value:
            yield from _list_parts(value)
        else:
            yield _safe_json(value)
    yield "}"


def _list_parts(values: Sequence[Any]) -> Iterator[str]:
    for start in range(0, len(values), _ITEMS):
        yield ("," if start else "[") + _safe_json(values[start : start + _ITEMS])[1:-1]
    yield "]"


def _safe_json(value: Any) -> str:
    """JSON that cannot end the block it stands in, whatever its texts hold."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
