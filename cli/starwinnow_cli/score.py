"""`starwinnow score FOLDER`: measure, score and rank a folder of frames."""

import argparse
import json
import sys
from collections.abc import Iterable, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.cores import usable_cores
from starwinnow.errors import FolderError, OutputError, StoreError
from starwinnow.settings import AIMS, MEANS, Settings
from starwinnow_cli.exit_codes import DONE, NOTHING_DONE, SOME_UNREADABLE
from starwinnow_cli.interruption import StopBetweenFrames
from starwinnow_cli.progress import ProgressBar
from starwinnow_cli.screen import Emphasis, say, show
from starwinnow_cli.workers import (
    Workers,
    add_worker_arguments,
    local_workers,
    open_workers,
)

if TYPE_CHECKING:
    from starwinnow.frame_measures import FrameMeasures
    from starwinnow.night import Night, NightSnapshot
    from starwinnow.preparation import Part
    from starwinnow.store import NightStore, Unreadable
    from starwinnow.work_ahead import DoneAhead

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
        "What was measured is kept: a second run measures only new and changed files. Several "
        "folders are scored one after the other, with one summary."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument(
            "folders", metavar="FOLDER", nargs="+", type=Path, help="a night's frames"
        )
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
            help="folder for the results; default: FOLDER/starwinnow; of several nights each "
            "gets a folder of its name in it",
        )
        parser.add_argument("--all", action="store_true", help="show every frame, best first")
        parser.add_argument(
            "--json",
            action="store_true",
            help="print the results as JSON to standard output; of several nights one line each",
        )
        parser.add_argument(
            "--again", action="store_true", help="measure every frame again, known or not"
        )
        add_worker_arguments(parser)

    def run(self, options: argparse.Namespace) -> int:
        """Score the folders; returns the exit code."""
        settings = Settings(aim=options.aim, mean=options.mean)
        places = _places(options.folders, options.out)
        with open_workers(options, [folder.absolute() for folder in options.folders]) as workers:
            if len(places) > 1:
                return _score_several(places, settings, options, workers)
            ((folder, results),) = places.items()
            snapshot = score_folder(folder, results, settings, again=options.again, workers=workers)
        if options.json:
            from starwinnow.report.exports import night_json_parts  # noqa: PLC0415

            show("".join(night_json_parts(snapshot)))
        else:
            show_results(snapshot, folder, results, whole=options.all)
        return SOME_UNREADABLE if snapshot.unreadable else DONE


def _places(folders: Sequence[Path], out: Path | None) -> dict[Path, Path]:
    """Give each folder the place of its results.

    Raises
    ------
    OutputError
        If the results of two folders would go to one place.
    """
    places: dict[Path, Path] = {}
    for folder in dict.fromkeys(folders):
        if out is None:
            places[folder] = folder / "starwinnow"
        else:
            places[folder] = out if len(folders) == 1 else out / folder.resolve().name
    if len(set(places.values())) < len(places):
        raise OutputError(
            f"{out}: the results of folders of the same name would overwrite each other there. "
            "Score them one by one, or leave --out away."
        )
    return places


def _score_several(
    places: dict[Path, Path], settings: Settings, options: argparse.Namespace, workers: Workers
) -> int:
    """Score folder after folder; one that cannot be scored does not stop the others."""
    from starwinnow.report.exports import night_json  # noqa: PLC0415
    from starwinnow_cli.nights_summary import NightLine, night_line, nights_summary  # noqa: PLC0415
    from starwinnow_cli.summary import listing  # noqa: PLC0415

    lines: list[NightLine] = []
    for number, (folder, results) in enumerate(places.items(), start=1):
        say(f"Night {number} of {len(places)}: {folder}")
        try:
            snapshot = score_folder(folder, results, settings, again=options.again, workers=workers)
        except (FolderError, OutputError, StoreError) as error:
            say(f"starwinnow: {error}")
            continue
        lines.append(night_line(snapshot, folder))
        if options.json:
            night = {"folder": str(folder), "night": night_json(snapshot)}
            show(json.dumps(night, allow_nan=False) + "\n")
        elif options.all:
            show("\n".join(listing(snapshot, Emphasis(sys.stdout))) + "\n")
    if not options.json and lines:
        skipped = len(places) - len(lines)
        show("\n".join(nights_summary(lines, skipped, options.out, Emphasis(sys.stdout))) + "\n")
    if not lines:
        return NOTHING_DONE
    whole = len(lines) == len(places) and not any(line.unread for line in lines)
    return DONE if whole else SOME_UNREADABLE


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
    workers: Workers | None = None,
    ahead: "DoneAhead | None" = None,
) -> "NightSnapshot":
    """Measure what is new, score all, write the results; recall all where nothing changed.

    `ahead` is what was worked out already; it only saves time.

    Raises
    ------
    FolderError
        If the folder is missing or holds no frames.
    OutputError
        If the results cannot be written.
    StoreError
        If the night's store fails.
    ClusterError
        If the workers are a cluster's and it is lost.
    """
    if workers is None:
        with local_workers() as local:
            return score_folder(folder, results, settings, again=again, workers=local, ahead=ahead)
    # Numeric libraries take a second to load: only after the arguments are known to be right.
    from starwinnow.readers import frame_paths  # noqa: PLC0415
    from starwinnow.report.exports import PAGE_NAME, prepare_output, write_exports  # noqa: PLC0415
    from starwinnow.store import NightStore  # noqa: PLC0415
    from starwinnow.stored_results import keep_results, recall_results  # noqa: PLC0415

    # A cluster's machines know nothing of the folder we are in.
    paths = [path.absolute() for path in frame_paths(folder)]
    prepare_output(results)
    with NightStore(results / "night.sqlite") as store:
        if store.notice:
            say(store.notice)
        if again:
            store.forget()
        _tell_gone(store.drop_all_but({path.name for path in paths}))
        known = (results / PAGE_NAME).is_file()
        snapshot = recall_results(paths, store, settings, threads=usable_cores()) if known else None
        if snapshot is not None:
            for item in snapshot.unreadable:
                _tell_unread(item)
            write_exports(snapshot, results)
            return snapshot
        _make_ready_for(paths)
        snapshot = _score_and_write(
            _measure(paths, store, workers, ahead), ahead, settings, folder, results
        )
        store.remember_settings(settings)
        keep_results(snapshot, store)
    return snapshot


def make_ready(
    parts: "Sequence[Part] | None" = None, *, what: str = "First frames of this kind"
) -> None:
    """Compile code where that was never done on this machine, all or some parts, and say so."""
    from starwinnow.preparation import ALL_PARTS, is_prepared, prepare  # noqa: PLC0415

    missing = [part for part in parts or ALL_PARTS if not is_prepared([part])]
    if missing:
        say(f"{what}: preparing the measuring code, about half a minute, once.")
        prepare(missing)


def _make_ready_for(paths: "Sequence[Path]") -> None:
    """Compile what such frames need: pixels of one kind seldom come with others in one folder."""
    from starwinnow.preparation import PIXEL_KINDS, is_prepared  # noqa: PLC0415
    from starwinnow.readers import expected_kind  # noqa: PLC0415

    if not is_prepared(PIXEL_KINDS):
        found = {expected_kind(path) for path in (paths[0], paths[-1])}
        make_ready([kind for kind in PIXEL_KINDS if kind in found] or ["uint16"])


def _measure(
    paths: Sequence[Path], store: "NightStore", workers: Workers, ahead: "DoneAhead | None"
) -> "list[FrameMeasures | Unreadable]":
    from starwinnow.measuring import measure_files  # noqa: PLC0415
    from starwinnow.outlines import Outliner  # noqa: PLC0415
    from starwinnow.store import Unreadable  # noqa: PLC0415

    found: list[FrameMeasures | Unreadable] = []
    outliner = Outliner(store)
    measured = measure_files(
        paths, store, executor=workers.executor, in_hand=workers.in_hand,
        looked_at=ahead.looked_at if ahead else (),
    )  # fmt: skip
    # Closed first of all: what the workers have in hand is then kept.
    with ProgressBar(len(paths), sys.stderr) as bar, StopBetweenFrames() as stop, closing(measured):
        for result in measured:
            if isinstance(result, Unreadable):
                bar.clear()
                _tell_unread(result)
                found.append(result)
            else:
                found.append(outliner.outline(result))
            bar.update(len(found))
            stop.check(f"after {len(found)} of {len(paths)} frames")
    return found


def _night_of(found: "Iterable[FrameMeasures | Unreadable]", ahead: "DoneAhead | None") -> "Night":
    # Scoring takes half a second to load: the first frame need not wait for it.
    from starwinnow.night import Night  # noqa: PLC0415
    from starwinnow.store import Unreadable  # noqa: PLC0415

    night = Night(ahead.relations, ahead.star_fits) if ahead else Night()
    for result in found:
        if isinstance(result, Unreadable):
            night.add_unreadable(result.name, result.reason)
        else:
            night.add(result)
    return night


def _score_and_write(
    found: "list[FrameMeasures | Unreadable]",
    ahead: "DoneAhead | None",
    settings: Settings,
    folder: Path,
    results: Path,
) -> "NightSnapshot":
    from starwinnow.report.exports import write_exports  # noqa: PLC0415
    from starwinnow.report.page import write_page  # noqa: PLC0415

    night = _night_of(found, ahead)
    snapshot, measures = night.snapshot(settings), night.measures
    # With the night goes how its frames lie on each other.
    del night
    write_exports(snapshot, results)
    write_page(snapshot, measures, results, folder=folder.resolve().name)
    return snapshot


def _tell_unread(item: "Unreadable") -> None:
    say(f"Not read: {item.name}: {item.reason}")


def _tell_gone(names: Sequence[str]) -> None:
    if not names:
        return
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    say(f"No longer in the folder, dropped from the night: {', '.join(names[:_MOST_NAMES])}{more}")
