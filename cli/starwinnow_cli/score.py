"""`starwinnow score FOLDER`: measure, score and rank a folder of frames."""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.settings import AIMS, MEANS, Settings
from starwinnow_cli.exit_codes import DONE, SOME_UNREADABLE
from starwinnow_cli.interruption import StopBetweenFrames
from starwinnow_cli.progress import ProgressBar
from starwinnow_cli.screen import Emphasis, say, show

if TYPE_CHECKING:
    from starwinnow.diagnosis import FitCache
    from starwinnow.night import Night, NightSnapshot
    from starwinnow.store import NightStore

__all__ = ["ScoreCommand", "make_ready", "score_folder", "show_results"]

_MOST_NAMES = 3


class ScoreCommand:
    """Scores a folder and tells what to stack."""

    name = "score"
    keeps_work = True
    summary = "score and rank the frames of a folder"
    description = (
        "Measures every FITS frame of a folder, says what each is worth to the stack, which to "
        "keep and which to leave out. Results go to FOLDER/starwinnow; frames are never changed. "
        "What was measured is kept: a second run measures only new and changed files."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument("folder", metavar="FOLDER", type=Path, help="the night's frames")
        parser.add_argument(
            "--aim",
            choices=AIMS,
            default=Settings().aim,
            help="what the stack is for: depth (stars, faint galaxies), glow (extended light) or "
            "detail (fine structure); default: %(default)s",
        )
        parser.add_argument(
            "--mean",
            choices=MEANS,
            default=Settings().mean,
            help="how the stack is made: a mean of the frames as they are (unscaled), or of frames "
            "brought to equal flux first (scaled); default: %(default)s",
        )
        parser.add_argument(
            "--out",
            metavar="DIR",
            type=Path,
            help="folder for the results; default: FOLDER/starwinnow",
        )
        parser.add_argument("--all", action="store_true", help="show every frame, best first")
        parser.add_argument(
            "--json", action="store_true", help="print the results as JSON to standard output"
        )
        parser.add_argument(
            "--again", action="store_true", help="measure every frame again, known or not"
        )

    def run(self, options: argparse.Namespace) -> int:
        """Score the folder; returns the exit code."""
        results = options.out or options.folder / "starwinnow"
        settings = Settings(aim=options.aim, mean=options.mean)
        snapshot = score_folder(options.folder, results, settings, again=options.again)
        if options.json:
            from starwinnow.report.exports import night_json  # noqa: PLC0415

            show(json.dumps(night_json(snapshot), indent=1, allow_nan=False) + "\n")
        else:
            show_results(snapshot, options.folder, results, whole=options.all)
        return SOME_UNREADABLE if snapshot.unreadable else DONE


def show_results(
    snapshot: "NightSnapshot",
    folder: Path,
    results: Path,
    *,
    whole: bool = False,
    more: Sequence[str] = (),
) -> None:
    """Print the summary: after the whole ranking where it is wanted, and before more lines."""
    from starwinnow_cli.summary import MOST_LINES, listing, summary  # noqa: PLC0415

    emphasis = Emphasis(sys.stdout)
    room = 0 if whole else MOST_LINES - len(more)
    lines = listing(snapshot, emphasis) if whole else []
    lines += summary(snapshot, folder, results, emphasis, most_lines=room)
    show("\n".join([*lines, *more]) + "\n")


def score_folder(
    folder: Path,
    results: Path,
    settings: Settings,
    *,
    again: bool = False,
    star_fits: "FitCache | None" = None,
) -> "NightSnapshot":
    """Measure what is new, score all, write the results.

    `star_fits` is what is known already of the shapes of stars; it only saves time.

    Raises
    ------
    FolderError
        If the folder is missing or holds no frames.
    OutputError
        If the results cannot be written.
    StoreError
        If the night's store fails.
    """
    # Numeric libraries take a second to load: only after the arguments are known to be right.
    from starwinnow.readers import frame_paths  # noqa: PLC0415
    from starwinnow.report.exports import prepare_output, write_exports  # noqa: PLC0415
    from starwinnow.report.page import write_page  # noqa: PLC0415
    from starwinnow.store import NightStore  # noqa: PLC0415

    paths = frame_paths(folder)
    prepare_output(results)
    make_ready()
    with NightStore(results / "night.sqlite") as store:
        if store.notice:
            say(store.notice)
        if again:
            store.forget()
        _tell_gone(store.drop_all_but({path.name for path in paths}))
        night = _measure(paths, store, star_fits)
        snapshot = night.snapshot(settings)
        store.remember_settings(settings)
    write_exports(snapshot, results)
    write_page(snapshot, night.measures, results, folder=folder.resolve().name)
    return snapshot


def make_ready() -> None:
    """Compile the measuring code where that was never done on this machine, and say so."""
    # Readiness is that of all kernels imported so far, so everything with kernels comes first.
    from starwinnow import measure, night, relate  # noqa: F401, PLC0415
    from starwinnow.compiled import is_ready, mark_ready  # noqa: PLC0415
    from starwinnow.focus_mask import first_use  # noqa: PLC0415

    if not is_ready():
        say("First run: preparing the measuring code, about 40 s, once.")
        measure.warm_up()
        relate.warm_up()
        first_use.warm_up()
        mark_ready()


def _measure(paths: Sequence[Path], store: "NightStore", star_fits: "FitCache | None") -> "Night":
    from starwinnow.night import Night, measure_files  # noqa: PLC0415
    from starwinnow.store import Unreadable  # noqa: PLC0415

    night = Night(star_fits)
    with ProgressBar(len(paths), sys.stderr) as bar, StopBetweenFrames() as stop:
        for done, result in enumerate(measure_files(paths, store), start=1):
            if isinstance(result, Unreadable):
                bar.clear()
                say(f"Not read: {result.name}: {result.reason}")
                night.add_unreadable(result.name, result.reason)
            else:
                night.add(result)
            bar.update(done)
            stop.check(f"after {done} of {len(paths)} frames")
    return night


def _tell_gone(names: Sequence[str]) -> None:
    if not names:
        return
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    say(f"No longer in the folder, dropped from the night: {', '.join(names[:_MOST_NAMES])}{more}")
