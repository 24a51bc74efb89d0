"""The bookkeeping of a watched folder, on a clock of its own."""

from pathlib import Path

from starwinnow.arrivals import Arrivals, State
from starwinnow.readers import Wholeness

FOLDER = Path("night")


class Folder:
    """A folder of names, with how whole each file is."""

    def __init__(self) -> None:
        self.files: dict[str, tuple[State, Wholeness]] = {}
        self.looks: list[str] = []
        self.arrivals = Arrivals(self.examine)

    def put(self, name: str, size: int, whole: Wholeness = Wholeness.WHOLE) -> None:
        self.files[name] = State(size, size, 1), whole

    def examine(self, path: Path) -> Wholeness:
        self.looks.append(path.name)
        return self.files[path.name][1]

    def see(self, now: float) -> list[str]:
        listing = [(FOLDER / name, state) for name, (state, _) in self.files.items()]
        return self.arrivals.see(listing, now)

    def take(self, now: float) -> str | None:
        settled = self.arrivals.next(FOLDER, now)
        return settled and settled.path.name


def test_each_state_of_a_file_is_handed_over_once() -> None:
    folder = Folder()
    folder.put("a.fits", 10)
    folder.see(0)
    assert folder.take(0) == "a.fits"
    folder.see(1)
    assert folder.take(1) is None
    folder.put("a.fits", 11)
    folder.see(2)
    assert folder.take(2) == "a.fits"


def test_new_files_go_before_old_ones() -> None:
    folder = Folder()
    for name in ("a.fits", "b.fits"):
        folder.put(name, 10)
    folder.see(0)
    folder.put("z.fits", 10)
    folder.see(1)
    assert [folder.take(1) for _ in range(4)] == ["z.fits", "a.fits", "b.fits", None]


def test_a_growing_file_waits_and_holds_up_nobody() -> None:
    folder = Folder()
    folder.put("a.fits", 10, Wholeness.GROWING)
    folder.put("b.fits", 10)
    folder.see(0)
    assert [folder.take(0), folder.take(0)] == ["b.fits", None]
    folder.put("a.fits", 99)
    folder.see(3)
    assert folder.take(3) == "a.fits"


def test_patience_ends_by_kind_and_begins_anew_with_each_change() -> None:
    for kind, patience in ((Wholeness.UNPADDED, 1), (Wholeness.HOLLOW, 10), (Wholeness.UNKNOWN, 5)):
        folder = Folder()
        folder.put("a.fits", 10, kind)
        folder.see(0)
        assert folder.take(0.9 * patience) is None
        folder.put("a.fits", 20, kind)
        folder.see(0.9 * patience)
        assert folder.take(1.8 * patience) is None
        assert folder.take(4 * patience) == "a.fits"


def test_looks_become_rarer() -> None:
    folder = Folder()
    folder.put("a.fits", 10, Wholeness.HOLLOW)
    folder.see(0)
    for tick in range(900):
        assert folder.take(tick / 100) is None
    assert len(folder.looks) < 12


def test_files_that_go_are_named_if_they_were_handed_over() -> None:
    folder = Folder()
    folder.put("a.fits", 10)
    folder.put("b.fits", 10, Wholeness.GROWING)
    folder.see(0)
    assert folder.take(0) == "a.fits"
    folder.files.clear()
    assert folder.see(1) == ["a.fits"]
    assert folder.take(1) is None
    assert folder.arrivals.waiting == 0


def test_a_file_taken_back_comes_again() -> None:
    folder = Folder()
    folder.put("a.fits", 10)
    folder.see(0)
    settled = folder.arrivals.next(FOLDER, 0)
    assert settled is not None
    folder.arrivals.reopen(settled, 0)
    folder.put("a.fits", 12)
    folder.see(0.1)
    assert folder.take(0.1) == "a.fits"
