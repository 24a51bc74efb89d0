"""`starwinnow demo`: render a made-up night, score it and explain what was seen."""

import argparse
from pathlib import Path

from starwinnow.errors import FolderError
from starwinnow.settings import Settings
from starwinnow_cli.exit_codes import DONE
from starwinnow_cli.score import make_ready, score_folder, show_results
from starwinnow_cli.screen import say

__all__ = ["STORY", "DemoCommand"]

_MARKER = "MADE-UP-NIGHT.txt"
_MARKER_TEXT = (
    "The frames in this folder are made up: starwinnow demo rendered them.\n"
    "Running it here again writes them anew. The folder can be deleted.\n"
)
_FRAMES = 24
STORY = (
    "What really happened in this made-up evening: a gust in frame 3, a cloud over 10",
    "to 12, the lamps of a car in 14, a knock in 20, slipping focus in 22 and 23.",
    "They should rank last. To see every frame: starwinnow score FOLDER --all",
)
"""The sample night's events by number of frame, as the simulator's scenario has them."""


class DemoCommand:
    """Shows on a made-up night what scoring does, and prepares the measuring code."""

    name = "demo"
    keeps_work = True
    summary = "render a made-up night and score it"
    description = (
        "Renders a small made-up night into FOLDER, scores it and explains what was seen. It also "
        "prepares the measuring code, so that the first real night need not wait."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument(
            "folder",
            metavar="FOLDER",
            nargs="?",
            type=Path,
            default=Path("demo-night"),
            help="a new or empty folder for the frames; default: %(default)s",
        )

    def run(self, options: argparse.Namespace) -> int:
        """Render, score, explain; returns the exit code."""
        folder: Path = options.folder
        _claim(folder)
        from starwinnow_sim import write_sample_night  # noqa: PLC0415

        say(f"Rendering {_FRAMES} made-up frames into {folder} ...")
        write_sample_night(folder, frames=_FRAMES)
        results = folder / "starwinnow"
        snapshot = score_folder(folder, results, Settings())
        show_results(snapshot, folder, results, more=["", *STORY])
        make_ready(what="Other frames and masks")
        return DONE


def _claim(folder: Path) -> None:
    """Make the folder, or make sure that it is empty or an earlier demo's.

    Raises
    ------
    FolderError
        If something else is in it, or it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / _MARKER).exists() and any(folder.iterdir()):
            raise FolderError(
                f"{folder} is not empty, and the demo writes frames into it. Give a new folder: "
                "starwinnow demo FOLDER."
            )
        (folder / _MARKER).write_text(_MARKER_TEXT, encoding="utf-8")
    except OSError as error:
        raise FolderError(
            f"{folder} cannot be made or written ({error.strerror}). Give another folder: "
            "starwinnow demo FOLDER."
        ) from error
