"""Put the benchmark tables into the README, between their marks."""

import re
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
TABLES = ROOT / "benchmarks" / "tables"


def refreshed(text: str) -> str:
    """README text with every `<!-- name -->` section holding its table's lines.

    A table file's part above its first heading of level 2 goes into the README.
    """
    for name in ("accuracy", "speed"):
        table = (TABLES / f"{name}.md").read_text(encoding="utf-8")
        short = re.split(r"(?m)^## ", table)[0].strip()
        short = re.sub(r"(?m)\A# .*\n+", "", short)
        text = re.sub(
            rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)",
            lambda found, short=short: f"{found[1]}\n{short}\n\n{found[2]}",
            text,
            flags=re.S,
        )
    return text


if __name__ == "__main__":
    readme = ROOT / "README.md"
    before = readme.read_text(encoding="utf-8")
    after = refreshed(before)
    if "--check" in sys.argv and after != before:
        sys.exit("README.md is stale: run python docs/refresh_readme.py")
    readme.write_text(after, encoding="utf-8")
