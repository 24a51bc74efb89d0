"""A progress bar with frames a second and time left."""

import time
from collections import deque
from types import TracebackType
from typing import TextIO

__all__ = ["ProgressBar"]

_BAR_CELLS = 24
_REDRAW_S = 0.1
# Speed is that of the last seconds: frames recalled from the store pass at once, and the time
# left must not be promised from them.
_WINDOW_S = 5.0


class ProgressBar:
    """Draws one line on a terminal and takes it away at the end; silent elsewhere."""

    def __init__(self, total: int, stream: TextIO) -> None:
        self._total = total
        self._stream = stream
        self._shown = stream.isatty()
        self._drawn_at = float("-inf")
        self._steps: deque[tuple[float, int]] = deque([(time.monotonic(), 0)])

    def __enter__(self) -> "ProgressBar":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def clear(self) -> None:
        """Take the line away, so that a message can be written in its place."""
        if self._shown:
            self._stream.write("\r\x1b[K")
            self._stream.flush()

    def update(self, done: int) -> None:
        """Show that so many frames are done."""
        now = time.monotonic()
        self._steps.append((now, done))
        while len(self._steps) > 2 and now - self._steps[1][0] > _WINDOW_S:
            self._steps.popleft()
        if self._shown and (now - self._drawn_at >= _REDRAW_S or done == self._total):
            self._drawn_at = now
            self._stream.write("\r" + self.line() + "\x1b[K")
            self._stream.flush()

    def line(self) -> str:
        """Return the bar as text, at most 79 columns wide."""
        (since, before), (now, done) = self._steps[0], self._steps[-1]
        filled = _BAR_CELLS * done // max(self._total, 1)
        bar = "#" * filled + "." * (_BAR_CELLS - filled)
        text = f"[{bar}] {done}/{self._total} frames"
        if now > since and done > before:
            rate = (done - before) / (now - since)
            left = round((self._total - done) / rate)
            text += f"  {rate:.3g} a second  {left // 60}:{left % 60:02d} left"
        return text
