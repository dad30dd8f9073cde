"""Letting go of what is too old or too much."""

from __future__ import annotations

import math
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import ClockState, KeptEvent
from aggregator.store import Store, retention
from aggregator.store.connection import PAGE_SIZE, open_writing
from aggregator.store.limits import Limits
from aggregator.store.retention import LARGEST, Retention

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink, Until

BEGIN = 1_790_000_000.0  # as in conftest.py
DAY = 86_400.0
Open = Callable[..., Store]
Settle = Callable[[Store], None]


def values(store: Store) -> list[object]:
    return [row.value for row in store.history(None, None, -math.inf, math.inf)]


def test_uplinks_older_than_may_be_kept_go_and_the_newer_stay(
    open_store: Open, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store(keep_days=10)
    store.put([uplink(day, at=BEGIN + day * DAY) for day in range(30)])
    settle(store)
    store.let_age(BEGIN + 29.5 * DAY)
    until(lambda: len(values(store)) == 10)
    assert values(store) == list(range(20, 30))


def test_nothing_ages_before_a_clock_that_is_right_says_so(
    open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    store = open_store(keep_days=10)
    store.put([uplink(day, at=BEGIN + day * DAY) for day in range(30)])
    settle(store)
    assert len(values(store)) == 30


def test_the_journal_has_an_age_of_its_own(open_store: Open, uplink: MakeUplink, settle: Settle, until: Until) -> None:
    store = open_store(keep_days=1, keep_journal_days=20)
    for day in range(30):
        store.put(
            [KeptEvent(BEGIN + day * DAY, f"event {day}", None, "gateway", {}), uplink(day, at=BEGIN + day * DAY)]
        )
    settle(store)
    store.let_age(BEGIN + 29.5 * DAY)
    until(lambda: len(values(store)) == 1 and len(list(store.journal(0, math.inf))) == 20)
    assert [event.event for event in store.journal(0, math.inf)] == [f"event {day}" for day in range(10, 30)]


def test_the_newest_uplink_stays_however_old_so_that_no_id_is_given_twice(
    open_store: Open, path: Path, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store(keep_days=1)
    store.put([uplink(number) for number in range(5)])
    settle(store)
    store.let_age(BEGIN + 1000 * DAY)
    until(lambda: len(values(store)) == 1)
    store.put([uplink(5)])
    store.close()
    assert values(store) == [4, 5]
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT max(id) FROM uplink").fetchone() == (6,)
    connection.close()


def test_what_an_untrusted_clock_has_dated_is_not_taken_for_old(
    open_store: Open, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    """A gateway without a battery clock begins in 1970 after every power cut."""
    store = open_store(keep_days=10)
    store.put([uplink(0, at=BEGIN - 100 * DAY)])
    store.put([uplink(number, at=100.0 + number, clock=ClockState.UNTRUSTED) for number in range(1, 200)])
    store.put([uplink(number) for number in range(200, 300)])
    settle(store)
    store.let_age(BEGIN + 5 * DAY)
    until(lambda: 0 not in values(store))
    settle(store)
    assert sorted(values(store), key=str) == sorted(range(1, 300), key=str)


def test_what_an_untrusted_clock_has_dated_goes_with_what_came_after_it(
    open_store: Open, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store(keep_days=10)
    untrusted = 3 * LARGEST
    store.put([uplink(number, at=100.0 + number, clock=ClockState.UNTRUSTED) for number in range(untrusted)])
    store.put([uplink(untrusted), uplink(untrusted + 1, at=BEGIN + 20 * DAY)])
    settle(store)
    store.let_age(BEGIN + 20 * DAY)
    until(lambda: values(store) == [untrusted + 1])


def test_a_file_beyond_its_size_loses_the_oldest_and_really_shrinks(
    open_store: Open, path: Path, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store()
    for number in range(8000):
        store.put([uplink(number)])
    settle(store)
    store.close()
    large = path.stat().st_size
    most = large // 2
    store = open_store(most_bytes=most)
    until(lambda: path.stat().st_size <= most)
    store.close()
    left = values(store)
    assert left == list(range(8000 - len(left), 8000))
    assert most / 2 < path.stat().st_size <= most


def test_a_file_at_its_bound_goes_on_taking_uplinks(
    open_store: Open, path: Path, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    most = 200 * PAGE_SIZE
    store = open_store(most_bytes=most)
    for number in range(6000):
        store.put([uplink(number)])
        if not number % 50:
            settle(store)
    settle(store)
    store.put([uplink(6000)])
    settle(store)
    store.close()
    again = open_store(most_bytes=most)
    until(lambda: path.stat().st_size <= most)
    again.close()
    assert values(store)[-1] == 6000
    assert store.problem is None


def test_a_bound_too_small_for_anything_still_keeps_the_newest(
    open_store: Open, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store(most_bytes=1)
    store.put([uplink(number) for number in range(100)])
    settle(store)
    until(lambda: values(store) == [99])
    store.put([uplink(100)])
    until(lambda: values(store) == [100])


def test_most_of_an_emptied_file_goes_back_to_the_disk(
    open_store: Open,
    path: Path,
    uplink: MakeUplink,
    settle: Settle,
    until: Until,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(retention, "SPARE_PAGES", 32)
    store = open_store(keep_days=1)
    for number in range(20_000):
        store.put([uplink(number)])
    settle(store)
    store.close()
    large = path.stat().st_size
    store = open_store(keep_days=1)
    store.let_age(BEGIN + 100 * DAY)
    until(lambda: values(store) == [19_999])
    until(lambda: path.stat().st_size < large / 10)


def test_a_bite_is_short_whatever_there_is_to_drop(path: Path, uplink: MakeUplink) -> None:
    """The median, because a bite can also wait for the disk: 50 ms is the bound that a waiting uplink may feel."""
    from aggregator.store.rows import Newest, Rows

    connection = open_writing(path)
    connection.execute("PRAGMA synchronous = OFF")
    connection.execute("BEGIN")
    Rows(connection, 10, Newest(0, 0, 0)).put(uplink(number) for number in range(30_000))
    connection.execute("COMMIT")
    retention = Retention(Limits(keep_days=1))
    retention.let_age(BEGIN + 100 * DAY)
    took = []
    while retention.is_due:
        began = time.monotonic()
        retention.bite(connection)
        took.append(time.monotonic() - began)
    assert connection.execute("SELECT count(*) FROM uplink").fetchone() == (1,)
    connection.close()
    assert sorted(took)[len(took) // 2] < 0.05
    assert len(took) > 20


def test_uplinks_get_through_while_much_is_dropped(
    open_store: Open, uplink: MakeUplink, settle: Settle, until: Until
) -> None:
    store = open_store(keep_days=1)
    store.put([uplink(number) for number in range(20_000)])
    settle(store)
    store.let_age(BEGIN + 100 * DAY)
    store.put([uplink(20_000, at=BEGIN + 100 * DAY)])
    settle(store)
    left = len(values(store))
    assert left > 1, "all was dropped before one uplink got through"
    until(lambda: values(store) == [20_000])


@pytest.mark.parametrize("limits", [{"keep_days": None}, {"most_bytes": None}])
def test_no_limit_is_no_limit(open_store: Open, uplink: MakeUplink, settle: Settle, limits: dict[str, None]) -> None:
    store = open_store(**limits)
    store.put([uplink(number) for number in range(100)])
    store.let_age(BEGIN + 700 * DAY)
    settle(store)
    store.let_age(BEGIN + 700 * DAY)
    settle(store)
    assert len(values(store)) == 100
