"""Which files of a folder are frames."""

from pathlib import Path

import pytest

from starwinnow.errors import FolderError
from starwinnow.readers import frame_paths


def test_frames_by_name(tmp_path: Path) -> None:
    wanted = ["B.FIT", "a.fits", "c.fts", "d.fits.gz", "e.Fit.GZ", "f.fts.fz", "g.fits.fz"]
    others = [".hidden.fits", "h.txt", "i.fits.bz2", "j.fits.Z", "k.gz", "fits", "l.fits~"]
    for name in reversed(wanted + others):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "starwinnow").mkdir()
    (tmp_path / "starwinnow" / "m.fits").write_bytes(b"")
    (tmp_path / "folder.fits").mkdir()
    assert [path.name for path in frame_paths(tmp_path)] == wanted


def test_folders_without_frames(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match=r"holds no frames. Expected files ending in .fits"):
        frame_paths(tmp_path)
    with pytest.raises(FolderError, match="none does not exist"):
        frame_paths(tmp_path / "none")
    (tmp_path / "a.fits").write_bytes(b"")
    with pytest.raises(FolderError, match=r"a.fits is a file. Give the folder"):
        frame_paths(tmp_path / "a.fits")
