"""The documents keep what they promise: commands, excerpts and tables are those of today."""

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
NUMBER = re.compile(r"\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def refresh() -> ModuleType:
    spec = importlib.util.spec_from_file_location("refresh", ROOT / "docs" / "refresh_readme.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def differences(shown: str, today: str) -> list[str]:
    """Lines of today that differ from those shown by more than one in a number's last digit.

    Rounding may differ by that much between machines.
    """
    pairs = zip(shown.splitlines(), today.splitlines(), strict=True)
    return [now for then, now in pairs if not _same_but_for_rounding(then, now)]


def _same_but_for_rounding(then: str, now: str) -> bool:
    if NUMBER.sub("#", then).split() != NUMBER.sub("#", now).split():
        return False
    numbers = zip(NUMBER.findall(then), NUMBER.findall(now), strict=True)
    return all(abs(float(a) - float(b)) <= 1.01 * 0.1 ** _decimals(a) for a, b in numbers)


def _decimals(number: str) -> int:
    return len(number.partition(".")[2])


def test_first_two_blocks_are_one_command_each() -> None:
    blocks = re.findall(r"(?ms)^```\w*\n(.*?)^```", README)
    assert [len(block.splitlines()) for block in blocks[:2]] == [1, 1]
    assert "starwinnow score sample_frames" in blocks[0]
    assert "pytest" in blocks[1]


def test_excerpt_is_what_the_first_command_shows(refresh: ModuleType) -> None:
    shown = refresh.section(README, "sample night")
    today = f"```text\n{refresh.excerpt(refresh.sample_run())}```\n"
    assert not differences(shown, today)


def test_focus_excerpt_is_what_the_command_shows(refresh: ModuleType) -> None:
    shown = refresh.section(README, "focus mask")
    assert not differences(shown, f"```text\n{refresh.focus_run()}```\n")


@pytest.mark.parametrize(
    ("then", "now", "same"),
    [
        ("2.37 ±0.01 keep", "2.38  ±0.01 keep", True),
        ("2.37 ±0.01 keep", "2.39 ±0.01 keep", False),
        ("2.37 ±0.01 keep", "2.37 ±0.01 keep?", False),
        ("ranks 12, 15-16", "ranks 12, 16", False),
    ],
)
def test_comparison_sees_more_than_rounding(then: str, now: str, same: bool) -> None:
    assert (not differences(then, now)) is same


def test_tables_are_those_of_the_benchmarks(refresh: ModuleType) -> None:
    assert refresh.with_tables(README) == README


def test_help_page_is_what_the_commands_say(refresh: ModuleType) -> None:
    page = (ROOT / "docs" / "command.md").read_text(encoding="utf-8")
    # Where lines break depends on the version of Python.
    assert page.split() == refresh.command_page().split()


def test_every_command_is_on_the_help_page(refresh: ModuleType) -> None:
    names = re.findall(r"(?m)^    (\w+) {2,}\w", refresh.command_page().partition("\n## ")[2])
    assert names
    for name in names:
        assert f"## starwinnow {name} --help" in refresh.command_page()


@pytest.mark.parametrize(
    "page",
    [
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "docs/columns.md",
        "docs/rig.md",
        "docs/live.md",
        "docs/phone.md",
    ],
)
def test_every_linked_file_exists(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#:]+)\)", text):
        assert ((ROOT / page).parent / target).exists(), target


def test_picture_of_the_house_names_every_part() -> None:
    picture = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("```")[1]
    named = set(re.findall(r"\w+", picture))
    for package in ("pipeline/starwinnow", "cli/starwinnow_cli", "shared/starwinnow_sim"):
        parts = {path.stem for path in (ROOT / package).rglob("*.py")} - {"__init__"}
        assert not parts - named, package
