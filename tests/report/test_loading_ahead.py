"""What is loaded and made while a night runs is what its report needs."""

import pytest

from starwinnow.report.loading_ahead import LoadingAhead
from starwinnow.report.page import night_page
from starwinnow.report.page_data import page_data
from starwinnow.report.page_plots import plots

from .made_nights import made_night


@pytest.mark.parametrize("known", [True, False])
def test_the_page_finds_its_plots_made(known: bool) -> None:
    snapshot, measures = made_night(known=known)
    plots.cache_clear()
    latest = next(reversed(measures.values()))
    ahead = LoadingAhead(lambda: latest.capture)
    while ahead.step():
        pass
    made = plots.cache_info().misses
    night_page(page_data(snapshot, measures, folder="made-up night"))
    assert made == 1
    assert plots.cache_info().misses == made


def test_plots_wait_for_the_first_frame() -> None:
    plots.cache_clear()
    ahead = LoadingAhead(lambda: None)
    steps = 0
    while ahead.step():
        steps += 1
    assert steps > 0
    assert plots.cache_info().misses == 0
