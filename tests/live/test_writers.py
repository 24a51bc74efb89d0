"""Every way in which programs write files ends in one verdict on the whole file."""

import gzip
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from starwinnow import live_session
from starwinnow.live_night import LiveNight
from starwinnow.live_session import LiveSession
from starwinnow.live_snapshot import LiveFrame, LiveSnapshot
from starwinnow.preparation import warm_up
from starwinnow.settings import Settings
from starwinnow.store import NightStore, identify
from starwinnow.watch import Watch

from .night_frames import fits_bytes

PATIENCE_S = 20.0
Write = Callable[[Path], None]


class Watched:
    """A watch that runs in a thread of its own."""

    def __init__(self, folder: Path, *, poll: bool) -> None:
        self.folder = folder
        self.stop = threading.Event()
        self.verdicts: list[LiveFrame] = []
        self.states: list[str] = []
        self.last: LiveSnapshot | None = None
        self.failure: BaseException | None = None
        self._poll = poll
        self.thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        try:
            with NightStore(self.folder.parent / "night.sqlite") as store:
                watch = Watch(self.folder, self.stop, poll=self._poll)
                night = LiveNight(self.folder.name, Settings())
                for snapshot, verdicts in LiveSession(watch, night, store):
                    self.verdicts += verdicts[:1]
                    self.states.append(snapshot.state)
                    self.last = snapshot
        except BaseException as error:
            self.failure = error
            raise

    def wait_for(self, done: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not done():
            assert self.failure is None
            assert time.monotonic() < end, [f.file for f in self.verdicts]
            time.sleep(0.02)

    def names(self) -> list[str]:
        return sorted(frame.file for frame in self.verdicts)


@pytest.fixture(scope="module", autouse=True)
def _kernels() -> None:
    warm_up()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "night").mkdir()
    return tmp_path / "night"


@contextmanager
def watching(folder: Path, *, poll: bool = False) -> Iterator[Watched]:
    watched = Watched(folder, poll=poll)
    watched.thread.start()
    try:
        watched.wait_for(lambda: bool(watched.states))
        yield watched
    finally:
        watched.stop.set()
        asked = time.monotonic()
        watched.thread.join()
        assert time.monotonic() - asked < 2


def at_once(path: Path) -> None:
    path.write_bytes(fits_bytes())


def slowly(path: Path) -> None:
    content = fits_bytes()
    with path.open("wb") as file:
        for part in range(6):
            file.write(content[part * len(content) // 6 : (part + 1) * len(content) // 6])
            file.flush()
            time.sleep(0.5)


def renamed(path: Path) -> None:
    other = path.with_name("incoming.fits.tmp")
    other.write_bytes(fits_bytes())
    time.sleep(0.2)
    other.rename(path)


def hidden(path: Path) -> None:
    other = path.with_name(f".{path.name}")
    other.write_bytes(fits_bytes())
    other.rename(path)


def reserved(path: Path) -> None:
    """Right size at once, pixels later, the last ones at the end."""
    content = fits_bytes()
    path.write_bytes(bytes(len(content)))
    with path.open("r+b") as file:
        for part in range(4):
            time.sleep(0.3)
            file.write(content[part * len(content) // 4 : (part + 1) * len(content) // 4])
            file.flush()


def header_last(path: Path) -> None:
    content = fits_bytes()
    with path.open("wb") as file:
        file.write(bytes(2880) + content[2880:])
        file.flush()
        time.sleep(0.7)
        file.seek(0)
        file.write(content[:2880])


def packed(path: Path) -> None:
    content = gzip.compress(fits_bytes())
    with path.open("wb") as file:
        file.write(content[:-5])
        file.flush()
        time.sleep(0.7)
        file.write(content[-5:])


@pytest.mark.parametrize("poll", [False, True])
@pytest.mark.parametrize("write", [slowly, renamed, hidden, reserved, header_last, packed])
def test_one_verdict_on_the_whole_file(folder: Path, write: Write, poll: bool) -> None:
    path = folder / ("a.fits.gz" if write is packed else "a.fits")
    with watching(folder, poll=poll) as watched:
        write(path)
        closed = time.monotonic()
        watched.wait_for(lambda: bool(watched.verdicts))
        # Generous for a busy machine; the benchmark holds the real limit.
        assert time.monotonic() - closed < 5
        time.sleep(0.3)
    assert watched.names() == [path.name]
    assert watched.verdicts[0].causes != ("unreadable",)
    with NightStore(folder.parent / "night.sqlite") as store:
        assert store.find(identify(path)) is not None


def test_fifty_at_once_and_one_deleted_at_once(folder: Path) -> None:
    for number in range(3):
        (folder / f"old_{number}.fits").write_bytes(fits_bytes(100 + number))
    with watching(folder) as watched:
        for number in range(50):
            (folder / f"new_{number:02d}.fits").write_bytes(fits_bytes(number))
        (folder / "gone.fits").write_bytes(fits_bytes(99))
        (folder / "gone.fits").unlink()
        watched.wait_for(lambda: len(watched.verdicts) >= 53)
    whole = sorted([f"old_{n}.fits" for n in range(3)] + [f"new_{n:02d}.fits" for n in range(50)])
    assert [name for name in watched.names() if name != "gone.fits"] == whole
    assert watched.last is not None
    assert watched.last.state == "ended"


def test_a_corrupt_file_is_named_after_a_while(folder: Path, monkeypatch) -> None:
    monkeypatch.setattr(live_session, "_RETRIES_END_S", 1.0)
    with watching(folder) as watched:
        (folder / "torn.fits.gz").write_bytes(gzip.compress(fits_bytes())[:-8] + b"\1" * 8)
        (folder / "good.fits").write_bytes(fits_bytes())
        watched.wait_for(lambda: len(watched.verdicts) == 2)
    good, torn = watched.verdicts
    assert (good.file, torn.file, torn.causes) == ("good.fits", "torn.fits.gz", ("unreadable",))
    assert torn.note


def test_a_file_written_anew_is_judged_anew_and_counted_once(folder: Path) -> None:
    with watching(folder) as watched:
        (folder / "a.fits").write_bytes(fits_bytes(1))
        watched.wait_for(lambda: len(watched.verdicts) == 1)
        (folder / "a.fits").write_bytes(fits_bytes(2, (200, 200)))
        watched.wait_for(lambda: len(watched.verdicts) == 2)
    assert watched.last is not None
    assert watched.last.counts.frames == 1


def test_the_folder_goes_and_comes_back(folder: Path) -> None:
    with watching(folder) as watched:
        (folder / "a.fits").write_bytes(fits_bytes(1))
        watched.wait_for(lambda: len(watched.verdicts) == 1)
        folder.rename(folder.with_name("away"))
        watched.wait_for(lambda: "folder-gone" in watched.states)
        folder.with_name("away").rename(folder)
        (folder / "b.fits").write_bytes(fits_bytes(2))
        watched.wait_for(lambda: len(watched.verdicts) == 2)
    assert watched.names() == ["a.fits", "b.fits"]
