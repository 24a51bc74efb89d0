"""The notice board: the watching thread pins the latest snapshot to it, pages read from it."""

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from starwinnow.live_snapshot import LiveSnapshot
from starwinnow_cli.phone.message import message

__all__ = ["MOST_OF_ONE_READER", "MOST_READERS", "Board"]

MOST_READERS = 8
"""So many pages may be open at a time."""
MOST_OF_ONE_READER = 3
"""And so many at one address: one more takes the place of the oldest, since a phone that was out of
reach comes back while its former line still seems to stand."""
# 50 verdicts a second are no use to an eye, and a phone's battery is small.
_PAUSE_S = 0.25
_RETRY_MS = 2000
# A watch that runs pins a snapshot each second, and at least when it has measured a frame.
_FRESH_S = 15.0


@dataclass(eq=False, slots=True)
class _Reader:
    """One page that is open."""

    address: str
    replaced: bool = False


class Board:
    """Holds one snapshot, never a queue: who is slow misses what was in between.

    `publish` may be called from any thread; all else belongs to the server's thread.
    """

    def __init__(self) -> None:
        self._readers: list[_Reader] = []
        self.was_read = threading.Event()
        self._pinned: tuple[int, LiveSnapshot, datetime, int] | None = None
        self._text: tuple[int, str] = (0, "")
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()
        self._waking = False
        self._closing = asyncio.Event()

    def attach(self, loop: asyncio.AbstractEventLoop) -> None:
        """Say which loop the readers run on."""
        self._loop = loop

    def publish(self, snapshot: LiveSnapshot) -> None:
        """Pin a snapshot and go on at once."""
        number, picture = 1, 0
        if self._pinned is not None:
            before = self._pinned
            number, picture = before[0] + 1, before[3]
            picture += snapshot.picture is not before[1].picture
        elif snapshot.picture is not None:
            picture = 1
        self._pinned = (number, snapshot, datetime.now(UTC), picture)
        if self._loop is not None and not self._waking:
            self._waking = True
            try:
                self._loop.call_soon_threadsafe(self._wake)
            except RuntimeError:
                # The server has stopped; the watch goes on.
                self._loop = None

    def close(self) -> None:
        """Let all readers go."""
        self._closing.set()
        self._wake()

    @property
    def picture(self) -> NDArray[np.uint8] | None:
        """Picture of the last frame."""
        return self._pinned[1].picture if self._pinned else None

    @property
    def is_full(self) -> bool:
        """Whether as many pages are open as may be."""
        return len(self._readers) >= MOST_READERS

    def _enter(self, address: str) -> _Reader:
        """Let a page in; the oldest of too many at its address has to go."""
        reader = _Reader(address)
        alike = [other for other in self._readers if other.address == address]
        for oldest in alike[: max(len(alike) + 1 - MOST_OF_ONE_READER, 0)]:
            oldest.replaced = True
            self._readers.remove(oldest)
        self._readers.append(reader)
        self._wake()
        return reader

    async def follow(self, address: str) -> AsyncIterator[str]:
        """Give events as server-sent text: the message when it changed, else a beat.

        Without a new snapshot nothing is sent: the page then knows that it has no news.
        """
        if self.is_full:
            # Several asked at the same moment.
            return
        reader = self._enter(address)
        self.was_read.set()
        try:
            yield f"retry: {_RETRY_MS}\n\n"
            number, shown = 0, ""
            while not reader.replaced:
                changed = self._changed
                if self._pinned is not None and self._pinned[0] != number:
                    number, text = self._message()
                    age_s = (datetime.now(UTC) - self._pinned[2]).total_seconds()
                    # An old message shows how things stood; it is no sign of life.
                    kind = "event: old\n" if age_s > _FRESH_S else ""
                    yield f"{kind}data: {text}\n\n" if text != shown else "event: beat\ndata:\n\n"
                    shown = text
                    with suppress(TimeoutError):
                        await asyncio.wait_for(self._closing.wait(), _PAUSE_S)
                elif self._closing.is_set():
                    # Not before the last news are told.
                    return
                else:
                    await changed.wait()
        finally:
            if not reader.replaced:
                self._readers.remove(reader)

    def _message(self) -> tuple[int, str]:
        """Give the message of now, made once for all readers."""
        assert self._pinned is not None
        number, snapshot, moment, picture = self._pinned
        if self._text[0] != number:
            self._text = (number, message(snapshot, moment, picture=picture))
        return self._text

    def _wake(self) -> None:
        self._waking = False
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()
