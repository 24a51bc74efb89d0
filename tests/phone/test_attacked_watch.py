"""The command scores frames while its page is attacked from all sides."""

import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from starwinnow_cli.phone.address import Place

from .asking import ask

resource = pytest.importorskip("resource", reason="limits of open files are set otherwise here")
SAMPLES = sorted((Path(__file__).parents[2] / "sample_frames").glob("*.fits*"))
SCRIPT = "import sys; from starwinnow_cli.main import main; sys.exit(main())"
VERDICT = re.compile(r"\d\d:\d\d:\d\d (?:keep|leave out|not scored)\?? (demo-field_\S+?)(?::| \()")
CONNECTIONS, CROWDS = 1000, 20


class Attack:
    """A thousand connections held open, and a stream of bad requests, until it is stopped."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.held: list[socket.socket] = []
        self.answers: list[int] = []
        self._stop = threading.Event()
        work = [self._crowd] * CROWDS + [self._pester]
        self._threads = [threading.Thread(target=part) for part in work]

    def __enter__(self) -> "Attack":
        for thread in self._threads:
            thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join()
        for line in self.held:
            line.close()

    def _crowd(self) -> None:
        """Half of them ask for the news and never read, the others begin a request."""
        asked = f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{self.place.port}\r\n\r\n".encode()
        for number in range(CONNECTIONS // CROWDS):
            line = socket.socket()
            line.settimeout(1)
            try:
                line.connect((self.place.host, self.place.port))
                line.sendall(asked if number % 2 else b"GET / HTTP/1.1\r\nHo")
            except OSError:
                pass
            self.held.append(line)

    def _pester(self) -> None:
        while not self._stop.is_set():
            for path, host in (("/../../etc/passwd", None), ("/", "evil.example"), ("/x", None)):
                try:
                    self.answers.append(ask(self.place, path, host=host).status)
                except OSError:
                    self.answers.append(0)


def limit_of_files() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < 2 * CONNECTIONS <= hard:
        resource.setrlimit(resource.RLIMIT_NOFILE, (2 * CONNECTIONS, hard))


def wait(found: "list[str]", log: Path, count: int, process: "subprocess.Popen[bytes]") -> None:
    end = time.monotonic() + 60
    while len(found) < count:
        assert process.poll() is None, log.read_text()
        assert time.monotonic() < end, log.read_text()
        time.sleep(0.05)
        text = log.read_text(encoding="utf-8")
        found[:] = [v[1] for v in map(VERDICT.match, text.splitlines()) if v]


def test_scoring_goes_on_while_the_page_is_attacked(tmp_path: Path, place: Place) -> None:
    limit_of_files()
    folder, log = tmp_path / "night", tmp_path / "log.txt"
    folder.mkdir()
    found: list[str] = []
    serve = f"{place.host}:{place.port}"
    with log.open("w") as out:
        command = [sys.executable, "-c", SCRIPT, "watch", str(folder), "--serve", serve]
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
    try:
        shutil.copyfile(SAMPLES[0], folder / SAMPLES[0].name)
        wait(found, log, 1, process)
        assert f"Page: http://{serve}/" in log.read_text()
        waits = []
        with Attack(place) as attack:
            for number, sample in enumerate(SAMPLES[1:], start=2):
                shutil.copyfile(sample, folder / sample.name)
                began = time.monotonic()
                wait(found, log, number, process)
                waits.append(time.monotonic() - began)
            while len(attack.held) < CONNECTIONS:
                time.sleep(0.05)
        assert len(found) == len(set(found)) == len(SAMPLES)
        # The limit is 1 s on a quiet machine; here the attack itself takes a core.
        assert sorted(waits)[len(waits) // 2] < 2
        assert set(attack.answers) <= {0, 403, 404, 429}
        assert {403, 429} & set(attack.answers)
        end = time.monotonic() + 20
        while ask_or_nothing(place) != 200:
            assert time.monotonic() < end
            time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        assert (folder / "starwinnow" / "night.json").exists()
    finally:
        process.kill()
        process.wait()


def ask_or_nothing(place: Place) -> int:
    try:
        return ask(place, "/").status
    except OSError:
        return 0
