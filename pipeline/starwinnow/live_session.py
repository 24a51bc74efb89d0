"""A watched folder, measured, judged, kept, passed on and shown: the night while it runs."""

import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass

from starwinnow.advice import Circumstances
from starwinnow.arrivals import Settled, State
from starwinnow.feed import Feed, FeedItem
from starwinnow.live_night import LiveNight
from starwinnow.live_snapshot import LiveFrame, LiveSnapshot, Publish
from starwinnow.measuring import measure_files
from starwinnow.store import NightStore, Unreadable, identify
from starwinnow.watch import FolderGone, Gone, Watch
from starwinnow.work_ahead import DoneAhead, WorkAhead

__all__ = ["FeedRule", "LiveSession"]

# A file that cannot be read is tried again after so many seconds, twice as many each time, until
# the stated time has passed: it may be written out of order.
_FIRST_RETRY_S, _RETRIES_END_S = 0.5, 20.0
# Without news a snapshot is given so often: times on the screen go on.
_HEARTBEAT_S = 1.0
# These are no frames to stack, whatever is asked for.
_NEVER_FED = frozenset({"unreadable", "not-light", "duplicate"})


@dataclass(frozen=True, slots=True)
class FeedRule:
    """Which frames are passed on.

    Attributes
    ----------
    all_but : frozenset of str or None
        Pass on everything except frames with one of these causes; None for the frames that earn
        it by their verdict.
    """

    all_but: frozenset[str] | None = None

    def passes(self, frame: LiveFrame) -> bool:
        """Whether a frame earns its place; a provisional verdict does not yet."""
        if frame.provisional or _NEVER_FED & set(frame.causes):
            return False
        if self.all_but is None:
            return frame.kept
        codes = {code for cause in frame.causes for code in cause.split("|")}
        return not self.all_but & codes


@dataclass(slots=True)
class _Retry:
    """A file that could not be read, to be tried again."""

    settled: Settled
    at: float
    pause: float
    until: float


class LiveSession:
    """Runs a watch: iterate over it for snapshots, one for each verdict and each second.

    Parameters
    ----------
    watch : Watch
    night : LiveNight
    store : NightStore
        Where measures are kept; each is on disk before its verdict is given.
    feed : Feed, optional
        Where frames are passed on to.
    rule : FeedRule
        Which ones.
    publish : callable, optional
        Takes each snapshot as well, before the iteration gives it.
    more_ahead : callable, optional
        Does a part of what the end needs beside judging, while nothing is to be measured; False
        when there is nothing to do.
    """

    def __init__(
        self,
        watch: Watch,
        night: LiveNight,
        store: NightStore,
        *,
        feed: Feed | None = None,
        rule: FeedRule | None = None,
        publish: Publish | None = None,
        more_ahead: Callable[[], bool] | None = None,
    ) -> None:
        self.watch = watch
        self.night = night
        self.store = store
        self.feed = feed
        self.rule = rule or FeedRule()
        self.publish = publish
        self._ahead = WorkAhead(store.recall, more_ahead)
        self._retries: dict[str, _Retry] = {}
        self._starts: dict[str, str] = {}
        self._frame_bytes = 0

    def __iter__(self) -> Iterator[tuple[LiveSnapshot, list[LiveFrame]]]:
        """Give snapshots, each with the verdicts that are new in it.

        Raises
        ------
        OutputError
            If a frame cannot be passed on.
        StoreError
            If measures cannot be kept.
        """
        shown_at = float("-inf")
        for news in self.watch:
            verdicts: list[LiveFrame] = []
            if isinstance(news, FolderGone):
                self.night.change_state("folder-gone")
            elif isinstance(news, Gone):
                for name in news.names:
                    self.night.forget(name)
                    self._retries.pop(name, None)
            elif isinstance(news, Settled):
                self._seen()
                verdicts = self._take(news)
            else:
                self._seen()
                verdicts = self._try_again()
                if not verdicts:
                    self._ahead.work(self.night.runs, self.watch.stop.is_set)
            now = time.monotonic()
            if verdicts or now - shown_at >= _HEARTBEAT_S:
                shown_at = now
                yield self._show(), verdicts
        self.night.change_state("ended")
        yield self._show(), []

    @property
    def done_ahead(self) -> DoneAhead:
        """What judging the whole night can take over."""
        return self._ahead.done()

    def _seen(self) -> None:
        """Note that the folder can be seen."""
        if self.night.state == "folder-gone":
            self.night.change_state("watching" if self.night.runs else "waiting")

    def _take(self, settled: Settled) -> list[LiveFrame]:
        """Measure a file, judge it, pass it on."""
        result = next(measure_files([settled.path], self.store))
        try:
            changed = State.of(settled.path) != settled.state
        except OSError:
            # Deleted meanwhile: the watch will say so if it comes back.
            self._retries.pop(settled.path.name, None)
            self.store.drop([settled.path.name])
            return []
        if changed:
            self._retries.pop(settled.path.name, None)
            self.watch.reopen(settled)
            return []
        if isinstance(result, Unreadable):
            return self._unreadable(settled, result)
        self._retries.pop(settled.path.name, None)
        self._frame_bytes = settled.state.size
        start = result.capture.start_utc
        self._starts[result.file_name] = start.isoformat() if start else ""
        self._ahead.see(result)
        return self._pass_on(self.night.add(result))

    def _unreadable(self, settled: Settled, result: Unreadable) -> list[LiveFrame]:
        """Name a file that cannot be read when trying again for a while has not helped."""
        now, name = time.monotonic(), settled.path.name
        retry = self._retries.get(name)
        if retry is None:
            retry = _Retry(settled, now, _FIRST_RETRY_S, now + _RETRIES_END_S)
        if settled.old or now + retry.pause > retry.until:
            self._retries.pop(name, None)
            return [self.night.add_unreadable(result)]
        retry.settled, retry.at = settled, now + retry.pause
        retry.pause *= 2
        self._retries[name] = retry
        return []

    def _try_again(self) -> list[LiveFrame]:
        """Measure the first file again that is due."""
        now = time.monotonic()
        for retry in self._retries.values():
            if retry.at <= now:
                self.store.drop([retry.settled.path.name])
                return self._take(retry.settled)
        return []

    def _pass_on(self, verdicts: list[LiveFrame]) -> list[LiveFrame]:
        """Feed those that earn it, the new ones and those whose verdict has just settled."""
        if self.feed is None:
            return verdicts
        return [self._fed(frame) for frame in verdicts]

    def _fed(self, frame: LiveFrame) -> LiveFrame:
        assert self.feed is not None
        path = self.watch.folder / frame.file
        try:
            item = FeedItem(
                path=path,
                start=self._starts.get(frame.file, ""),
                sample=identify(path).sample.hex(),
            )
            known, earned = self.feed.knows(item), self.rule.passes(frame)
            if not known and earned:
                self.feed.place(item)
        except FileNotFoundError:
            # The frame was deleted before it could be passed on.
            return frame
        if known or earned:
            self.night.mark_fed(frame.file, unearned=not earned and not frame.provisional)
        return self.night.standing(frame.file) or frame

    def _show(self) -> LiveSnapshot:
        waiting = self.watch.arrivals.waiting + len(self._retries)
        snapshot = self.night.snapshot(self._circumstances(), waiting=waiting)
        if self.publish is not None:
            self.publish(snapshot)
        return snapshot

    def _circumstances(self) -> Circumstances:
        """Room on the disk that fills, in frames."""
        if not self._frame_bytes:
            return Circumstances()
        with suppress(OSError):
            free = shutil.disk_usage(self.watch.folder).free
            return Circumstances(frames_left_on_disk=free / self._frame_bytes)
        return Circumstances()
