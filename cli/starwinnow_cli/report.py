"""`starwinnow report FOLDER`: write the night's report anew from what is stored."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.errors import FolderError
from starwinnow_cli.exit_codes import DONE
from starwinnow_cli.screen import say, show

if TYPE_CHECKING:
    from starwinnow.night import Night
    from starwinnow.store import NightStore

__all__ = ["ReportCommand"]

# As the page module has them, which takes long to load.
_THEMES = ("device", "day", "night", "red")


class ReportCommand:
    """Writes the report of a night that was scored before; no frame is read."""

    name = "report"
    keeps_work = True
    summary = "write the report of a scored night anew"
    description = (
        "Writes report.html, a page to read with any browser, offline, from what an earlier "
        "score of the folder stored. The frames themselves are not read and may be gone."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument("folder", metavar="FOLDER", type=Path, help="the night's frames")
        parser.add_argument(
            "--out",
            metavar="DIR",
            type=Path,
            help="folder of the results; default: FOLDER/starwinnow",
        )
        parser.add_argument(
            "--theme",
            choices=_THEMES,
            default="device",
            help="colours the page opens with; default: those of the reader's device",
        )

    def run(self, options: argparse.Namespace) -> int:
        """Recall the night and write its report; returns the exit code."""
        results: Path = options.out or options.folder / "starwinnow"
        stored = results / "night.sqlite"
        if not stored.is_file():
            raise FolderError(
                f"{results} holds no scored night (night.sqlite is missing). Score it first: "
                f"starwinnow score {options.folder}."
            )
        from starwinnow.report.page import write_page  # noqa: PLC0415
        from starwinnow.store import NightStore  # noqa: PLC0415

        with NightStore(stored) as store:
            if store.notice:
                say(store.notice)
            settings = store.settings()
            night = _recall(store)
            snapshot = night.snapshot(settings)
            name = options.folder.resolve().name
            write_page(snapshot, night.measures, results, folder=name, theme=options.theme)
        show(f"{results / 'report.html'}\n")
        return DONE


def _recall(store: "NightStore") -> "Night":
    from starwinnow.night import Night  # noqa: PLC0415
    from starwinnow.outlines import Outliner  # noqa: PLC0415
    from starwinnow.store import Unreadable  # noqa: PLC0415

    night, outliner = Night(), Outliner(store)
    for result in store.everything():
        if isinstance(result, Unreadable):
            night.add_unreadable(result.name, result.reason)
        else:
            night.add(outliner.outline(result))
    return night
