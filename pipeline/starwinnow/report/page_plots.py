"""The plots of the page: empty until the page fills them from its data.

All share one source and one choice of frames. Colours are the page's: each glyph has its role as
a tag.
"""

import functools
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bokeh.plotting import figure

__all__ = ["PLOT_NAMES", "plots"]

_HEIGHT_PX = 170
_TALL_PX = 260
# What is drawn against time, with the name of its error and how its axis is called.
_SERIES: tuple[tuple[str, str, str], ...] = (
    ("worth_s", "worth_err_s", "worth"),
    ("fwhm_px", "fwhm_err_px", "FWHM, px"),
    ("hfr_px", "hfr_err_px", "HFR, px"),
    ("axis_ratio", "axis_ratio_err", "axis ratio"),
    ("transparency", "transparency_err", "transparency"),
    ("background_adu", "", "background, ADU"),
    ("temperature_c", "", "temperature, °C"),
    ("focuser_position", "", "focuser, steps"),
    ("dx_px", "", "shift x, px"),
    ("dy_px", "", "shift y, px"),
    ("rotation_deg", "", "turn, deg"),
)
# Steps of a time axis that are all written as time of day.
_CLOCKS = ("minutes", "hourmin", "hours", "days")
_SECONDS = ("seconds", "minsec", "milliseconds")
_ON_TIME = tuple(name for name, _, _ in _SERIES)
# In the order of the page, which draws what comes first first.
PLOT_NAMES = (*_ON_TIME[:8], "growth", "field", "focus", *_ON_TIME[8:])


@functools.cache
def plots(wanted: frozenset[str]) -> dict[str, Any]:
    """Make the plots that are wanted, by their names, as Bokeh's scripts take them.

    It takes a while, once for each choice of plots: they depend on nothing else.
    """
    # Bokeh takes half a second to load: only those pay who write the page.
    from bokeh.core.json_encoder import serialize_json  # noqa: PLC0415
    from bokeh.document import Document  # noqa: PLC0415
    from bokeh.models import ColumnDataSource, Range1d  # noqa: PLC0415

    document = Document()
    names = [name for name, _, _ in _SERIES]
    errors = [f"{error}{side}" for _, error, _ in _SERIES if error for side in ("_low", "_high")]
    columns = ["x", "marker", "colour", *names, *errors]
    source = ColumnDataSource({name: [] for name in columns}, name="frames")
    bands = ColumnDataSource({"left": [], "right": []}, name="bands")
    time = Range1d(0, 1, name="time")
    shown = []
    for name in (one for one in PLOT_NAMES if one in wanted):
        if name in _ON_TIME:
            plot = _on_time(name, source, time, bands)
        else:
            plot = {"growth": _growth, "focus": lambda: _focus(source), "field": _field}[name]()
        plot.name = name
        shown.append(plot)
        for renderer in plot.renderers:
            # Nothing is muted, and only frames are chosen: fewer models for the browser to make.
            renderer.muted_glyph = None
            if "points" not in renderer.glyph.tags:
                renderer.nonselection_glyph = None
    # Bokeh would look through all plots again with each that is added.
    with document.models.freeze():
        for plot in shown:
            document.add_root(plot)
    plain: dict[str, Any] = json.loads(serialize_json(document.to_json()))
    return plain


def _on_time(name: str, source: Any, time: Any, bands: Any) -> "figure":
    """Draw one figure of the frames, with its error where it has one, against time."""
    error, label = next(some[1:] for some in _SERIES if some[0] == name)
    plot = _plot(label, x_range=time, x_axis_type="datetime")
    plot.vstrip("left", "right", source=bands, level="underlay", tags=["band"])
    if error:
        plot.segment("x", f"{error}_low", "x", f"{error}_high", source=source, tags=["error"])
    if name == "focuser_position":
        plot.yaxis.ticker.min_interval = 1
    _points(plot, name, source)
    return plot


def _plot(label: str, **options: Any) -> "figure":
    """One empty plot of the page's width, without tools: the page follows pointer and keys."""
    from bokeh.models import DatetimeTickFormatter  # noqa: PLC0415
    from bokeh.plotting import figure  # noqa: PLC0415

    plot = figure(
        **{"height": _HEIGHT_PX, "min_border_left": 62, "min_border_right": 12, **options},
        sizing_mode="stretch_width",
        tools="",
        toolbar_location=None,
        y_axis_label=label,
        min_width=200,
        min_border_bottom=24,
    )
    plot.xaxis.minor_tick_line_color = plot.yaxis.minor_tick_line_color = None
    plot.yaxis.axis_label_text_font_style = "normal"
    plot.yaxis.ticker.desired_num_ticks = 4
    if options.get("x_axis_type") == "datetime":
        plot.xaxis.ticker.desired_num_ticks = 4
        plot.xaxis.formatter = DatetimeTickFormatter(
            **dict.fromkeys(_CLOCKS, "%H:%M"), **dict.fromkeys(_SECONDS, "%H:%M:%S")
        )
    return plot


def _points(plot: "figure", name: str, source: Any, x: str = "x") -> None:
    """Frames by the shape and colour of their verdict; those not chosen stay faint."""
    plot.scatter(
        x, name, source=source, marker="marker", size=6, line_color="colour", fill_color="colour",
        fill_alpha=0.35, line_alpha=0.9, nonselection_fill_alpha=0.06,
        nonselection_line_alpha=0.2, tags=["points"],
    )  # fmt: skip


def _growth() -> "figure":
    from bokeh.models import ColumnDataSource  # noqa: PLC0415

    names = ("frames", "plain_snr", "weighted_snr")
    curve = ColumnDataSource({name: [] for name in names}, name="curve")
    choice = ColumnDataSource({"frames": [], "snr": []}, name="choice")
    plot = _plot("signal-to-noise", height=_TALL_PX, x_axis_label="frames in the stack, best first")
    plot.xaxis.axis_label_text_font_style = "normal"
    plot.line("frames", "plain_snr", source=curve, line_width=2, tags=["strong"])
    plot.line(
        "frames", "weighted_snr", source=curve, line_width=2, line_dash="dashed", tags=["strong"]
    )
    plot.scatter(
        "frames", "snr", source=choice, marker="diamond", size=14, fill_alpha=0, line_width=2,
        tags=["strong"],
    )  # fmt: skip
    return plot


def _focus(source: Any) -> "figure":
    plot = _plot("HFR, px", height=_TALL_PX, x_axis_label="temperature, °C")
    plot.xaxis.axis_label_text_font_style = "normal"
    _points(plot, "hfr_px", source, x="temperature_c")
    return plot


def _field() -> "figure":
    """Draw the sensor: a smooth map of the FWHM as shades, stars' stretch as whiskers."""
    from bokeh.models import ColumnDataSource, Range1d  # noqa: PLC0415

    cells = ColumnDataSource({n: [] for n in ("x", "y", "w", "h", "shade")}, name="cells")
    whiskers = ColumnDataSource({n: [] for n in ("x0", "y0", "x1", "y1")}, name="whiskers")
    plot = _plot(
        "y, px",
        height=340,
        x_axis_label="x, px",
        x_range=Range1d(0, 1, name="field-x"),
        y_range=Range1d(0, 1, name="field-y"),
        match_aspect=True,
    )
    plot.xaxis.axis_label_text_font_style = "normal"
    plot.rect(
        "x", "y", width="w", height="h", source=cells, fill_color="shade", line_color=None,
        tags=["shades"],
    )  # fmt: skip
    plot.segment("x0", "y0", "x1", "y1", source=whiskers, line_width=2, tags=["strong"])
    return plot
