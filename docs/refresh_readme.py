"""Bring what is generated in the documents up to date.

`python docs/refresh_readme.py` fills the marked sections of README.md from a run on the sample
frames and from the tables in benchmarks/tables, and writes the command's help to docs/command.md.
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
COMMAND_PAGE = ROOT / "docs" / "command.md"
TABLES = ROOT / "benchmarks" / "tables"

_SCORE = ("score", "sample_frames", "--out", "sample-results", "--all")
_COMMANDS = ((), ("score",), ("watch",), ("demo",))
_BEST, _WORST = 3, 4


def main() -> None:
    """Write README.md and docs/command.md anew."""
    text = README.read_text(encoding="utf-8")
    text = with_section(text, "sample night", f"```text\n{excerpt(sample_run())}```")
    README.write_text(with_tables(text), encoding="utf-8")
    COMMAND_PAGE.write_text(command_page(), encoding="utf-8")


def with_section(text: str, name: str, body: str) -> str:
    """Put `body` between the marks `<!-- name -->` and `<!-- end of name -->`.

    Raises
    ------
    ValueError
        If the page does not hold these marks once.
    """
    text, count = re.subn(
        rf"(<!-- {name} -->\n).*?(<!-- end of {name} -->)",
        lambda found: f"{found[1]}{body}\n{found[2]}",
        text,
        flags=re.DOTALL,
    )
    if count != 1:
        raise ValueError(f"README.md holds the section '{name}' {count} times, expected once")
    return text


def section(text: str, name: str) -> str:
    """Return what stands between the marks of a section."""
    found = re.search(rf"<!-- {name} -->\n(.*?)<!-- end of {name} -->", text, re.DOTALL)
    if found is None:
        raise ValueError(f"README.md has no section '{name}'")
    return found[1]


def with_tables(text: str) -> str:
    """Put the first table of the accuracy page, and all of speed and live, into the text."""
    text = with_section(text, "accuracy table", _tables("accuracy")[0])
    text = with_section(text, "live table", "\n".join(_tables("live")))
    return with_section(text, "speed table", "\n".join(_tables("speed")))


def _tables(name: str) -> list[str]:
    page = (TABLES / f"{name}.md").read_text(encoding="utf-8")
    return [f"\n{table}" for table in re.findall(r"(?m)(?:^\|.*\n)+", page)]


def sample_run() -> str:
    """Score a copy of the sample frames, as the README's first command does; give what it shows."""
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(ROOT / "sample_frames", Path(folder, "sample_frames"))
        return _printed(_SCORE, Path(folder))


def excerpt(output: str) -> str:
    """Leave out the middle of the ranking."""
    lines = output.splitlines(keepends=True)
    end = lines.index("\n")
    return "".join([*lines[: 1 + _BEST], " ...\n", *lines[end - _WORST :]])


def command_page() -> str:
    """Make the page that holds the help of every command."""
    parts = ["# The command\n\nWritten by `python docs/refresh_readme.py`.\n"]
    for command in _COMMANDS:
        words = " ".join(("starwinnow", *command, "--help"))
        help_text = _printed((*command, "--help"), ROOT)
        parts.append(f"\n## {words}\n\n```text\n{help_text}```\n")
    return "".join(parts)


def _printed(arguments: tuple[str, ...], folder: Path) -> str:
    """Run the command on a terminal of 80 columns in Greenwich; give its standard output."""
    code = "import sys; from starwinnow_cli.main import main; sys.exit(main())"
    surroundings = os.environ | {"TZ": "UTC", "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        cwd=folder,
        env=surroundings,
        check=True,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    )
    return done.stdout


if __name__ == "__main__":
    main()
