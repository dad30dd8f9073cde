"""The frames that a start is told of: those of the last days, and before them one of each meter."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from aggregator.core.keeping import ClockState, KeptAside, KeptFrame
from aggregator.store import Store, frames

if TYPE_CHECKING:
    import pytest

    from tests.store.conftest import MakeUplink

BEGIN = 1_790_000_000.0  # as in conftest.py
DAY = 86400.0
MINE, OTHER = "0a1def0000000001", "0a1def0000000002"
Settle = Callable[[Store], None]


def counters(store: Store) -> list[tuple[str, int]]:
    return [(frame.node, frame.counter) for frame in store.recent_frames()]


def test_nothing_stored_is_no_frame(store: Store, settle: Settle) -> None:
    settle(store)
    assert list(store.recent_frames()) == []


def test_what_is_older_than_two_days_is_left_out_but_for_the_last_of_each_meter(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(number, at=BEGIN + DAY * number)._replace(arrived=BEGIN + DAY * number) for number in range(10)])
    store.put([uplink(77, tag="FT-102", node=OTHER, at=BEGIN)._replace(arrived=BEGIN + 9.1 * DAY)])
    settle(store)
    assert counters(store) == [(MINE, 7), (MINE, 8), (MINE, 9), (OTHER, 77)]


def test_where_the_run_of_rows_begins_is_found_also_when_rows_have_gone(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    hours = range(200)
    store.put([uplink(hour, at=BEGIN + 3600 * hour)._replace(arrived=BEGIN + 3600.0 * hour) for hour in hours])
    settle(store)
    with sqlite3.connect(path) as connection:
        connection.execute("DELETE FROM uplink WHERE id % 7 = 3 AND id < 200")
    connection.close()
    left = [hour for hour in hours if (hour + 1) % 7 != 3 or hour == 199]
    assert [counter for _, counter in counters(store)][1:] == [hour for hour in left if hour >= 199 - 48]


def test_a_frame_says_whether_the_network_dated_it_and_whether_it_could_be_read(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(1)._replace(received=None, arrived=BEGIN + 1)])
    aside = KeptAside(BEGIN + 2, "bad payload", "short", "lns/x/up", MINE, b"{}", ClockState.TRUSTED, 2, BEGIN + 1.9)
    store.put([aside, uplink(3), aside._replace(counter=None)])
    settle(store)
    assert list(store.recent_frames()) == [
        KeptFrame(MINE, 1, BEGIN + 1, timed=False),
        KeptFrame(MINE, 2, BEGIN + 1.9, read=False),
        KeptFrame(MINE, 3, BEGIN + 3),
    ]


def test_a_start_reads_no_more_than_so_many_rows_and_one_before(
    store: Store, uplink: MakeUplink, settle: Settle, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(frames, "MOST", 10)
    store.put([uplink(number) for number in range(100)])
    settle(store)
    assert [counter for _, counter in counters(store)] == list(range(89, 100))
