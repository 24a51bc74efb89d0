"""How text looks on a terminal: emphasis, widths, shortened names, local times."""

import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import datetime
from types import TracebackType
from typing import TextIO

__all__ = [
    "GAP",
    "TIE",
    "Emphasis",
    "LiveTerminal",
    "RedEmphasis",
    "beside",
    "coloured",
    "display_width",
    "duration",
    "labelled",
    "local_time",
    "obeys_codes",
    "pad",
    "say",
    "shorten",
    "show",
    "width",
]

TIE = "\xa0"
"""A space at which no line may break, between a number and its unit."""

GAP = "   "
"""Between parts of a line that are told beside each other."""

_NARROWEST = 80
_WIDEST = 120
_LABEL_CELLS = 12


class Emphasis:
    """Bold and dim on a terminal that wants them, plain text elsewhere.

    No hue carries meaning: under a red lamp only brightness is left. `NO_COLOR` is obeyed.
    """

    def __init__(self, stream: TextIO) -> None:
        self._on = obeys_codes(stream) and not os.environ.get("NO_COLOR")

    @property
    def ground(self) -> str:
        """What every line begins with."""
        return ""

    def bold(self, text: str) -> str:
        """Text that must be seen first."""
        return f"\x1b[1m{text}\x1b[22m" if self._on else text

    def dim(self, text: str) -> str:
        """Text that may be passed over."""
        return f"\x1b[2m{text}\x1b[22m" if self._on else text

    def code(self, text: str) -> str:
        """Block signs that a camera reads: light on dark whatever the terminal's colours."""
        return f"\x1b[97;40m{text}\x1b[39;49m" if self._on else text


class RedEmphasis(Emphasis):
    """Red on black throughout, for eyes that are used to the dark; brightness alone emphasises.

    Of the usual 256 colours 88, 124 and 196 are #870000, #af0000 and #ff0000: no green, no blue.
    """

    _DARK, _PLAIN, _BRIGHT = ("\x1b[22;38;5;88m", "\x1b[22;38;5;124m", "\x1b[1;38;5;196m")

    def __init__(self, stream: TextIO) -> None:
        super().__init__(stream)
        # Asked for by name, red is more than decoration.
        self._on = obeys_codes(stream)

    @property
    def ground(self) -> str:
        """What every line begins with."""
        return "\x1b[48;5;16m" + self._PLAIN if self._on else ""

    def bold(self, text: str) -> str:
        """Text that must be seen first."""
        return f"{self._BRIGHT}{text}{self._PLAIN}" if self._on else text

    def dim(self, text: str) -> str:
        """Text that may be passed over."""
        return f"{self._DARK}{text}{self._PLAIN}" if self._on else text

    def code(self, text: str) -> str:
        """Block signs that a camera reads, in plain red."""
        return text


@contextmanager
def coloured(stream: TextIO, emphasis: Emphasis) -> Iterator[None]:
    """Give all that is written to a terminal meanwhile the ground of an emphasis.

    Progress, messages and results after the live screen are then red too where red is asked for.
    """
    stream.write(emphasis.ground)
    stream.flush()
    try:
        yield
    finally:
        if emphasis.ground:
            stream.write("\x1b[0m\x1b[K")
            stream.flush()


class LiveTerminal:
    """A screen of its own on the terminal, drawn anew in place; what was there comes back.

    Parameters
    ----------
    stream : TextIO
        The terminal.
    emphasis : Emphasis
    """

    _ENTER = "\x1b[?1049h\x1b[?25l\x1b[?7l"
    _LEAVE = "\x1b[0m\x1b[?7h\x1b[?25h\x1b[?1049l"

    def __init__(self, stream: TextIO, emphasis: Emphasis) -> None:
        self._stream = stream
        self._emphasis = emphasis
        self._drawn = ""
        self._left = False

    def __enter__(self) -> "LiveTerminal":
        self._write(self._ENTER + self._emphasis.ground + "\x1b[J")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.leave()

    def leave(self) -> None:
        """Give the terminal back; nothing is drawn any more. A second time does nothing."""
        if self._left:
            return
        # Called by a signal that came while the stream was being emptied it fails, and is called
        # again at the end.
        with suppress(RuntimeError):
            self._write(self._LEAVE + self._emphasis.ground)
            self._left = True

    @property
    def size(self) -> tuple[int, int]:
        """(columns, rows) now: the window may be drawn larger or smaller at any time."""
        size = shutil.get_terminal_size()
        return size.columns, size.lines

    def draw(self, lines: Sequence[str]) -> None:
        """Show lines from the top; only when they differ from what is there, so nothing blinks."""
        rows = self.size[1]
        ground = self._emphasis.ground
        shown = [*lines, *[""] * rows][:rows]
        text = "\x1b[H" + "\r\n".join(f"{ground}{line}\x1b[K" for line in shown)
        if not self._left and text != self._drawn:
            self._drawn = text
            self._write(text)

    def ring(self) -> None:
        """Sound the terminal's bell once."""
        self._write("\a")

    def _write(self, text: str) -> None:
        encoding = self._stream.encoding or "ascii"
        self._stream.write(text.encode(encoding, "replace").decode(encoding))
        self._stream.flush()


def obeys_codes(stream: TextIO) -> bool:
    """Whether a stream is a terminal that does as escape codes say."""
    return stream.isatty() and os.environ.get("TERM") != "dumb"


def say(message: str) -> None:
    """Write a message for the observer to standard error."""
    sys.stderr.write(message + "\n")
    sys.stderr.flush()


def show(text: str) -> None:
    """Write results to standard output; quiet when whoever reads them has gone."""
    encoding = sys.stdout.encoding or "ascii"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.replace("±", "+-").encode(encoding, "replace").decode(encoding)
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # Python flushes once more at its end: let that go nowhere, without a complaint.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def width() -> int:
    """Columns to fill: those of the terminal, between 80 and 120."""
    return min(max(shutil.get_terminal_size().columns, _NARROWEST), _WIDEST)


def display_width(text: str) -> int:
    """Terminal cells a text takes: two for wide East Asian signs, none for accents."""
    if text.isascii():
        return len(text)
    return sum(
        0 if unicodedata.combining(sign) else 2 if unicodedata.east_asian_width(sign) in "WF" else 1
        for sign in text
    )


def shorten(text: str, cells: int) -> str:
    """Take signs out of the middle until the text fits.

    More of the end stays than of the beginning: names of frames differ near their end.
    """
    if display_width(text) <= cells:
        return text
    head = len(text) // 4
    tail = len(text) - head
    while display_width(text[:head] + text[len(text) - tail :]) > cells - 2:
        if head > tail // 3:
            head -= 1
        else:
            tail -= 1
    return text[:head] + ".." + text[len(text) - tail :]


def beside(parts: Sequence[str], cells: int) -> str:
    """Set parts beside each other, the last ones only where they fit."""
    kept = list(parts)
    while display_width(GAP.join(kept)) > cells:
        kept.pop()
    return GAP.join(kept)


def pad(text: str, cells: int) -> str:
    """Shorten or fill a text to exactly so many cells."""
    short = shorten(text, cells)
    return short + " " * (cells - display_width(short))


def local_time(moment: datetime | None) -> str:
    """Time of day on this machine's clock; dashes where it is not known."""
    return "--:--:--" if moment is None else moment.astimezone().strftime("%H:%M:%S")


def duration(seconds: float) -> str:
    """Say a length of time as people do."""
    if seconds < 300:
        return f"{seconds:.3g} s" if seconds < 10 else f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def labelled(label: str, text: str, cells: int) -> list[str]:
    """Set a label and wrap a text beside it."""
    indent = " " * _LABEL_CELLS
    lines = textwrap.wrap(
        text,
        cells,
        initial_indent=f"{label:{_LABEL_CELLS}}",
        subsequent_indent=indent,
        break_on_hyphens=False,
    )
    return [shorten(line.replace(TIE, " "), cells) for line in lines]
