"""The night's store: round trip, recognition of files, damage, and sudden death."""

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from starwinnow import store as store_module
from starwinnow.errors import StoreError
from starwinnow.flags import FrameFlag
from starwinnow.frame import Capture
from starwinnow.frame_measures import FrameMeasures, StarProfile
from starwinnow.settings import Settings
from starwinnow.stars import Stars
from starwinnow.store import SCHEMA_VERSION, Identity, NightStore, Unreadable, identify

NAN = float("nan")


def made_measures(stars: int = 7) -> FrameMeasures:
    rng = np.random.default_rng(4)
    columns = {field.name: rng.normal(size=stars) for field in fields(Stars)}
    columns["flags"] = rng.integers(0, 64, stars).astype(np.int32)
    if stars:
        columns["fwhm_px"][0] = NAN
    return FrameMeasures(
        file_name="a b.fits",
        shape=(300, 400),
        capture=Capture(
            start_utc=datetime(2024, 4, 5, 22, 1, 2, 345678, tzinfo=UTC),
            exposure_s=8.0,
            filter_name="L ö",
            binning_x=2,
            binning_y=2,
        ),
        background_adu=1234.5678901234567,
        background_err_adu=0.1,
        noise_adu=11.25,
        star_count=stars,
        fwhm_px=3.0 if stars else NAN,
        fwhm_err_px=0.02 if stars else NAN,
        hfr_px=1.7,
        hfr_err_px=0.01,
        axis_ratio=0.9,
        axis_ratio_err=NAN,
        trail_deg=12.0,
        trail_err_deg=3.0,
        nea_px=40.0,
        nea_err_px=1.0,
        profile=StarProfile(fwhm_px=2.8, stretch1=0.1, stretch2=0.0, beta=3.1, radius_px=9.0)
        if stars
        else None,
        stars=Stars(**columns),
        average_star=rng.normal(size=(33, 33) if stars else (0, 0)).astype(np.float32),
        average_star_err=rng.normal(size=(33, 33) if stars else (0, 0)).astype(np.float32),
        thumbnail=rng.integers(0, 255, (60, 80)).astype(np.uint8),
        flags=FrameFlag.FEW_STARS | FrameFlag.NO_TIME,
    )


def made_file(folder: Path, name: str = "a b.fits", size: int = 3_000_000) -> Path:
    path = folder / name
    path.write_bytes(np.random.default_rng(1).bytes(size))
    return path


def assert_same(found: object, expected: FrameMeasures) -> None:
    assert isinstance(found, FrameMeasures)
    for field in fields(FrameMeasures):
        a, b = getattr(found, field.name), getattr(expected, field.name)
        if isinstance(b, Stars):
            for column in fields(Stars):
                np.testing.assert_array_equal(getattr(a, column.name), getattr(b, column.name))
                assert getattr(a, column.name).dtype == getattr(b, column.name).dtype
        elif isinstance(b, np.ndarray):
            np.testing.assert_array_equal(a, b)
            assert a.dtype == b.dtype
        else:
            assert type(a) is type(b)
            assert repr(a) == repr(b)  # so that NaN equals NaN


@pytest.mark.parametrize("stars", [7, 0])
def test_measures_come_back_bit_for_bit(tmp_path, stars) -> None:
    identity = identify(made_file(tmp_path))
    with NightStore(tmp_path / "night.sqlite") as store:
        store.put(identity, made_measures(stars))
    with NightStore(tmp_path / "night.sqlite") as store:
        assert_same(store.find(identity), made_measures(stars))
        assert store.notice == ""


def test_unreadable_files_are_remembered_until_they_change(tmp_path) -> None:
    path = made_file(tmp_path)
    with NightStore(tmp_path / "night.sqlite") as store:
        store.put(identify(path), Unreadable(name=path.name, reason="it is empty"))
        assert store.find(identify(path)) == Unreadable(name=path.name, reason="it is empty")
        path.write_bytes(b"now it is longer")
        assert store.find(identify(path)) is None


def test_a_file_is_known_by_name_size_time_and_sampled_content(tmp_path) -> None:
    path = made_file(tmp_path)
    before = identify(path)
    status = path.stat()
    assert before == Identity(
        name=path.name, size=3_000_000, mtime_ns=status.st_mtime_ns, sample=before.sample
    )
    assert identify(path) == before
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns + 1))
    assert identify(path) == replace(before, mtime_ns=status.st_mtime_ns + 1)


@pytest.mark.parametrize("place", [0, 32_767, 40_000, 1_500_000, 2_990_000, 2_999_999])
def test_a_change_with_the_old_time_and_size_is_seen_in_sampled_blocks(tmp_path, place) -> None:
    path = made_file(tmp_path)
    before, status = identify(path), path.stat()
    content = bytearray(path.read_bytes())
    content[place] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert identify(path).mtime_ns == before.mtime_ns
    assert identify(path) != before


@pytest.mark.parametrize("size", [0, 1, 32_768, 50_000, 98_304, 98_305])
def test_small_files_are_recognised_whole(tmp_path, size) -> None:
    path = made_file(tmp_path, size=size)
    before = identify(path)
    assert before.size == size
    for place in {0, size // 2, size - 1} if size else set():
        content = bytearray(path.read_bytes())
        content[place] ^= 1
        (tmp_path / "other").write_bytes(content)
        assert identify(tmp_path / "other").sample != before.sample


def test_another_package_version_measures_again(tmp_path, monkeypatch) -> None:
    identity = identify(made_file(tmp_path))
    with NightStore(tmp_path / "night.sqlite") as store:
        store.put(identity, made_measures())
        monkeypatch.setattr(store_module, "__version__", "99.0")
        assert store.find(identity) is None


def test_vanished_files_are_dropped_and_named(tmp_path) -> None:
    with NightStore(tmp_path / "night.sqlite") as store:
        for name in ("c.fits", "a.fits", "b.fits"):
            store.put(identify(made_file(tmp_path, name, 10)), made_measures())
        assert store.drop_all_but({"b.fits", "new.fits"}) == ["a.fits", "c.fits"]
        assert store.drop_all_but({"b.fits"}) == []
        assert store.find(identify(tmp_path / "b.fits")) is not None
        store.forget()
        assert store.find(identify(tmp_path / "b.fits")) is None


def test_documented_layout_needs_no_pickle(tmp_path) -> None:
    """What another program reads: plain SQLite, JSON and .npy, with versions."""
    path = tmp_path / "night.sqlite"
    with NightStore(path) as store:
        store.put(identify(made_file(tmp_path)), made_measures())
        store.remember_settings(Settings(aim="glow"))
    connection = sqlite3.connect(path)
    night = dict(connection.execute("SELECT key, value FROM night"))
    (width,) = connection.execute("SELECT json_extract(facts, '$.shape[1]') FROM frames").fetchone()
    (missing,) = connection.execute(
        "SELECT json_extract(facts, '$.axis_ratio_err') FROM frames"
    ).fetchone()
    (blob,) = connection.execute("SELECT stars FROM frames").fetchone()
    connection.close()
    assert night["schema_version"] == str(SCHEMA_VERSION)
    assert night["settings"] == '{"aim": "glow", "mean": "unscaled"}'
    assert night["package_version"]
    assert (width, missing) == (400, None)
    assert blob.startswith(b"\x93NUMPY")


def test_a_reader_works_beside_a_writer(tmp_path) -> None:
    path = tmp_path / "night.sqlite"
    with NightStore(path) as writer:
        writer.put(identify(made_file(tmp_path)), made_measures())
        reader = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        reader.execute("BEGIN")
        assert reader.execute("SELECT count(*) FROM frames").fetchone() == (1,)
        writer.put(identify(made_file(tmp_path, "b.fits")), made_measures())
        assert reader.execute("SELECT count(*) FROM frames").fetchone() == (1,)
        reader.execute("COMMIT")
        assert reader.execute("SELECT count(*) FROM frames").fetchone() == (2,)
        reader.close()


def damage_head(path: Path) -> None:
    path.write_bytes(b"no database at all" * 300)


def damage_middle(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[4096 : len(content) - 4096 : 7] = bytes(len(content[4096 : len(content) - 4096 : 7]))
    path.write_bytes(content)


def damage_length(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:9000])


def another_model(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("UPDATE night SET value = '77'")
    connection.commit()
    connection.close()


def another_database(path: Path) -> None:
    path.unlink()
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (damage_head, "cannot be read"),
        (damage_middle, ""),
        (damage_length, ""),
        (another_model, f"is of data model 77, not {SCHEMA_VERSION}"),
        (another_database, "cannot be read"),
    ],
)
def test_an_unusable_store_is_set_aside_said_so_and_replaced(tmp_path, damage, words) -> None:
    path = tmp_path / "night.sqlite"
    identity = identify(made_file(tmp_path))
    with NightStore(path) as store:
        for number in range(20):
            store.put(replace(identity, name=f"{number}.fits"), made_measures(50))
    damage(path)
    content = path.read_bytes()
    with NightStore(path) as store:
        assert words in store.notice
        assert "kept as night-unusable-1.sqlite and every frame is measured again" in store.notice
        assert store.find(replace(identity, name="3.fits")) is None
        store.put(identity, made_measures())
    assert (tmp_path / "night-unusable-1.sqlite").read_bytes() == content
    damage(path)
    with NightStore(path) as store:
        assert "kept as night-unusable-2.sqlite" in store.notice


def test_a_row_damaged_on_disk_is_measured_again(tmp_path) -> None:
    path = tmp_path / "night.sqlite"
    identity = identify(made_file(tmp_path))
    with NightStore(path) as store:
        store.put(identity, made_measures(50))
    column = made_measures(50).stars.flux_adu[20].tobytes()
    content = path.read_bytes()
    assert content.count(column) == 1
    path.write_bytes(content.replace(column, bytes(8)))
    with NightStore(path) as store:
        assert store.notice == ""
        assert store.find(identity) is None


def test_a_store_held_by_another_program_is_left_in_place(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(store_module, "_PATIENCE_S", 0.1)
    path = tmp_path / "night.sqlite"
    NightStore(path).close()
    holder = sqlite3.connect(path)
    holder.execute("BEGIN EXCLUSIVE")
    with pytest.raises(StoreError, match=r"night\.sqlite: .*locked.*End any other program"):
        NightStore(path)
    holder.close()
    assert not list(tmp_path.glob("*unusable*"))


def test_a_store_that_cannot_be_made_says_where(tmp_path) -> None:
    with pytest.raises(StoreError, match=r"nowhere.night\.sqlite: .*choose another place"):
        NightStore(tmp_path / "nowhere" / "night.sqlite")


WRITER = textwrap.dedent(
    """
    import sys
    from dataclasses import replace
    from pathlib import Path
    sys.path.insert(0, sys.argv[2])
    from test_store import made_measures
    from starwinnow.store import Identity, NightStore
    with NightStore(Path(sys.argv[1])) as store:
        for number in range(100_000):
            identity = Identity(name=f"{number}.fits", size=1, mtime_ns=1, sample=b"s")
            store.put(identity, replace(made_measures(300), file_name=identity.name))
            print(number, flush=True)
    """
)


def test_a_run_killed_at_any_moment_keeps_every_frame_it_reported(tmp_path) -> None:
    path = tmp_path / "night.sqlite"
    for delay_s in (0.0, 0.013, 0.1):
        reported = _killed_writer(path, delay_s)
        assert reported
        with NightStore(path) as store:
            assert store.notice == ""
            for number in reported:
                identity = Identity(name=f"{number}.fits", size=1, mtime_ns=1, sample=b"s")
                expected = replace(made_measures(300), file_name=identity.name)
                assert_same(store.find(identity), expected)


def _killed_writer(path: Path, delay_s: float) -> list[int]:
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(Path(__file__).parent)],
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(3)]
        time.sleep(delay_s)
        process.send_signal(signal.SIGKILL)
        lines += [line for line in process.stdout if line.endswith("\n")]
    return [int(line) for line in lines]
