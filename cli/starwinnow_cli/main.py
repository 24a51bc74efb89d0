"""The command line: reads the arguments, runs one command, turns errors into exit codes."""

import argparse
import os
from collections.abc import Sequence

from starwinnow import __version__
from starwinnow.errors import StarwinnowError
from starwinnow_cli.demo import DemoCommand
from starwinnow_cli.exit_codes import INTERRUPTED, NOTHING_DONE
from starwinnow_cli.interruption import by_hand
from starwinnow_cli.mask import MaskCommand
from starwinnow_cli.report import ReportCommand
from starwinnow_cli.score import ScoreCommand
from starwinnow_cli.screen import say
from starwinnow_cli.sort import SortCommand
from starwinnow_cli.watch import WatchCommand

__all__ = ["build_parser", "main"]

# Read by numeric libraries when they are loaded, which is later: matrices here are small, and
# threads that wait for each other would make them three times slower.
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_COMMANDS = (
    ScoreCommand,
    WatchCommand,
    SortCommand,
    MaskCommand,
    ReportCommand,
    DemoCommand,
)


def build_parser() -> argparse.ArgumentParser:
    """Describe all commands and their arguments."""
    parser = argparse.ArgumentParser(
        prog="starwinnow",
        description="Measures, scores and ranks short exposures for stacking.",
        epilog="Exit codes: 0 done; 1 done, but some files could not be read; 2 wrong use or "
        "nothing to do; 130 stopped by hand, work kept.",
    )
    parser.add_argument("--version", action="version", version=f"starwinnow {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for command in _COMMANDS:
        part = commands.add_parser(
            command.name, help=command.summary, description=command.description
        )
        command.add_arguments(part)
        part.set_defaults(run=command().run, keeps_work=command.keeps_work)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Those of the process by default.

    Returns
    -------
    int
        The exit code.
    """
    options = build_parser().parse_args(arguments)
    for name in _ONE_THREAD:
        os.environ.setdefault(name, "1")
    try:
        code: int = options.run(options)
    except StarwinnowError as error:
        say(f"starwinnow: {error}")
        return NOTHING_DONE
    except (KeyboardInterrupt, SystemError) as error:
        if not by_hand(error):
            raise
        progress = f" {error}" if isinstance(error, KeyboardInterrupt) and error.args else ""
        kept = "What was measured is kept: run the same command again to go on."
        say(f"Stopped{progress}. {kept if options.keeps_work else 'Nothing was written.'}")
        return INTERRUPTED
    return code
