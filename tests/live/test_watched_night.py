"""The command watches the sample night, is killed, goes on, and ends with what `score` says."""

import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

SAMPLES = sorted((Path(__file__).parents[2] / "sample_frames").glob("*.fits*"))
SCRIPT = "import sys; from starwinnow_cli.main import main; sys.exit(main())"
VERDICT = re.compile(r"\d\d:\d\d:\d\d (keep|leave out|not scored)\?? (demo-field_\S+?)(:| \()")
CHANGE = re.compile(r"\d\d:\d\d:\d\d ~ (demo-field_\S+): now (keep|leave out)")

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")


class Life:
    """One life of the watching command, its output in a file."""

    def __init__(self, folder: Path, feed: Path, log: Path) -> None:
        self.log = log
        with log.open("w") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-c", SCRIPT, "watch", str(folder), "--feed", str(feed)],
                stdout=out,
                stderr=subprocess.STDOUT,
            )

    def lines(self) -> list[str]:
        return self.log.read_text(encoding="utf-8").splitlines()

    def verdicts(self) -> dict[str, str]:
        found: dict[str, str] = {}
        for line in self.lines():
            if verdict := VERDICT.match(line):
                found[verdict[2]] = verdict[1]
            elif change := CHANGE.match(line):
                found[change[1]] = change[2]
        return found

    def kept_ever(self) -> set[str]:
        """Frames that were kept once the reference had settled."""
        provisional, kept, settled = set(), set(), False
        for line in self.lines():
            settled |= "the reference has settled" in line
            verdict, change = VERDICT.match(line), CHANGE.match(line)
            if verdict and verdict[1] == "keep":
                (provisional if "(provisional)" in line else kept).add(verdict[2])
            elif change and not settled:
                (provisional.discard if change[2] == "leave out" else provisional.add)(change[1])
            elif change and change[2] == "keep":
                kept.add(change[1])
        return kept | (provisional if settled else set())

    def wait_for(self, count: int) -> None:
        end = time.monotonic() + 90
        while len(self.verdicts()) < count:
            assert self.process.poll() is None, self.lines()
            assert time.monotonic() < end, self.lines()
            time.sleep(0.05)


@pytest.fixture
def living() -> Iterator[list[Life]]:
    lives: list[Life] = []
    yield lives
    for life in lives:
        life.process.kill()
        life.process.wait()


def whole(path: Path, source: Path) -> bool:
    return path.read_bytes() == source.read_bytes()


def test_the_sample_night_killed_once_ends_as_score_has_it(
    tmp_path: Path, living: list[Life]
) -> None:
    folder, feed = tmp_path / "night", tmp_path / "feed"
    folder.mkdir()
    first = Life(folder, feed, tmp_path / "first.txt")
    living.append(first)
    for sample in SAMPLES[:12]:
        shutil.copyfile(sample, folder / sample.name)
    first.wait_for(11)
    first.process.kill()
    first.process.wait()
    # Killed while it copied, it may leave a hidden file; the second life takes it away.
    for path in feed.glob("[!.]*.fits*"):
        assert whole(path, folder / path.name)
    second = Life(folder, feed, tmp_path / "second.txt")
    living.append(second)
    second.wait_for(12)
    for sample in SAMPLES[12:]:
        shutil.copyfile(sample, folder / sample.name)
    second.wait_for(len(SAMPLES))
    asked = time.monotonic()
    second.process.send_signal(signal.SIGINT)
    assert second.process.wait(30) == 0
    # The limit is 2 s on a quiet machine; this one may be busy.
    assert time.monotonic() - asked < 10
    names = sorted(path.name for path in feed.iterdir())
    assert names == sorted(first.kept_ever() | second.kept_ever())
    assert all(whole(feed / name, folder / name) for name in names)
    score = [sys.executable, "-c", SCRIPT, "score", str(folder), "--out", str(tmp_path / "batch")]
    subprocess.run(score, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    for name in ("frames.ecsv", "night.json", "keep.txt"):
        live = (folder / "starwinnow" / name).read_text(encoding="utf-8")
        assert live == (tmp_path / "batch" / name).read_text(encoding="utf-8"), name
