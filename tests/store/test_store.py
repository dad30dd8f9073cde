"""The store as the service uses it."""

from __future__ import annotations

import math
import sqlite3
import threading
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from aggregator.core.keeping import ClockState, KeptAside, KeptEvent, KeptReading, KeptState
from aggregator.store import HistoryRow, Limits, Store, StoreError
from aggregator.store.reader import names

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink, Until

BEGIN = 1_790_000_000.0  # as in conftest.py
Open = Callable[..., Store]
Settle = Callable[[Store], None]


def all_history(store: Store) -> list[HistoryRow]:
    return list(store.history(None, None, -math.inf, math.inf))


def test_a_fresh_store_has_nothing_and_no_problem(store: Store) -> None:
    assert (store.problem, store.notes, store.waiting, store.dropped) == (None, (), 0, 0)
    assert (all_history(store), list(store.journal(0, math.inf)), list(store.aside())) == ([], [], [])
    assert store.remembered() == {}


def test_done_is_called_once_the_rows_are_there_for_others_to_read(
    store: Store, path: Path, uplink: MakeUplink, until: Until
) -> None:
    found: list[int] = []

    def count() -> None:
        with sqlite3.connect(path) as other:
            found.append(other.execute("SELECT count(*) FROM uplink").fetchone()[0])
        other.close()

    store.put([uplink(1), uplink(2)], count)
    until(lambda: found)
    assert found == [2]


def test_the_dones_of_one_commit_come_together_and_in_order(path: Path, uplink: MakeUplink, until: Until) -> None:
    calls: list[int] = []

    def committed(dones: Sequence[Callable[[], None]]) -> None:
        calls.append(len(dones))
        for done in dones:
            done()

    store = Store.open(path, Limits(hold_back=3600.0), committed)
    said: list[int] = []
    for number in range(5):
        store.put([uplink(number)], partial(said.append, number))
    store.put([KeptEvent(BEGIN, "started", None, "gateway", {})])
    until(lambda: calls)
    store.close()
    assert calls == [5]
    assert said == [0, 1, 2, 3, 4]


def test_uplinks_held_back_share_a_commit_and_an_event_ends_the_wait(
    open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    store = open_store(hold_back=3600.0)
    for number in range(10):
        store.put([uplink(number)])
    assert (store.waiting, store.committed) == (10, 0)
    store.put([KeptEvent(BEGIN, "alarm", "FT-101", "gateway", {})])
    settle(store)
    assert store.last_commit is not None
    assert (store.last_commit.uplinks, store.last_commit.rows) == (10, 11)


def test_uplinks_held_back_are_written_in_their_time(open_store: Open, uplink: MakeUplink, until: Until) -> None:
    store = open_store(hold_back=0.2)
    began = time.monotonic()
    for number in range(10):
        store.put([uplink(number)])
    until(lambda: store.committed == 10)
    assert time.monotonic() - began >= 0.2
    assert store.last_commit is not None
    assert store.last_commit.uplinks == 10


def test_a_state_ends_the_wait(open_store: Open, uplink: MakeUplink, until: Until) -> None:
    store = open_store(hold_back=3600.0)
    store.put([uplink(1)])
    store.put([KeptState("FT-101", "total", 5)])
    until(lambda: store.committed == 1)


def test_close_writes_what_is_held_back(open_store: Open, path: Path, uplink: MakeUplink) -> None:
    store = open_store(hold_back=3600.0)
    store.put([uplink(1)])
    assert store.close() == 0
    assert not path.with_name("history.db-wal").exists()
    assert [row.value for row in all_history(store)] == [1]


def test_nothing_can_be_put_after_close(store: Store, uplink: MakeUplink) -> None:
    store.close()
    with pytest.raises(StoreError, match="closed"):
        store.put([uplink(1)])


def test_a_close_ends_the_thread_that_writes(open_store: Open) -> None:
    before = threading.active_count()
    store = open_store()
    assert threading.active_count() == before + 1
    store.close()
    assert threading.active_count() == before


def test_the_same_uplink_stored_twice_stands_once(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    """As after a crash between the commit and the acknowledgement to the broker."""
    store.put([uplink(1)])
    store.put([uplink(1)])
    store.put([uplink(2), uplink(1)])
    settle(store)
    assert [row.value for row in all_history(store)] == [1, 2]


def test_a_frame_counter_begun_anew_is_no_double(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(1), uplink(1, at=BEGIN + 5000)])
    settle(store)
    assert len(all_history(store)) == 2


def test_history_comes_in_time_order_over_all_meters(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    for number in (3, 1, 2, 0):
        store.put([uplink(number, tag=f"FT-{number % 2}", node=f"0a1def000000000{number % 2}")])
    settle(store)
    assert [(row.tag, row.value) for row in all_history(store)] == [("FT-0", 0), ("FT-1", 1), ("FT-0", 2), ("FT-1", 3)]
    assert [row.value for row in store.history(["FT-1"], None, -math.inf, math.inf)] == [1, 3]


def test_history_takes_since_and_leaves_until(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(number) for number in range(10)])
    settle(store)
    assert [row.value for row in store.history(None, None, BEGIN + 3, BEGIN + 6)] == [3, 4, 5]


def test_history_gives_the_fields_that_are_asked_for(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    readings = (KeptReading("flow", 1.5, 8, "m3/h"), KeptReading("pressure", 2, 0, "mbar"))
    store.put([uplink(1, readings=readings)])
    settle(store)
    rows = list(store.history(["FT-101"], ["pressure"], 0, math.inf))
    assert rows == [
        HistoryRow(
            tag="FT-101",
            field="pressure",
            unit="mbar",
            at=BEGIN + 1,
            value=2,
            reasons=0,
            observed=None,
            received=BEGIN + 1,
            arrived=BEGIN + 1.25,
            clock=ClockState.TRUSTED,
            late=False,
            node="0a1def0000000001",
            counter=1,
        )
    ]


def test_a_unit_changed_in_a_profile_leaves_old_readings_in_theirs(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(1, readings=(KeptReading("h2s", 10, 0, "ppm"),))])
    store.put([uplink(2, readings=(KeptReading("h2s", 14, 0, "mg/m3"),))])
    settle(store)
    assert [(row.value, row.unit) for row in all_history(store)] == [(10, "ppm"), (14, "mg/m3")]
    assert store.remembered()["FT-101"].readings == {"h2s": KeptReading("h2s", 14, 0, "mg/m3")}


def test_events_come_back_in_time_order_as_they_were(store: Store, settle: Settle) -> None:
    first = KeptEvent(BEGIN, "alarm", "FT-101", "gateway", {"limit": 45.5, "field": "pressure", "n": [1, None]})
    second = KeptEvent(BEGIN + 1, "acknowledged", None, "operator", {}, ClockState.UNTRUSTED)
    store.put([second, first])
    settle(store)
    assert list(store.journal(0, math.inf)) == [first, second]
    assert list(store.journal(BEGIN + 1, math.inf)) == [second]


def test_facts_that_json_has_no_word_for_are_kept_as_text(store: Store, path: Path, settle: Settle) -> None:
    store.put([KeptEvent(BEGIN, "odd", None, "gateway", {"value": math.inf, "nested": [math.nan], "path": path})])
    settle(store)
    facts = {"value": "inf", "nested": "[nan]", "path": str(path)}
    assert [event.facts for event in store.journal(0, math.inf)] == [facts]


def test_messages_set_aside_come_back_whole_and_can_be_forgotten(store: Store, settle: Settle) -> None:
    asides = [KeptAside(BEGIN, "bad JSON", f"at {n}", "lns/x/up", None, bytes(range(256)) * n) for n in range(40)]
    store.put(asides)
    settle(store)
    rows = list(store.aside())
    assert [row.kept for row in rows] == asides
    store.forget_aside([row.id for row in rows[::2]])
    settle(store)
    assert [row.kept for row in store.aside()] == asides[1::2]


def test_an_id_of_a_message_set_aside_is_never_given_again(store: Store, settle: Settle) -> None:
    aside = KeptAside(BEGIN, "bad JSON", "", "lns/x/up", None, b"{")
    store.put([aside])
    settle(store)
    first = [row.id for row in store.aside()]
    store.forget_aside(first)
    store.put([aside])
    settle(store)
    store.forget_aside(first)
    settle(store)
    assert len(list(store.aside())) == 1


def test_only_the_newest_messages_set_aside_stay(open_store: Open, settle: Settle) -> None:
    store = open_store(most_aside=10)
    for number in range(25):
        store.put([KeptAside(BEGIN, "bad JSON", str(number), "lns/x/up", None, b"{")])
    settle(store)
    assert [row.kept.detail for row in store.aside()] == [str(number) for number in range(15, 25)]


def test_the_frames_of_late_stand_in_order_of_arrival(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    other = "0a1def0000000002"
    store.put([uplink(5), uplink(7), uplink(3, tag="FT-102", node=other), uplink(6, late=True), uplink(9, node=None)])
    settle(store)
    mine = "0a1def0000000001"
    found = [(node, counter, heard) for node, counter, heard, _, _ in store.recent_frames()]
    assert found == [(mine, 5, BEGIN + 5), (mine, 7, BEGIN + 7), (other, 3, BEGIN + 3), (mine, 6, BEGIN + 6)]


def test_the_bytes_written_are_those_the_kernel_counted(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    before = store.bytes_written
    if before is None:
        pytest.skip("the kernel counts no bytes of a thread")
    store.put([uplink(number) for number in range(1000)])
    settle(store)
    after = store.bytes_written
    assert after is not None
    assert after - before > 1000 * 60  # an uplink's row alone is some 60 bytes
    store.close()
    assert store.bytes_written is not None
    assert store.bytes_written > after


# Several readings in one uplink


def test_a_record_of_a_batch_is_kept_once_however_often_frames_repeat_it(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    """Times that are told are the same to the millisecond; an age in minutes comes out up to a minute apart."""
    exact = uplink(1, at=BEGIN)._replace(within=0.001)
    store.put([exact, exact._replace(at=BEGIN + 0.001)])  # two records of one frame
    store.put([exact._replace(counter=2), exact._replace(counter=2, at=BEGIN + 5)])  # the first of them once more
    store.put([exact._replace(counter=2)])  # the frame once more
    aged = uplink(3, at=BEGIN + 1000)._replace(within=60.0)
    near = [aged._replace(counter=4, at=BEGIN + 1000 + apart) for apart in (-59.9, 59.9, 60.0)]
    store.put([aged, aged._replace(at=BEGIN + 1030), *near])
    store.put([aged._replace(counter=5, node="0a1def0000000002"), aged._replace(counter=6, tag="FT-102")])
    settle(store)
    rows = [(row.tag, row.counter, round(row.at - BEGIN, 3)) for row in store.history(None, None, 0, 1e10)]
    assert sorted(rows) == [
        ("FT-101", 1, 0.0),
        ("FT-101", 1, 0.001),
        ("FT-101", 2, 5.0),
        ("FT-101", 3, 1000.0),
        ("FT-101", 3, 1030.0),
        ("FT-101", 5, 1000.0),
        ("FT-102", 6, 1000.0),
    ]


def test_records_and_uplinks_stand_in_the_order_they_were_put(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    puts = [uplink(number)._replace(within=0.001 if number % 3 == 0 else None) for number in range(1, 30)]
    store.put(puts)
    settle(store)
    assert [frame.counter for frame in store.recent_frames()] == list(range(1, 30))


# The clock is set right later


def test_a_clock_set_right_moves_what_it_has_dated_wrongly(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    """Only arrivals, and times that count as arrivals, were by that clock; what others said stays."""
    by_arrival = uplink(1, at=100.0, clock=ClockState.UNTRUSTED)._replace(received=None, arrived=100.0)
    by_network = uplink(2, clock=ClockState.UNTRUSTED)._replace(arrived=101.0)
    store.put([by_arrival, by_network, KeptEvent(102.0, "stale", "FT-101", "gateway", {}, ClockState.UNTRUSTED)])
    aside = KeptAside(103.0, "bad JSON", "", "lns/x/up", None, b"{", ClockState.UNTRUSTED)
    store.put([aside, aside._replace(clock=ClockState.TRUSTED), aside._replace(at=50.0)])
    store.correct_clock(90.0, 200.0, BEGIN)
    settle(store)
    rows = all_history(store)
    assert [(row.value, row.at, row.arrived) for row in rows] == [
        (2, BEGIN + 2, BEGIN + 101),
        (1, BEGIN + 100, BEGIN + 100),
    ]
    assert {row.clock for row in rows} == {ClockState.CORRECTED}
    assert [(event.at, event.clock) for event in store.journal(0, math.inf)] == [(BEGIN + 102, ClockState.CORRECTED)]
    assert [(row.kept.at, row.kept.clock) for row in store.aside()] == [
        (BEGIN + 103, ClockState.CORRECTED),
        (103.0, ClockState.TRUSTED),
        (50.0, ClockState.UNTRUSTED),
    ]


def test_a_clock_set_right_moves_nothing_of_trusted_times_earlier_or_earlier_runs(
    open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    untrusted = ClockState.UNTRUSTED
    first = open_store()
    first.put([uplink(1, at=200.0, clock=untrusted), KeptEvent(200.0, "a", None, "gateway", {}, untrusted)])
    first.close()
    store = open_store()
    store.put([uplink(2, at=200.0), uplink(3, at=50.0, clock=untrusted)])
    store.put([KeptEvent(201.0, "b", None, "gateway", {}), KeptEvent(50.0, "c", None, "gateway", {}, untrusted)])
    store.correct_clock(100.0, 300.0, BEGIN)
    settle(store)
    assert sorted(row.at for row in all_history(store)) == [50.0, 200.0, 200.0]
    assert [event.at for event in store.journal(0, math.inf)] == [50.0, 200.0, 201.0]


def test_what_came_between_the_setting_of_the_clock_and_the_correction_is_not_moved_again(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    untrusted = ClockState.UNTRUSTED
    store.put([uplink(1, at=100.0, clock=untrusted)._replace(received=None, arrived=100.0)])
    store.put([uplink(2, at=BEGIN + 101.0, clock=untrusted)._replace(received=None, arrived=BEGIN + 101.0)])
    store.put([KeptEvent(BEGIN + 101.0, "a", None, "gateway", {}, untrusted)])
    store.correct_clock(90.0, 102.0, BEGIN)
    settle(store)
    assert [row.at for row in all_history(store)] == [BEGIN + 100.0, BEGIN + 101.0]
    assert [event.at for event in store.journal(0, math.inf)] == [BEGIN + 101.0]


def test_what_was_moved_by_a_clock_not_trusted_either_is_moved_once_more(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    """Somebody sets the clock by hand, to the wrong year, and a time source sets it right later."""
    untrusted = ClockState.UNTRUSTED
    store.put([uplink(1, at=100.0, clock=untrusted)._replace(received=None, arrived=100.0)])
    store.correct_clock(90.0, 102.0, 5000.0, untrusted)
    settle(store)
    assert [(row.at, row.clock) for row in all_history(store)] == [(5100.0, untrusted)]
    store.correct_clock(5090.0, 5200.0, -4000.0)
    settle(store)
    assert [(row.at, row.arrived, row.clock) for row in all_history(store)] == [(1100.0, 1100.0, ClockState.CORRECTED)]


def test_the_earliest_it_can_be_is_what_a_clock_kept_right_has_dated_last(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    assert store.earliest() is None
    store.put([uplink(1, clock=ClockState.UNTRUSTED)._replace(arrived=9e9)])
    settle(store)
    assert store.earliest() is None, "a clock that may be decades ahead says nothing"
    store.put([uplink(2)._replace(arrived=BEGIN + 5.0), uplink(3)._replace(arrived=BEGIN + 7.5)])
    store.put([uplink(4, clock=ClockState.UNTRUSTED)._replace(arrived=10.0)])
    store.put([uplink(5, clock=ClockState.CORRECTED)._replace(arrived=9e9)])
    settle(store)
    assert store.earliest() == BEGIN + 7.5
    store.put(
        [KeptEvent(BEGIN + 8.25, "a", None, "gateway", {}), KeptEvent(9e9, "b", None, "", {}, ClockState.CORRECTED)]
    )
    settle(store)
    assert store.earliest() == BEGIN + 8.25


def test_what_is_remembered_follows_the_clock_set_right(open_store: Open, uplink: MakeUplink, settle: Settle) -> None:
    store = open_store()
    numbers = range(2500)  # enough that the newest readings are settled at least once before
    for number in numbers:
        made = uplink(number, at=100.0 + number, clock=ClockState.UNTRUSTED)
        store.put([made._replace(received=None, arrived=made.at)])
    settle(store)
    store.correct_clock(0.0, 3000.0, BEGIN)
    settle(store)
    state = store.remembered()["FT-101"]
    assert (state.at["flow"], state.arrived) == (BEGIN + 2599, BEGIN + 2599)


def test_a_reader_knows_every_tag_and_field_that_was_ever_stored(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    assert names(path) == (set(), set())
    store.put([uplink(1), uplink(2, tag="FT-102", readings=(KeptReading("h2s", 1, 0, "ppm"),))])
    store.put([uplink(3, tag="FT-102", readings=(KeptReading("h2s", 1, 0, "mg/m3"),))])
    settle(store)
    assert names(path) == ({"FT-101", "FT-102"}, {"flow", "h2s"})
