"""The file: fresh, old, newer, foreign, damaged, locked, or in a place that cannot be written."""

from __future__ import annotations

import contextlib
import math
import os
import random
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import ClockState, KeptState
from aggregator.store import Limits, Store, StoreError
from aggregator.store import connection as subject
from aggregator.store.connection import APPLICATION, MIGRATIONS, Unfit, latest, migrations, open_reading, open_writing

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink, Until

OLD = Path(__file__).with_name("old")
BEGIN = 1_790_000_000.0  # as in conftest.py
Open = Callable[..., Store]
Settle = Callable[[Store], None]
SECOND = (
    "CREATE TABLE note (id INTEGER PRIMARY KEY, text TEXT); ALTER TABLE meter ADD COLUMN area TEXT DEFAULT 'digesters'"
)


def schema(path: Path) -> list[tuple[str, str]]:
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
    connection.close()
    return rows


def pragma(path: Path, name: str) -> object:
    connection = sqlite3.connect(path)
    value = connection.execute(f"PRAGMA {name}").fetchone()[0]
    connection.close()
    return value


def aside_files(path: Path) -> list[Path]:
    return sorted(
        each for each in path.parent.iterdir() if re.fullmatch(r"history-set-aside-\d{8}T\d{6}Z(-\d+)?\.db", each.name)
    )


def values(store: Store) -> list[object]:
    return [row.value for row in store.history(None, None, -math.inf, math.inf)]


@pytest.fixture
def filled(path: Path, uplink: MakeUplink) -> Path:
    """A database of 2000 uplinks and a state, closed in order."""
    store = Store.open(path, Limits())
    store.put([*(uplink(number) for number in range(2000)), KeptState("FT-101", "total", 12)])
    assert store.close() == 0
    return path


# Migrations


def test_a_fresh_file_is_ours_in_wal_mode_and_can_shrink(store: Store, path: Path) -> None:
    names = ("application_id", "user_version", "journal_mode", "auto_vacuum", "page_size")
    assert [pragma(path, name) for name in names] == [APPLICATION, latest(MIGRATIONS), "wal", 2, 1024]


def test_every_commit_waits_for_the_disk_and_links_are_held(path: Path) -> None:
    connection = open_writing(path)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL, sqlite.org/pragma.html
    assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
    connection.close()


def test_the_steps_are_numbered_without_a_gap() -> None:
    assert list(migrations(MIGRATIONS)) == list(range(1, latest(MIGRATIONS) + 1))


def test_there_is_an_old_database_for_every_version() -> None:
    assert [path.stem for path in sorted(OLD.glob("*.sql"))] == [
        f"{number:04}" for number in range(1, latest(MIGRATIONS) + 1)
    ]


@pytest.mark.parametrize("dump", sorted(OLD.glob("*.sql")), ids=lambda path: path.stem)
def test_a_database_of_any_version_opens_with_all_it_held(dump: Path, path: Path, open_store: Open) -> None:
    connection = sqlite3.connect(path)
    connection.executescript(dump.read_text(encoding="utf-8"))
    connection.close()
    store = open_store()
    assert (store.problem, store.notes) == (None, ())
    rows = [
        (row.tag, row.field, row.unit, row.at, row.value, row.reasons, row.late)
        for row in store.history(None, None, 0, math.inf)
    ]
    assert rows == [
        ("FT-101", "flow", "m3/h", BEGIN + 1, 120.5, 0, False),
        ("FT-101", "volume", "m3", BEGIN + 1, 18446744073709551616, 24, False),
        ("QT-301", "h2s", "ppm", BEGIN + 2, None, 128, False),
        ("FT-101", "flow", "m3/h", BEGIN + 3, -0.0, 0, True),
    ]
    assert [(event.at, event.event, event.facts) for event in store.journal(0, math.inf)] == [
        (BEGIN, "started", {"run": 1})
    ]
    assert [(row.id, row.kept.reason, row.kept.message, row.kept.clock) for row in store.aside()] == [
        (1, "bad JSON", b"\x00\xff{", ClockState.UNTRUSTED)
    ]
    assert [frame.counter for frame in store.recent_frames()] == [41, 40]
    remembered = store.remembered()
    assert remembered["FT-101"].heard == BEGIN + 1.1
    assert remembered["FT-101"].states == {"alarm": {"latched": True}}
    assert (remembered["FT-101"].readings["flow"].value, remembered["FT-101"].counter) == (120.5, 41)
    assert schema(path) == schema_of_fresh(path.with_name("fresh.db"))


def schema_of_fresh(path: Path) -> list[tuple[str, str]]:
    open_writing(path).close()
    return schema(path)


@pytest.fixture
def two_steps(tmp_path: Path) -> Path:
    """A folder of migrations that has one more than there is."""
    folder = tmp_path / "steps"
    shutil.copytree(MIGRATIONS, folder)
    (folder / f"{latest(MIGRATIONS) + 1:04}.sql").write_text(SECOND)
    return folder


def test_a_file_is_brought_up_to_date_step_by_step(filled: Path, two_steps: Path) -> None:
    connection = open_writing(filled, two_steps)
    assert connection.execute("SELECT tag, area FROM meter").fetchall() == [("FT-101", "digesters")]
    assert connection.execute("SELECT count(*) FROM uplink").fetchone() == (2000,)
    connection.close()
    assert pragma(filled, "user_version") == latest(two_steps)


def test_an_empty_file_takes_all_steps(path: Path, two_steps: Path) -> None:
    path.touch()
    open_writing(path, two_steps).close()
    assert pragma(path, "user_version") == latest(two_steps)
    assert "note" in dict(schema(path))


def test_a_step_that_fails_leaves_the_file_as_it_was(filled: Path, two_steps: Path) -> None:
    (two_steps / f"{latest(two_steps):04}.sql").write_text(SECOND + "; INSERT INTO nowhere VALUES (1)")
    before = schema(filled)
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        open_writing(filled, two_steps)
    assert schema(filled) == before
    assert pragma(filled, "user_version") == latest(MIGRATIONS)


def test_a_reader_waits_for_the_file_to_be_brought_up_to_date(filled: Path, two_steps: Path) -> None:
    with pytest.raises(StoreError, match="could not be brought up to date"):
        open_reading(filled, two_steps)


# Files that cannot be used


def test_a_newer_file_is_set_aside_and_says_so(
    filled: Path, two_steps: Path, open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    open_writing(filled, two_steps).close()
    whole = filled.read_bytes()
    store = open_store()
    assert store.problem is None
    (note,) = store.notes
    known = latest(MIGRATIONS)
    assert f"is of version {known + 1}, written by a newer version of this program; this one knows {known}" in note
    (aside,) = aside_files(filled)
    assert aside.name in note
    assert aside.read_bytes() == whole
    store.put([uplink(1)])
    settle(store)
    assert values(store) == [1]


def test_a_foreign_database_is_set_aside_unharmed(path: Path, open_store: Open) -> None:
    with sqlite3.connect(path) as foreign:
        foreign.execute("CREATE TABLE recipe (name TEXT)")
        foreign.execute("INSERT INTO recipe VALUES ('soup')")
    foreign.close()
    whole = path.read_bytes()
    store = open_store()
    assert "is not one of this program's" in store.notes[0]
    assert [each.read_bytes() for each in aside_files(path)] == [whole]
    assert store.remembered() == {}


def zeroed(whole: bytes) -> bytes:
    return bytes(len(whole))


def noise(whole: bytes) -> bytes:
    return random.Random(3).randbytes(len(whole))


def text(_: bytes) -> bytes:
    return b"tag;flow\nFT-101;120\n" * 100


def half(whole: bytes) -> bytes:
    return whole[: len(whole) // 2]


def torn(whole: bytes) -> bytes:
    return whole[: len(whole) // 2 + 300]


def head_only(whole: bytes) -> bytes:
    return whole[:1024]


def noise_inside(whole: bytes) -> bytes:
    return whole[:1024] + noise(whole[1024:])


@pytest.mark.parametrize("spoil", [zeroed, noise, text, half, torn, head_only, noise_inside])
def test_a_spoilt_file_is_set_aside_and_a_fresh_one_begun(
    filled: Path, open_store: Open, uplink: MakeUplink, settle: Settle, spoil: Callable[[bytes], bytes]
) -> None:
    spoilt = spoil(filled.read_bytes())
    filled.write_bytes(spoilt)
    store = open_store()
    assert store.problem is None
    assert "is damaged" in store.notes[0]
    (aside,) = aside_files(filled)
    assert aside.stat().st_size == len(spoilt)
    store.put([uplink(5000)])
    settle(store)
    assert values(store) == [5000]


def test_a_file_cut_to_nothing_is_begun_anew(
    filled: Path, open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    filled.write_bytes(b"")
    store = open_store()
    assert (store.problem, values(store)) == (None, [])
    store.put([uplink(1)])
    settle(store)
    assert values(store) == [1]


@pytest.fixture
def crashed(path: Path, tmp_path: Path, uplink: MakeUplink, settle: Settle) -> Path:
    """The files as a crash leaves them: part of the uplinks in the database, part in its log only."""
    source = tmp_path / "alive" / "history.db"
    store = Store.open(source, Limits())
    store.put([uplink(number) for number in range(100)])
    settle(store)
    with sqlite3.connect(source) as other:
        other.execute("PRAGMA wal_checkpoint(RESTART)")
    other.close()
    for number in range(100, 200):
        store.put([uplink(number)])
        settle(store)
    for side in ("", "-wal", "-shm"):
        shutil.copy(source.with_name(source.name + side), path.with_name(path.name + side))
    store.close()
    return path


def test_what_a_crash_left_in_the_log_is_there_after_the_start(crashed: Path, open_store: Open) -> None:
    assert values(open_store()) == list(range(200))


@pytest.mark.parametrize("spoil", [zeroed, noise, half, torn])
def test_a_spoilt_log_costs_its_own_last_commits_only(
    crashed: Path, open_store: Open, uplink: MakeUplink, settle: Settle, spoil: Callable[[bytes], bytes]
) -> None:
    log = crashed.with_name("history.db-wal")
    log.write_bytes(spoil(log.read_bytes()))
    store = open_store()
    found = values(store)
    assert found == list(range(len(found)))
    assert len(found) >= 100
    store.put([uplink(1000)])
    settle(store)
    assert (values(store)[-1], store.problem) == (1000, None)


def test_a_spoilt_index_of_the_log_costs_nothing(crashed: Path, open_store: Open) -> None:
    index = crashed.with_name("history.db-shm")
    index.write_bytes(noise(index.read_bytes()))
    assert values(open_store()) == list(range(200))


def test_the_log_goes_aside_with_its_database(crashed: Path, open_store: Open) -> None:
    with sqlite3.connect(crashed) as other:
        other.execute("PRAGMA wal_autocheckpoint = 0")
        other.execute("PRAGMA user_version = 99")
        shutil.copytree(crashed.parent, crashed.parent / "copy", ignore=shutil.ignore_patterns("alive"))
    other.close()
    copy = crashed.parent / "copy" / "history.db"
    store = open_store(copy)
    assert "version 99" in store.notes[0]
    (aside,) = aside_files(copy)
    other = sqlite3.connect(aside)
    assert other.execute("SELECT count(*) FROM uplink").fetchone() == (200,)
    other.close()


def test_two_files_set_aside_in_one_second_keep_apart(path: Path) -> None:
    for content in (b"one", b"two", b"three"):
        path.write_bytes(content)
        subject.set_aside(path)
    assert sorted(each.read_bytes() for each in aside_files(path)) == [b"one", b"three", b"two"]


def test_states_that_can_still_be_read_are_carried_over(filled: Path, open_store: Open) -> None:
    """A damaged page of the history must not cost the latched alarms."""
    connection = sqlite3.connect(filled)
    root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'settled'").fetchone()[0]
    connection.close()
    whole = bytearray(filled.read_bytes())
    whole[(root - 1) * 1024 : root * 1024] = b"\xa5" * 1024
    filled.write_bytes(whole)
    store = open_store()
    assert "states carried over: 1" in store.notes[0]
    assert store.remembered()["FT-101"].states == {"total": 12}


def test_states_carried_over_wait_for_a_disk_that_takes_the_fresh_file(
    filled: Path, open_store: Open, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    from aggregator.store import writer

    opened: list[Path] = []

    def open_twice_in_vain(path: Path) -> sqlite3.Connection:
        opened.append(path)
        if len(opened) == 1:
            raise Unfit("is damaged (for the test)")
        if len(opened) < 4:
            raise sqlite3.OperationalError("unable to open database file")
        return open_writing(path)

    monkeypatch.setattr(writer, "FIRST_RETRY", 0.01)
    monkeypatch.setattr(writer, "open_writing", open_twice_in_vain)
    store = open_store()
    until(lambda: store.problem is None)
    assert len(opened) == 4
    assert store.remembered()["FT-101"].states == {"total": 12}


def test_damage_met_while_running_costs_the_file_and_not_the_service(
    filled: Path, open_store: Open, uplink: MakeUplink, until: Until
) -> None:
    store = open_store()
    assert store.problem is None
    with filled.open("r+b") as file:  # past the first pages, which the start has read and SQLite holds
        file.seek(8 * 1024)
        file.write(b"\xa5" * (filled.stat().st_size - 8 * 1024))
    store.put([uplink(number) for number in range(3000, 3100)])
    until(lambda: store.committed == 100)
    until(lambda: store.problem is None)
    assert "is damaged" in store.notes[0]
    assert len(aside_files(filled)) == 1
    assert values(store) == list(range(3000, 3100))


# Places that cannot be used


def test_a_second_store_on_the_file_says_so_and_takes_over_when_the_first_ends(
    path: Path, open_store: Open, uplink: MakeUplink, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    from aggregator.store import writer

    monkeypatch.setattr(writer, "FIRST_RETRY", 0.01)
    first = open_store()
    second = open_store()
    assert second.problem == (
        f"{path}: another store is writing this file. Stop the other service, or give this one a file of its own"
    )
    second.put([uplink(1)])
    first.put([uplink(2)])
    until(lambda: first.committed == 1)
    assert (second.waiting, second.committed, first.problem) == (1, 0, None)
    first.close()
    until(lambda: second.committed == 1)
    assert second.problem is None
    assert values(second) == [1, 2]


def test_folders_that_are_missing_are_made(tmp_path: Path, open_store: Open) -> None:
    place = tmp_path / "a" / "b" / "history.db"
    assert open_store(place).problem is None
    assert place.exists()


def test_a_name_with_marks_that_mean_something_in_a_uri_works(tmp_path: Path, open_store: Open) -> None:
    place = tmp_path / "what? 100%#1 µ.db"
    assert open_store(place).problem is None
    assert place.exists()


def test_a_folder_under_the_name_is_a_problem_with_a_sentence(tmp_path: Path, open_store: Open) -> None:
    place = tmp_path / "history.db"
    place.mkdir()
    store = open_store(place)
    assert store.problem == f"{place}: a folder has this name. Name a file, or move the folder away"


def test_a_file_where_a_folder_should_be_is_a_problem_with_a_sentence(tmp_path: Path, open_store: Open) -> None:
    (tmp_path / "file").touch()
    store = open_store(tmp_path / "file" / "history.db")
    assert store.problem is not None
    assert "the place cannot be written" in store.problem
    assert store.remembered() == {}


def test_an_old_sqlite_is_a_problem_with_a_sentence(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "MIN_SQLITE", (99, 1, 0))
    with pytest.raises(
        StoreError, match=r"SQLite 3\.[0-9.]+ is too old to keep a history; 99\.1\.0 or newer is needed"
    ):
        open_writing(path)
    assert not path.exists()


@contextlib.contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Make a folder one that cannot be written: by its permissions, or for the superuser by mounting it so."""
    if os.geteuid() != 0:
        folder.chmod(0o500)
        try:
            yield
        finally:
            folder.chmod(0o700)
        return
    bind = subprocess.run(["mount", "--bind", folder, folder], capture_output=True, text=True, check=False)
    if bind.returncode:
        pytest.skip(f"mounting is not permitted here: {bind.stderr.strip()}")
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
        yield
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def test_a_place_that_cannot_be_written_still_remembers_and_works_again_later(
    tmp_path: Path, open_store: Open, uplink: MakeUplink, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    from aggregator.store import writer

    monkeypatch.setattr(writer, "FIRST_RETRY", 0.01)
    folder = tmp_path / "data"
    first = Store.open(folder / "history.db", Limits())
    first.put([uplink(1)])
    first.close()
    with read_only(folder):
        store = open_store(folder / "history.db")
        assert store.problem is not None
        assert "the place cannot be written" in store.problem
        assert store.remembered()["FT-101"].counter == 1
        store.put([uplink(2)])
        assert values(store) == [1]
        assert store.waiting == 1
    until(lambda: store.problem is None and store.committed == 1)
    assert values(store) == [1, 2]


def test_a_crash_in_a_place_that_cannot_be_written_still_remembers(crashed: Path, tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    for side in ("", "-wal", "-shm"):
        shutil.copy(crashed.with_name(crashed.name + side), folder)
    with read_only(folder):
        store = Store.open(folder / "history.db", Limits())
        assert store.remembered()["FT-101"].counter == 199
        store.close()


def test_unfit_is_told_apart_from_places_that_fail(path: Path) -> None:
    path.write_bytes(b"\0" * 5000)
    with pytest.raises(Unfit, match="is damaged"):
        open_writing(path)
    with pytest.raises(StoreError, match="cannot be read"):
        open_reading(path)
