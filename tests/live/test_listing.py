"""The whole folder is listed rarely; files that a notice names are looked at alone."""

import itertools
import threading
import time
from pathlib import Path

import pytest

from starwinnow import watch
from starwinnow.arrivals import State, list_folder
from starwinnow.watch import Gone, News, Quiet, Settled, Watch

from .night_frames import fits_bytes

FRAMES = 12
Seen = list[tuple[float, News]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "night").mkdir()
    return tmp_path / "night"


def count_listings(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    listings: list[float] = []

    def listed(folder: Path) -> list[tuple[Path, State]]:
        listings.append(time.monotonic())
        return list_folder(folder)

    monkeypatch.setattr(watch, "list_folder", listed)
    return listings


def watched(folder: Path, seconds: float, write: threading.Thread) -> Seen:
    """Watch for some time while another thread writes."""
    stop = threading.Event()
    seen: Seen = []
    end = threading.Timer(seconds, stop.set)
    for news in Watch(folder, stop):
        if not seen:
            end.start()
            write.start()
        seen.append((time.monotonic(), news))
    write.join()
    return seen


def names(seen: Seen) -> list[str]:
    return [news.path.name for _, news in seen if isinstance(news, Settled)]


def test_files_between_two_listings_come_by_their_notices(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "_LISTING_S", 60.0)
    listings = count_listings(monkeypatch)

    def write() -> None:
        # The system's notices begin a moment after the first listing.
        time.sleep(1.0)
        for number in range(FRAMES):
            (folder / f"frame_{number:02d}.fits").write_bytes(fits_bytes(number))
            (folder / f"note_{number:02d}.txt").write_text("no frame")
            time.sleep(0.05)
        (folder / "frame_03.fits").unlink()

    seen = watched(folder, 3.5, threading.Thread(target=write))
    assert sorted(names(seen)) == [f"frame_{number:02d}.fits" for number in range(FRAMES)]
    assert [news.names for _, news in seen if isinstance(news, Gone)] == [("frame_03.fits",)]
    assert len(listings) == 1


def test_files_whose_notices_are_lost_come_with_the_next_listing(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "_listen", lambda *_: None)
    listings = count_listings(monkeypatch)
    written: list[float] = []

    def write() -> None:
        time.sleep(0.3)
        (folder / "frame.fits").write_bytes(fits_bytes())
        written.append(time.monotonic())

    seen = watched(folder, 2.5, threading.Thread(target=write))
    assert names(seen) == ["frame.fits"]
    came = next(at for at, news in seen if isinstance(news, Settled))
    # At most a second until the listing, and some more on a busy machine.
    assert came - written[0] < 2
    pauses = [later - one for one, later in itertools.pairwise(listings)]
    assert len(pauses) >= 1
    assert min(pauses) > 0.9


def test_a_folder_that_takes_long_to_list_is_listed_more_rarely(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    listings: list[float] = []

    def listed(folder: Path) -> list[tuple[Path, State]]:
        listings.append(time.monotonic())
        time.sleep(0.06)
        return list_folder(folder)

    monkeypatch.setattr(watch, "list_folder", listed)
    seen = watched(folder, 2.6, threading.Thread(target=lambda: None))
    assert len(listings) == 1
    assert all(isinstance(news, Quiet) for _, news in seen)
