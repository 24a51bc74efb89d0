"""`starwinnow sort FOLDER --to DEST`: frames into folders of kept and left-out ones."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.errors import OutputError
from starwinnow_cli.exit_codes import DONE, SOME_UNREADABLE
from starwinnow_cli.interruption import StopBetweenFrames
from starwinnow_cli.screen import say, show

if TYPE_CHECKING:
    from starwinnow.sorting import Sorting

__all__ = ["SortCommand"]

_DONE = {"copy": "Copied", "link": "Linked", "move": "Moved"}


class SortCommand:
    """Sorts scored frames into two folders, and back."""

    name = "sort"
    keeps_work = True
    summary = "sort scored frames into kept and left-out folders"
    description = (
        "Copies the frames of a scored folder to DEST/kept and DEST/left-out and checks every "
        "copy. Nothing is ever overwritten. A run that was stopped is ended by the same command."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument("folder", metavar="FOLDER", type=Path, help="the night's frames")
        parser.add_argument(
            "--to", metavar="DEST", type=Path, required=True, help="folder to sort into"
        )
        how = parser.add_mutually_exclusive_group()
        how.add_argument(
            "--link",
            action="store_const",
            const="link",
            dest="how",
            help="hard links instead of copies: no space used, the same disk only",
        )
        how.add_argument(
            "--move",
            action="store_const",
            const="move",
            dest="how",
            help="move the frames out of FOLDER",
        )
        how.add_argument(
            "--undo", action="store_true", help="take everything back to how it was before"
        )
        parser.add_argument("--dry-run", action="store_true", help="only show what would be done")
        parser.add_argument(
            "--out",
            metavar="DIR",
            type=Path,
            help="folder with the results of score; default: FOLDER/starwinnow",
        )
        parser.set_defaults(how="copy")

    def run(self, options: argparse.Namespace) -> int:
        """Sort, or take back; returns the exit code."""
        from starwinnow.sorting import plan_sorting, read_sorting  # noqa: PLC0415

        sorting = read_sorting(options.folder, options.to)
        if options.undo:
            if sorting is None:
                raise OutputError(f"{options.to}: nothing was sorted here, nothing to undo.")
            return _undo(sorting, dry=options.dry_run)
        if sorting is None:
            results = options.out or options.folder / "starwinnow"
            sorting = plan_sorting(options.folder, results, options.to, options.how)
        elif sorting.how != options.how:
            raise OutputError(
                f"{options.to}: an earlier sort was done by {sorting.how}. --undo it first."
            )
        else:
            say("Going on with the earlier sort found there; to sort anew, --undo it first.")
        if options.dry_run:
            sorting.check()
            show("".join(f"{sorting.how} {f.file} -> {f.part}\n" for f in sorting.frames))
            say("Only shown: nothing was changed.")
            return DONE
        with StopBetweenFrames() as stop:
            total = len(sorting.frames)
            sorting.carry_out(lambda done: stop.check(f"after {done} of {total} frames"))
        kept = sum(frame.part == "kept" for frame in sorting.frames)
        show(f"{_DONE[sorting.how]} and checked: {kept} kept, {total - kept} left out.\n")
        return DONE


def _undo(sorting: "Sorting", *, dry: bool) -> int:
    if dry:
        say(f"Would take back {len(sorting.frames)} frames. Only shown: nothing was changed.")
        return DONE
    if left := sorting.undo():
        say(f"Left as they are, changed or gone since: {', '.join(left)}")
        return SOME_UNREADABLE
    show(f"Taken back: {len(sorting.frames)} frames.\n")
    return DONE
