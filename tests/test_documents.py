"""The front page keeps what it promises and is not stale."""

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

_ROOT = Path(__file__).parents[1]
_README = (_ROOT / "README.md").read_text(encoding="utf-8")


def _refresh_script() -> ModuleType:
    spec = importlib.util.spec_from_file_location("refresh", _ROOT / "docs" / "refresh_readme.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_first_two_blocks_are_one_command_each() -> None:
    blocks = re.findall(r"(?ms)^```\w*\n(.*?)^```", _README)
    assert [len(block.strip().splitlines()) for block in blocks[:2]] == [1, 1]
    assert "starwinnow score sample_frames" in blocks[0]
    assert "pytest" in blocks[1]


def test_tables_are_those_of_the_benchmarks() -> None:
    assert _refresh_script().refreshed(_README) == _README


@pytest.mark.parametrize("word", ["Sun", "filter maker", "BSD 3-Clause", "keep.txt"])
def test_front_page_says(word: str) -> None:
    assert word in _README


def test_every_linked_file_exists() -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", _README):
        assert (_ROOT / target).exists(), target
