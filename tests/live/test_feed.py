"""Frames are passed on whole, once, and never taken back, whatever ends the program."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from starwinnow.errors import OutputError
from starwinnow.feed import Feed, FeedItem

SIZE = 400_000


class Killed(BaseException):
    """Ends the program at one step, as kill -9 would."""


def make_source(folder: Path, number: int) -> FeedItem:
    path = folder / f"f{number:02d}.fits"
    if not path.exists():
        path.write_bytes(bytes([number % 251 + 1]) * SIZE)
    return FeedItem(path=path, start=f"2031-10-14T20:{number:02d}:00", sample=f"{number:032x}")


@pytest.fixture
def night(tmp_path: Path) -> Path:
    (tmp_path / "night").mkdir()
    return tmp_path / "night"


def feed_of(tmp_path: Path, *, link: bool = False) -> Feed:
    return Feed(tmp_path / "feed", tmp_path / "fed.txt", link=link)


def names(tmp_path: Path) -> list[str]:
    return sorted(path.name for path in (tmp_path / "feed").iterdir())


def test_a_frame_is_placed_once_and_known_again(tmp_path: Path, night: Path) -> None:
    item = make_source(night, 1)
    feed = feed_of(tmp_path)
    assert feed.place(item)
    assert not feed.place(item)
    (tmp_path / "feed" / "f01.fits").unlink()  # the stacking program took it away
    assert not feed_of(tmp_path).place(item)
    assert names(tmp_path) == []


def test_a_renamed_or_rewritten_frame_is_the_same(tmp_path: Path, night: Path) -> None:
    item = make_source(night, 1)
    feed = feed_of(tmp_path)
    feed.place(item)
    renamed = FeedItem(path=item.path.rename(night / "g.fits"), start="", sample=item.sample)
    assert not feed.place(renamed)
    rewritten = FeedItem(path=item.path, start=item.start, sample="0" * 32)
    item.path.write_bytes(b"new")
    assert not feed.place(rewritten)


def test_nothing_in_the_folder_is_replaced(tmp_path: Path, night: Path) -> None:
    feed = feed_of(tmp_path)
    (tmp_path / "feed" / "f01.fits").write_bytes(b"of another night")
    assert feed.place(make_source(night, 1))
    assert names(tmp_path) == ["f01-2.fits", "f01.fits"]
    assert (tmp_path / "feed" / "f01.fits").read_bytes() == b"of another night"


def test_copies_are_files_of_their_own_and_links_are_not(tmp_path: Path, night: Path) -> None:
    first, second = make_source(night, 1), make_source(night, 2)
    feed_of(tmp_path).place(first)
    feed_of(tmp_path, link=True).place(second)
    first.path.write_bytes(b"changed")
    second.path.write_bytes(b"changed")
    assert (tmp_path / "feed" / "f01.fits").stat().st_size == SIZE
    assert (tmp_path / "feed" / "f02.fits").read_bytes() == b"changed"


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "feed").write_text("a file")
    with pytest.raises(OutputError, match=r"feed: frames cannot be passed on here .*--feed"):
        feed_of(tmp_path)


@pytest.mark.parametrize("step", range(6))
@pytest.mark.parametrize("taken", [False, True])
def test_an_end_at_any_step_leaves_one_whole_frame(
    tmp_path: Path, night: Path, monkeypatch, step: int, taken: bool
) -> None:
    """The program ends before its n-th step; a stacking program may take what it sees."""
    item = make_source(night, 1)
    feed = feed_of(tmp_path)
    done = 0

    def counted(real):
        def stepped(*arguments, **options):
            nonlocal done
            done += 1
            if done > step:
                raise Killed
            return real(*arguments, **options)

        return stepped

    with monkeypatch.context() as patch:
        patch.setattr("shutil.copyfile", counted(__import__("shutil").copyfile))
        patch.setattr("os.fsync", counted(os.fsync))
        patch.setattr(Path, "replace", counted(Path.replace))
        try:
            feed.place(item)
        except Killed:
            pass
        else:
            assert step >= 5, "fewer steps than thought"
    seen = [path for path in (tmp_path / "feed").iterdir() if path.suffix == ".fits"]
    assert all(path.stat().st_size == SIZE for path in seen)
    total = len(seen)
    if taken:
        for path in seen:
            path.unlink()
    again = feed_of(tmp_path)
    before = len([path for path in (tmp_path / "feed").iterdir() if path.suffix == ".fits"])
    placed = again.place(item)
    after = names(tmp_path)
    assert [name for name in after if not name.endswith(".fits")] == []
    if taken:
        assert total + len(after) == 1, (before, placed)
    else:
        assert after == ["f01.fits"]


_FEEDER = """
import sys
from pathlib import Path
from starwinnow.feed import Feed, FeedItem
base = Path(sys.argv[1])
feed = Feed(base / "feed", base / "fed.txt")
for path in sorted((base / "night").glob("*.fits")):
    number = int(path.stem[1:])
    feed.place(FeedItem(path=path, start=f"2031-10-14T20:{number:02d}:00", sample=f"{number:032x}"))
print("done")
"""


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_kill_9_again_and_again_leaves_every_frame_once(tmp_path: Path, night: Path) -> None:
    for number in range(40):
        make_source(night, number)
    looks = 0
    for life in range(40):
        process = subprocess.Popen(
            [sys.executable, "-c", _FEEDER, str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        seen = 0
        while process.poll() is None and seen < 4 * (life + 1):
            seen = 0
            for path in (tmp_path / "feed").glob("*.fits"):
                seen, looks = seen + 1, looks + 1
                assert path.stat().st_size == SIZE, path
            time.sleep(0.001 * (life % 4))
        finished = process.poll() is not None
        process.kill()
        said, _ = process.communicate()
        if finished:
            break
    assert said == "done\n"
    assert looks
    assert life >= 3, "it was hardly ever killed"
    assert names(tmp_path) == [f"f{number:02d}.fits" for number in range(40)]
    for number in range(40):
        source = (night / f"f{number:02d}.fits").read_bytes()
        assert (tmp_path / "feed" / f"f{number:02d}.fits").read_bytes() == source
