"""Reading: in pages, in order, and with no transaction left open."""

from __future__ import annotations

import itertools
import math
import random
import re
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import KeptEvent
from aggregator.store import Store, StoreError
from aggregator.store.journal import AT_ONCE as EVENTS_AT_ONCE
from aggregator.store.reader import UPLINKS_AT_ONCE

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink

BEGIN = 1_790_000_000.0  # as in conftest.py
Settle = Callable[[Store], None]


def test_pages_join_without_loss_or_doubling_where_many_times_are_equal(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    chance = random.Random(7)
    made = []
    for number in range(5 * UPLINKS_AT_ONCE):
        tag = f"FT-{chance.randrange(3)}"
        made.append((BEGIN + chance.randrange(4), number, tag))
        store.put([uplink(number, tag=tag, at=made[-1][0])])
    settle(store)
    rows = [(row.at, row.value, row.tag) for row in store.history(None, None, -math.inf, math.inf)]
    assert rows == sorted(made)
    some = [(row.at, row.value, row.tag) for row in store.history({"FT-1", "FT-9"}, None, BEGIN + 1, BEGIN + 3)]
    assert some == sorted(each for each in made if each[2] == "FT-1" and BEGIN + 1 <= each[0] < BEGIN + 3)


def test_pages_of_the_journal_join_too(store: Store, settle: Settle) -> None:
    store.put([KeptEvent(BEGIN + at // 700, str(at), None, "gateway", {}) for at in range(2 * EVENTS_AT_ONCE + 5)])
    settle(store)
    assert [event.event for event in store.journal(0, math.inf)] == [str(at) for at in range(2 * EVENTS_AT_ONCE + 5)]


def test_a_reader_that_is_slow_does_not_keep_the_log_from_being_emptied(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(number) for number in range(3 * UPLINKS_AT_ONCE)])
    settle(store)
    rows = store.history(None, None, -math.inf, math.inf)
    events = store.journal(-math.inf, math.inf)
    aside = store.aside()
    assert next(rows).value == 0
    assert next(events, None) is None
    assert next(aside, None) is None
    store.put([uplink(number) for number in range(1000, 1100)])
    settle(store)
    other = sqlite3.connect(path)
    assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0  # 1 would mean: kept busy by a reader
    other.close()
    assert path.with_name("history.db-wal").stat().st_size == 0
    assert len(list(rows)) == 3 * UPLINKS_AT_ONCE + 100 - 1


def test_a_reader_meets_fields_that_came_after_it_began(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    from aggregator.core.keeping import KeptReading

    store.put([uplink(number) for number in range(UPLINKS_AT_ONCE + 1)])
    settle(store)
    rows = store.history(None, None, -math.inf, math.inf)
    next(rows)
    store.put([uplink(9999, readings=(KeptReading("new", 5, 0),))])
    settle(store)
    assert [row.field for row in rows][-1] == "new"


def test_one_meter_of_many_is_found_by_the_index(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    from aggregator.store.frames import BEFORE
    from aggregator.store.journal import EVENTS, REACH, Sought
    from aggregator.store.reader import BACKWARDS, FORWARDS

    store.put([uplink(1)])
    settle(store)
    other = sqlite3.connect(path)
    names = ("meter", "at", "id", "end", "most", "first", "offset", "last_at", "last_id")
    place = dict.fromkeys(names, 1) | Sought({"FT-101"}).bounds()
    of_meters = [(each, "uplink_of_meter") for each in (FORWARDS, BACKWARDS, BEFORE)]
    of_events = [(each, "event_in_time") for each in (*EVENTS.values(), *REACH.values())]
    for statement, index in of_meters + of_events:
        plan = " / ".join(row[3] for row in other.execute(f"EXPLAIN QUERY PLAN {statement}", place))
        assert re.search(rf"USING (COVERING )?INDEX {index}", plan)
        assert "SCAN uplink" not in plan
        assert "SCAN event" not in plan
    other.close()


def test_readers_in_many_threads_disturb_nobody(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(4) as pool:
        for number in range(300):
            store.put([uplink(number)])
        counts = list(pool.map(lambda _: sum(1 for _ in store.history(None, None, 0, math.inf)), range(20)))
    settle(store)
    assert all(0 <= count <= 300 for count in counts)
    assert sum(1 for _ in store.history(None, None, 0, math.inf)) == 300
    assert store.problem is None


def test_what_was_damaged_after_the_start_is_said_and_not_passed_over(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(number) for number in range(2000)])
    settle(store)
    store.close()
    whole = path.read_bytes()
    path.write_bytes(whole[:8192] + b"\xa5" * (len(whole) - 8192))
    with pytest.raises(StoreError, match="cannot be read"):
        list(itertools.islice(store.history(None, None, 0, math.inf), 5000))
    assert store.remembered() == {}
    assert "nothing is remembered" in store.notes[-1]


def test_pages_of_readings_join_newest_first_and_part_no_uplink(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    from aggregator.core.keeping import KeptReading
    from aggregator.store.reader import Extent, readings_page

    pair = (KeptReading("flow", 1, 0, "m3/h"), KeptReading("pressure", 20, 0, "mbar"))
    store.put([uplink(number, at=BEGIN + number // 3, readings=pair) for number in range(3 * UPLINKS_AT_ONCE)])
    store.put([uplink(number, tag="FT-102") for number in range(50)])
    settle(store)
    for fields, each in ((None, 2), (["pressure"], 1), (["colour"], 0)):
        found, after, sizes = [], None, []
        while True:
            page = readings_page(path, "FT-101", fields, Extent(BEGIN + 10, BEGIN + 200, 101, after))
            found += [(row.counter, row.field) for row in page.rows]
            sizes.append(len(page.rows))
            after = page.after
            if after is None:
                break
        counters = [number for number in reversed(range(30, 600)) for _ in range(each)]
        assert [counter for counter, _ in found] == counters
        assert set(sizes[:-1]) <= {101, 102}
    assert readings_page(path, "FT-999", None, Extent()) == ([], None)
