"""`starwinnow watch FOLDER`: score frames as they arrive, until Ctrl-C."""

import argparse
import gc
import sys
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from starwinnow.errors import FolderError
from starwinnow.settings import AIMS, MEANS, Settings
from starwinnow_cli.exit_codes import DONE, SOME_UNREADABLE
from starwinnow_cli.interruption import StopWatching
from starwinnow_cli.score import make_ready, score_folder, show_results
from starwinnow_cli.screen import (
    Emphasis,
    LiveTerminal,
    RedEmphasis,
    coloured,
    obeys_codes,
    say,
    show,
)

if TYPE_CHECKING:
    from starwinnow.feed import Feed
    from starwinnow.live_snapshot import LiveFrame, LiveSnapshot
    from starwinnow.night import NightSnapshot
    from starwinnow.work_ahead import DoneAhead
    from starwinnow_cli.phone.server import PageServer

__all__ = ["WatchCommand"]

_LINK_WARNING = (
    "--link: frames in the feed folder are the same files as in the watched one. Whatever edits "
    "one edits both, so let no program write into them."
)
_MOST_NAMES = 5
_TOKEN_NAME = "page-token.txt"
# This machine alone; starwinnow_cli.phone.address is not imported for other commands' sake.
_DEFAULT_PLACE = "127.0.0.1:8765"
# The code for the phone gives way to the live screen when a page was opened, or after this time.
_SHOW_CODE_S = 120.0


class WatchCommand:
    """Watches a folder while it fills."""

    name = "watch"
    keeps_work = True
    summary = "score frames as they arrive, and say what to do now"
    description = (
        "Watches a folder into which a capture program writes single frames, scores each frame "
        "as soon as it is whole, and shows on one screen how the night goes and what to do now. "
        "Frames that are there already are scored too. Ctrl-C ends the watch and writes the same "
        "results as score does. Frames are never changed."
    )

    @staticmethod
    def add_arguments(parser: argparse.ArgumentParser) -> None:
        """Declare the arguments of this command."""
        parser.add_argument("folder", metavar="FOLDER", type=Path, help="the folder that fills")
        parser.add_argument(
            "--aim",
            choices=AIMS,
            default=Settings().aim,
            help="what the stack is for: depth, glow or detail; default: %(default)s",
        )
        parser.add_argument(
            "--mean",
            choices=MEANS,
            default=Settings().mean,
            help="how the stack is made: unscaled or scaled; default: %(default)s",
        )
        parser.add_argument(
            "--out",
            metavar="DIR",
            type=Path,
            help="folder for the results; default: FOLDER/starwinnow",
        )
        parser.add_argument(
            "--feed",
            metavar="DIR",
            type=Path,
            help="pass each frame that earns it on into this folder, which a stacking program "
            "watches; whole, once, and never taken back",
        )
        parser.add_argument(
            "--link",
            action="store_true",
            help="with --feed: hard links instead of copies; editing one file then edits both",
        )
        parser.add_argument(
            "--feed-all-but",
            metavar="CAUSES",
            help="with --feed: pass everything on except frames with one of these causes, parted "
            "by commas, such as cloud,overexposed",
        )
        parser.add_argument(
            "--poll",
            action="store_true",
            help="list the folder twice a second; for network drives, which send no notices",
        )
        parser.add_argument(
            "--focusing",
            action="store_true",
            help="follow the focus from frame to frame while you turn the knob, by the spikes of "
            "a focus mask if one is on; scores nothing",
        )
        parser.add_argument(
            "--rig",
            metavar="FILE",
            type=Path,
            help="with --focusing: what headers lack, and what a turn of the knob is; default: "
            "rig.toml in this folder, else ~/.config/starwinnow/rig.toml",
        )
        parser.add_argument(
            "--serve",
            metavar="HOST:PORT",
            nargs="?",
            const=_DEFAULT_PLACE,
            help="show the night on a page for a browser; for this machine alone by default "
            "(%(const)s), for a phone in the same network with 0.0.0.0:8765",
        )
        parser.add_argument(
            "--bell", action="store_true", help="sound the bell once for what needs a hand"
        )
        parser.add_argument(
            "--theme",
            choices=("day", "red"),
            default="day",
            help="red: nothing but red on black, for eyes used to the dark; default: %(default)s",
        )

    def run(self, options: argparse.Namespace) -> int:
        """Watch until told to stop; returns the exit code."""
        _check(options)
        with coloured(sys.stdout, _emphasis(options)):
            return self._run(options)

    def _run(self, options: argparse.Namespace) -> int:
        if options.focusing:
            if options.serve:
                raise FolderError("--serve shows a scored night. Leave it out with --focusing.")
            from starwinnow_cli.focusing_screen import follow_focus  # noqa: PLC0415

            return follow_focus(
                options.folder, _emphasis(options), poll=options.poll, rig_path=options.rig
            )
        results = options.out or options.folder / "starwinnow"
        settings = Settings(aim=options.aim, mean=options.mean)
        # The page closes while the results are written.
        with ExitStack() as open_page:
            fed, ahead = self._watch(options, results, settings, open_page)
            # What the night left in memory is looked through for rubbish no more: that would take
            # a tenth of the end.
            gc.freeze()
            say("Writing the results; a second Ctrl-C leaves that to `starwinnow score`.")
            try:
                night = score_folder(options.folder, results, settings, ahead=ahead)
            except FolderError:
                say("No frames came. Nothing is written.")
                return DONE
        show_results(night, options.folder, results, more=_fed_lines(night, fed))
        # Python looks for rubbish once more when it ends: not in what the results left either.
        gc.freeze()
        return SOME_UNREADABLE if night.unreadable else DONE

    def _watch(
        self,
        options: argparse.Namespace,
        results: Path,
        settings: Settings,
        open_page: ExitStack,
    ) -> "tuple[set[str], DoneAhead]":
        """Run the session; returns the names of frames passed on, and work done meanwhile."""
        from starwinnow.live_night import LiveNight  # noqa: PLC0415
        from starwinnow.live_session import FeedRule, LiveSession  # noqa: PLC0415
        from starwinnow.preparation import PIXEL_KINDS  # noqa: PLC0415
        from starwinnow.report.exports import prepare_output  # noqa: PLC0415
        from starwinnow.report.loading_ahead import LoadingAhead  # noqa: PLC0415
        from starwinnow.store import NightStore  # noqa: PLC0415
        from starwinnow.watch import Watch  # noqa: PLC0415

        prepare_output(results)
        feed = _feed(options, results)
        rule = FeedRule(all_but=_causes(options.feed_all_but))
        night = LiveNight(options.folder.resolve().name, settings)
        fed: set[str] = set()
        server = _page_server(options, results)
        with (
            StopWatching() as stop,
            NightStore(results / "night.sqlite") as store,
        ):
            publish = open_page.enter_context(server).publish if server else None
            make_ready(PIXEL_KINDS, what="First run")
            if store.notice:
                say(store.notice)
            watch = Watch(options.folder, stop.event, poll=options.poll)
            session = LiveSession(
                watch,
                night,
                store,
                feed=feed,
                rule=rule,
                publish=publish,
                more_ahead=LoadingAhead(
                    lambda: night.latest_capture, lambda: night.latest_picture
                ).step,
            )
            with _View(_emphasis(options), bell=options.bell, page=server) as view:
                stop.give_back = view.leave
                for snapshot, verdicts in session:
                    view.update(snapshot, verdicts)
                    fed.update(frame.file for frame in verdicts if frame.fed)
            if server:
                server.close()
            return fed, session.done_ahead


class _View:
    """Shows snapshots: on a screen of its own, or as lines where there is no terminal."""

    def __init__(self, emphasis: Emphasis, *, bell: bool, page: "PageServer | None" = None) -> None:
        self.emphasis = emphasis
        self._page = page
        self._began = time.monotonic()
        self.terminal = LiveTerminal(sys.stdout, self.emphasis) if obeys_codes(sys.stdout) else None
        self._bell = bell
        self._before: LiveSnapshot | None = None
        self._blocks = "utf" in (sys.stdout.encoding or "").lower()

    def __enter__(self) -> "_View":
        if self.terminal:
            self.terminal.__enter__()
        elif self._page:
            say(self._page.invitation)
            if self._page.is_open_to_others and sys.stderr.isatty():
                say("\n".join(self._page.code))
        return self

    def __exit__(self, *error: object) -> None:
        self.leave()

    def leave(self) -> None:
        """Give the terminal back."""
        if self.terminal:
            self.terminal.leave()

    def update(self, snapshot: "LiveSnapshot", verdicts: "list[LiveFrame]") -> None:
        """Show a snapshot and what is new in it."""
        from starwinnow_cli.live_lines import news_lines, screen_lines  # noqa: PLC0415

        if self.terminal:
            lines = screen_lines(
                snapshot,
                self.emphasis,
                size=self.terminal.size,
                now=datetime.now(UTC),
                blocks=self._blocks,
            )
            self.terminal.draw(self._with_page(lines))
        else:
            show("".join(f"{line}\n" for line in news_lines(verdicts, self._before, snapshot)))
        if self._bell and self._is_urgent(snapshot):
            self._ring()
        self._before = snapshot

    def _with_page(self, lines: list[str]) -> list[str]:
        """Add where the page is: its code first, later its address at the screen's foot."""
        if self._page is None:
            return lines
        waited = time.monotonic() - self._began > _SHOW_CODE_S
        if not self._page.is_open_to_others or self._page.was_opened or waited or not self._blocks:
            return [*lines[:-2], self.emphasis.dim(self._page.invitation), lines[-1]]
        code = [self.emphasis.code(line) for line in self._page.code]
        return [self._page.invitation, "", *code, "", lines[-1]]

    def _is_urgent(self, snapshot: "LiveSnapshot") -> bool:
        """Whether something new needs a hand."""
        before = self._before.advice if self._before else ()
        stood = {advice.code for advice in before if advice.needs_hand}
        return any(advice.needs_hand and advice.code not in stood for advice in snapshot.advice)

    def _ring(self) -> None:
        if self.terminal:
            self.terminal.ring()
        elif sys.stderr.isatty():
            sys.stderr.write("\a")
            sys.stderr.flush()


def _emphasis(options: argparse.Namespace) -> Emphasis:
    return RedEmphasis(sys.stdout) if options.theme == "red" else Emphasis(sys.stdout)


def _check(options: argparse.Namespace) -> None:
    """Refuse what cannot work before anything is done.

    Raises
    ------
    FolderError
        If the folder is missing, or frames would be fed into it.
    """
    folder: Path = options.folder
    if not folder.is_dir():
        found = "is a file" if folder.exists() else "does not exist"
        raise FolderError(
            f"{folder} {found}. Give the folder into which the capture program writes."
        )
    if options.rig is not None and not options.focusing:
        raise FolderError("--rig goes with --focusing. Add --focusing, or leave --rig out.")
    if options.feed is None:
        if options.link or options.feed_all_but:
            raise FolderError("--link and --feed-all-but go with --feed DIR. Add --feed DIR.")
        return
    if options.feed.resolve() == folder.resolve():
        raise FolderError(
            f"{options.feed} is the watched folder itself. Give --feed another folder."
        )


def _page_server(options: argparse.Namespace, results: Path) -> "PageServer | None":
    """Make the page's server ready, if one is wanted."""
    if options.serve is None:
        return None
    from starwinnow_cli.phone.address import keep_token, parse_place  # noqa: PLC0415
    from starwinnow_cli.phone.server import PageServer  # noqa: PLC0415

    place = parse_place(options.serve)
    return PageServer(place, None if place.is_loopback else keep_token(results / _TOKEN_NAME))


def _feed(options: argparse.Namespace, results: Path) -> "Feed | None":
    from starwinnow.feed import RECORD_NAME, Feed  # noqa: PLC0415

    if options.feed is None:
        return None
    if options.link:
        say(_LINK_WARNING)
    return Feed(options.feed, results / RECORD_NAME, link=options.link)


def _causes(text: str | None) -> frozenset[str] | None:
    if text is None:
        return None
    return frozenset(word.strip() for word in text.split(",") if word.strip())


def _fed_lines(night: "NightSnapshot", fed: set[str]) -> list[str]:
    """Name frames that were passed on although the whole night leaves them out."""
    out = sorted(row.file for row in night.rows if row.file in fed and not row.kept)
    if not out:
        return []
    more = f" and {len(out) - _MOST_NAMES} more" if len(out) > _MOST_NAMES else ""
    names = ", ".join(out[:_MOST_NAMES]) + more
    return ["", f"Passed on, but left out by the whole night: {names}"]
