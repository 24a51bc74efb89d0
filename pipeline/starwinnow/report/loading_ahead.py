"""What writing the results needs loaded and made, done while a night still runs."""

import importlib
from collections.abc import Callable

from starwinnow.frame import Capture
from starwinnow.report.page_plots import PLOT_NAMES, plots

__all__ = ["LoadingAhead"]

# Each takes up to half a second to load.
_MODULES = ("astropy.table", "bokeh.plotting", "jinja2", "PIL.Image", "starwinnow.report.page")
# Plots that are drawn only where headers have these cards.
_TEMPERATURE_PLOTS, _FOCUSER_PLOTS = {"temperature_c", "focus"}, {"focuser_position"}


class LoadingAhead:
    """Loads modules and makes the page's empty plots, a part at a time.

    Parameters
    ----------
    latest : callable
        Gives what the latest frame's header says, None before the first frame. Which plots the
        page will have is guessed from it; a wrong guess costs nothing but time.
    """

    def __init__(self, latest: Callable[[], Capture | None]) -> None:
        self._latest = latest
        self._modules = list(_MODULES)
        self._made = False

    def step(self) -> bool:
        """Do one part; False when there is nothing to do now."""
        if self._modules:
            importlib.import_module(self._modules.pop(0))
            return True
        capture = self._latest()
        if self._made or capture is None:
            return False
        self._made = True
        plots(_expected(capture))
        return True


def _expected(capture: Capture) -> frozenset[str]:
    """Names of the plots that a night of such frames has."""
    temperatures = capture.focuser_temperature_c, capture.ambient_temperature_c
    missing: set[str] = set()
    if temperatures == (None, None):
        missing |= _TEMPERATURE_PLOTS
    if capture.focuser_position is None:
        missing |= _FOCUSER_PLOTS
    return frozenset(PLOT_NAMES) - missing
