"""Contrast of the page's colours, by the formula of WCAG 2.2 (W3C): relative luminance, ratio.

What is drawn on a canvas no checker of pages sees.
"""

import re
from pathlib import Path

import pytest

import starwinnow.report

STYLE = Path(starwinnow.report.__file__).parent / "page_files" / "page.css"
THEMES = ("day", "night", "red")
# Success criteria 1.4.3 for text and 1.4.11 for marks.
LEAST_TEXT, LEAST_MARK = 4.5, 3.0


def colours_of(theme: str) -> dict[str, str]:
    text = STYLE.read_text(encoding="utf-8")
    found = re.search(rf'\[data-theme="{theme}"\] {{(.*?)}}', text, re.DOTALL)
    assert found
    return dict(re.findall(r"--([a-z]+): (#[0-9a-f]+);", found[1]))


def luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_published_values() -> None:
    # W3C: black on white is 21. #767676 on white passes with 4.54, #777777 fails (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@pytest.mark.parametrize("theme", THEMES)
def test_text_and_marks_can_be_seen(theme: str) -> None:
    colours = colours_of(theme)
    for ground in ("ground", "card"):
        for name in ("ink", "quiet"):
            assert contrast(colours[name], colours[ground]) >= LEAST_TEXT, (name, ground)
    for name in ("keep", "marginal", "leave", "none"):
        assert contrast(colours[name], colours["ground"]) >= LEAST_MARK, name


def test_red_has_neither_green_nor_blue() -> None:
    for name, colour in colours_of("red").items():
        assert colour[3:7] == "0000", name


def test_a_dark_device_gets_the_night() -> None:
    assert colours_of("device") == colours_of("night")
