"""Causes against truth on nights drawn by GalSim: writes tables/causes.md and docs/causes.md.

`python benchmarks/causes.py` takes half an hour on two quiet cores.
`--development` uses the seeds that a diagnosis may be developed on, and writes no page.
"""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from causes_nights import BROKEN, DEVELOPMENT_SEEDS, KINDS, UNTOUCHED_SEEDS
from causes_nights.cost import cost_in_score
from causes_nights.judging import Outcome, judge
from causes_nights.tables import confusion_table, misses, page_of

from starwinnow.preparation import warm_up

_PAGE = Path(__file__).parent / "tables" / "causes.md"
_DOCUMENT = Path(__file__).parents[1] / "docs" / "causes.md"
# How many nights of each kind.
_NIGHTS = {"usual": 12, "clean": 10, "two-causes": 8, **dict.fromkeys(BROKEN, 3)}
_COST_NIGHTS = 3


def main() -> None:
    """Judge all nights and write the pages; exit status 1 when a limit is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--development", action="store_true", help="development seeds, no page")
    parser.add_argument("--kinds", nargs="+", choices=KINDS, default=KINDS, help="only these")
    parser.add_argument("--nights", type=int, default=99, help="at most so many of a kind")
    parser.add_argument("--frames", type=int, default=110, help="frames a night (110)")
    parser.add_argument("--processes", type=int, default=2, help="processes (2)")
    options = parser.parse_args()
    seeds = DEVELOPMENT_SEEDS if options.development else UNTOUCHED_SEEDS
    jobs = [
        (kind, seed, options.frames)
        for kind in options.kinds
        for seed in seeds[: min(_NIGHTS[kind], options.nights)]
    ]
    warm_up()
    outcomes = _run(jobs, options.processes)
    costs = [cost_in_score(seed) for seed in seeds[: min(_COST_NIGHTS, options.nights)]]
    page, held = page_of(outcomes, costs)
    print(page)
    if options.development:
        print(misses(outcomes), file=sys.stderr)
        return
    _PAGE.write_text(page, encoding="utf-8")
    _DOCUMENT.write_text(_with_table(_DOCUMENT.read_text("utf-8"), outcomes), encoding="utf-8")
    sys.exit(0 if held else 1)


def _run(jobs: Sequence[tuple[str, int, int]], processes: int) -> list[Outcome]:
    """Judge nights in processes; progress on standard error."""
    outcomes = []
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        running = [pool.submit(judge, *job) for job in jobs]
        for number, done in enumerate(running, start=1):
            outcomes.append(done.result())
            print(f"\r{number} of {len(jobs)} nights", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return outcomes


def _with_table(text: str, outcomes: Sequence[Outcome]) -> str:
    """Put the confusion table between its marks in the document."""
    before, mark, rest = text.partition("<!-- confusion -->\n")
    _, end, after = rest.partition("<!-- end of confusion -->")
    if not mark or not end:
        raise ValueError(f"{_DOCUMENT}: no section 'confusion', expected its two marks")
    usual = [outcome for outcome in outcomes if outcome.kind == "usual"]
    table = confusion_table(usual).partition("\n\n")[2]
    return f"{before}{mark}\n{table}\n\n{end}{after}"


if __name__ == "__main__":
    main()
