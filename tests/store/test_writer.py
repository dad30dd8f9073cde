"""The thread that writes: commits that share the wait, and places that take nothing for a while."""

from __future__ import annotations

import contextlib
import math
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import KeptEvent, KeptReading, KeptState
from aggregator.store import Limits, Store, writer
from aggregator.store import connection as connections
from aggregator.store.writer import UNSTORABLE

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink, Until

Open = Callable[..., Store]
Settle = Callable[[Store], None]
EVENT = KeptEvent(1.0, "alarm", "FT-101", "gateway", {})


def values(store: Store) -> list[object]:
    return [row.value for row in store.history(None, None, -math.inf, math.inf)]


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Try again at once."""
    monkeypatch.setattr(writer, "FIRST_RETRY", 0.01)
    monkeypatch.setattr(writer, "LAST_RETRY", 0.02)
    monkeypatch.setattr(connections, "BUSY", 0.05)


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """A disk that takes as long to sync as the test wants: a commit ends when the gate is open."""
    gate = threading.Event()
    gate.set()

    class SlowConnection(sqlite3.Connection):
        def execute(self, statement: str, *parameters: object) -> sqlite3.Cursor:
            if statement == "COMMIT":
                assert gate.wait(20)
            return super().execute(statement, *parameters)  # type: ignore[arg-type]

    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=SlowConnection))
    return gate


# A slow disk


def test_a_slow_disk_holds_nobody_up_and_makes_larger_commits(
    gate: threading.Event, open_store: Open, uplink: MakeUplink, until: Until
) -> None:
    store = open_store()
    gate.clear()
    told: list[int] = []
    store.put([uplink(0)], lambda: told.append(0))
    until(lambda: store._writer.backlog.is_empty)
    began = time.monotonic()
    for number in range(1, 500):
        store.put([uplink(number)], partial(told.append, number))
    assert time.monotonic() - began < 1.0
    assert (store.waiting, store.committed, told) == (500, 0, [])
    gate.set()
    until(lambda: store.committed == 500)
    assert store.last_commit is not None
    assert store.last_commit.uplinks == 499
    until(lambda: told == list(range(500)))


def test_close_does_not_wait_for_ever_for_a_disk_that_hangs(
    gate: threading.Event, open_store: Open, uplink: MakeUplink, until: Until
) -> None:
    store = open_store()
    gate.clear()
    store.put([uplink(0)])
    assert store.close(within=0.1) == 1
    gate.set()
    until(lambda: not store._writer._thread.is_alive())
    assert store.waiting == 0


# A disk that takes nothing


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of 1 MB of its own."""
    folder.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True, text=True, check=False
    )
    if mount.returncode:
        pytest.skip(f"mounting is not permitted here: {mount.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@pytest.mark.usefixtures("impatient")
def test_a_full_disk_is_said_and_all_that_waited_is_written_when_there_is_room(
    tmp_path: Path, uplink: MakeUplink, until: Until
) -> None:
    with small_disk(tmp_path / "disk") as folder:
        ballast = folder / "ballast"
        ballast.write_bytes(bytes(600_000))
        store = Store.open(folder / "history.db", Limits())
        told: list[int] = []
        number = 0
        while store.problem is None:
            store.put([uplink(number)], partial(told.append, number))
            number += 1
            until(lambda: store.waiting == 0 or store.problem)
            assert number < 20_000, "the disk never became full"
        assert store.problem == f"{folder}/history.db: the disk is full. Nothing is stored until there is room"
        store.put([EVENT, uplink(number)], lambda: told.append(number))
        safe = len(told)
        assert values(store)[:safe] == list(range(safe))
        assert store.waiting >= 1
        ballast.unlink()
        until(lambda: store.problem is None and store.waiting == 0)
        until(lambda: told == list(range(number + 1)))
        assert values(store) == list(range(number + 1))
        assert list(store.journal(0, math.inf)) == [EVENT]
        assert (store.dropped, store.notes) == (0, ())
        assert store.close() == 0


@pytest.mark.usefixtures("impatient")
def test_a_file_that_may_not_grow_is_a_full_disk_too(open_store: Open, uplink: MakeUplink, until: Until) -> None:
    """The portable form of the test above: SQLite's own bound gives the same error.

    SQLITE_FULL (13), sqlite.org/rescode.html, from memory.
    """
    store = open_store(most_waiting=100)
    connection = store._writer._connection
    assert connection is not None
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    connection.execute(f"PRAGMA max_page_count = {pages}")
    told: list[int] = []
    number = 0
    while store.problem is None:
        store.put([uplink(number)], partial(told.append, number))
        number += 1
        until(lambda: store.waiting == 0 or store.problem)
    assert "the disk is full" in store.problem
    safe = len(told)
    store.put([EVENT, KeptState("FT-101", "alarm", 1)], lambda: told.append(-1))
    for more in range(number, number + 300):
        store.put([uplink(more)], partial(told.append, more))
    until(lambda: store.dropped == number + 300 - safe - 100)
    assert store.waiting == 100
    assert len(told) == safe
    connection.execute("PRAGMA max_page_count = 1000000")
    until(lambda: store.problem is None and store.waiting == 0)
    left = [*range(safe), *range(number + 200, number + 300)]
    until(lambda: len(told) == len(left) + 1)
    assert sorted(told) == [-1, *left]
    assert values(store) == left
    assert list(store.journal(0, math.inf)) == [EVENT]
    assert store.remembered()["FT-101"].states == {"alarm": 1}


@pytest.mark.usefixtures("impatient")
def test_a_database_that_another_program_holds_locked_is_waited_for(
    store: Store, path: Path, uplink: MakeUplink, until: Until
) -> None:
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    store.put([uplink(1)])
    until(lambda: store.problem)
    assert store.problem == (f"{path}: another program holds the database locked. Nothing is stored until it lets go")
    other.execute("ROLLBACK")
    other.close()
    until(lambda: store.problem is None)
    assert values(store) == [1]


def test_attempts_come_less_and_less_often(path: Path, monkeypatch: pytest.MonkeyPatch, until: Until) -> None:
    pauses: list[float] = []

    def pause(_: object, seconds: float) -> None:
        pauses.append(seconds)

    path.mkdir()
    monkeypatch.setattr("aggregator.store.backlog.Backlog.pause", pause)
    store = Store.open(path, Limits())
    until(lambda: len(pauses) > 9)
    store.close()
    assert pauses[:9] == [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0]


def test_close_tells_how_much_could_not_be_written(path: Path, uplink: MakeUplink) -> None:
    path.mkdir()
    store = Store.open(path, Limits())
    store.put([uplink(1), EVENT, uplink(2)])
    began = time.monotonic()
    assert store.close() == 2
    assert time.monotonic() - began < 5


# Rows that cannot be


def test_a_row_that_cannot_be_is_set_aside_and_blocks_no_other(store: Store, uplink: MakeUplink, until: Until) -> None:
    told: list[int] = []
    broken = uplink(50)._replace(counter=2**70)
    for number in range(100):
        made = broken if number == 50 else uplink(number)
        store.put([made], partial(told.append, number))
    until(lambda: len(told) == 100)
    assert told == list(range(100))
    assert values(store) == [number for number in range(100) if number != 50]
    (row,) = store.aside()
    assert (row.kept.reason, row.kept.message) == (UNSTORABLE, repr([broken]).encode())
    assert "OverflowError" in store.notes[0]
    assert store.problem is None


def test_a_row_too_large_even_to_set_aside_blocks_no_other(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    """SQLite's bound on the length of a value is 10^9 bytes by default (sqlite.org/limits.html); here it is less."""
    connection = store._writer._connection
    assert connection is not None
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 10_000)
    told: list[int] = []
    store.put([uplink(1, readings=(KeptReading("text", "x" * 20_000, 0),))], lambda: told.append(1))
    store.put([uplink(2)])
    settle(store)
    assert (values(store), told, store.problem) == ([2], [], None)
    assert "is lost" in store.notes[-1]


@pytest.mark.parametrize("odd", [object(), {1, 2}])
def test_a_state_that_is_no_json_is_set_aside(store: Store, settle: Settle, odd: object) -> None:
    store.put([KeptState("FT-101", "alarm", odd)])
    settle(store)
    assert [row.kept.reason for row in store.aside()] == [UNSTORABLE]


def test_a_time_that_is_no_number_is_set_aside(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(1, at=math.nan)])
    store.put([uplink(2, at=math.inf)])
    settle(store)
    assert (values(store), len(list(store.aside()))) == ([], 2)


def test_meters_met_in_a_commit_that_failed_are_met_again(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    """Their ids were given in a transaction that was rolled back."""
    store.put([uplink(1, tag="FT-7"), uplink(2)._replace(counter=2**70)])
    store.put([uplink(3, tag="FT-8")])
    store.put([uplink(4, tag="FT-7")])
    settle(store)
    rows = [(row.tag, row.value) for row in store.history(None, None, 0, math.inf)]
    assert rows == [("FT-8", 3), ("FT-7", 4)]


def test_whoever_is_told_and_fails_does_not_stop_the_store(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    def fail() -> None:
        raise RuntimeError("the loop is closed")

    store.put([uplink(1)], fail)
    settle(store)
    store.put([uplink(2)])
    settle(store)
    assert values(store) == [1, 2]
    assert store.notes == ("whoever waited for a commit failed: RuntimeError: the loop is closed",)
