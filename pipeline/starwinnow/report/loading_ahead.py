"""What writing the results needs loaded and made, done while a night still runs."""

import importlib
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from starwinnow.frame import Capture
from starwinnow.report.page_pictures import pack_ahead
from starwinnow.report.page_plots import PLOT_NAMES, plots

__all__ = ["LoadingAhead"]

# Each takes up to half a second to load.
_MODULES = (
    "astropy.table",
    "astropy.io.misc.yaml",
    "bokeh.plotting",
    "jinja2",
    "PIL.Image",
    "starwinnow.report.page",
)
# Plots that are drawn only where headers have these cards.
_TEMPERATURE_PLOTS, _FOCUSER_PLOTS = {"temperature_c", "focus"}, {"focuser_position"}


class LoadingAhead:
    """Loads modules, makes the page's empty plots and packs its pictures, a part at a time.

    Parameters
    ----------
    latest : callable
        Gives what the latest frame's header says, None before the first frame. Which plots the
        page will have is guessed from it; a wrong guess costs nothing but time.
    picture : callable
        Gives the small picture of the latest frame, None before the first one. A frame that comes
        and goes between two steps has its picture packed at the end.
    """

    def __init__(
        self,
        latest: Callable[[], Capture | None],
        picture: Callable[[], NDArray[np.uint8] | None],
    ) -> None:
        self._latest = latest
        self._picture = picture
        self._packed: NDArray[np.uint8] | None = None
        self._modules = list(_MODULES)
        self._made = False

    def step(self) -> bool:
        """Do one part; False when there is nothing to do now."""
        if self._modules:
            importlib.import_module(self._modules.pop(0))
            return True
        capture, picture = self._latest(), self._picture()
        if not self._made and capture is not None:
            self._made = True
            plots(_expected(capture))
            return True
        if picture is not None and picture is not self._packed:
            self._packed = picture
            pack_ahead(picture)
            return True
        return False


def _expected(capture: Capture) -> frozenset[str]:
    """Names of the plots that a night of such frames has."""
    temperatures = capture.focuser_temperature_c, capture.ambient_temperature_c
    missing: set[str] = set()
    if temperatures == (None, None):
        missing |= _TEMPERATURE_PLOTS
    if capture.focuser_position is None:
        missing |= _FOCUSER_PLOTS
    return frozenset(PLOT_NAMES) - missing
