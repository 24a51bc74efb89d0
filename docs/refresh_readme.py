"""Put the benchmark tables into the README, between their marks."""

import re
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
TABLES = ROOT / "benchmarks" / "tables"


def refreshed(text: str) -> str:
    """README text with each section between `<!-- name -->` marks holding its first table."""
    for name in ("accuracy", "speed"):
        page = (TABLES / f"{name}.md").read_text(encoding="utf-8")
        tables = re.findall(r"(?m)(?:^\|.*\n)+", page)
        shown = tables[:1] if name == "accuracy" else tables
        body = "\n".join(shown)
        section = rf"(<!-- {name} -->\n).*?(<!-- /{name} -->)"
        text = re.sub(
            section, lambda found, body=body: f"{found[1]}\n{body}\n{found[2]}", text, flags=re.S
        )
    return text


if __name__ == "__main__":
    readme = ROOT / "README.md"
    before = readme.read_text(encoding="utf-8")
    after = refreshed(before)
    if "--check" in sys.argv and after != before:
        sys.exit("README.md is stale: run python docs/refresh_readme.py")
    readme.write_text(after, encoding="utf-8")
