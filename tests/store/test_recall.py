"""What a restart gets back."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from aggregator.core.keeping import ClockState, KeptReading, KeptState, KeptUplink, Remembered
from aggregator.core.reading import Reason
from aggregator.core.uplink import NO_RADIO, Radio
from aggregator.store import Store
from aggregator.store.recall import SETTLE_AFTER

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink

BEGIN = 1_790_000_000.0  # as in conftest.py
Open = Callable[..., Store]
Settle = Callable[[Store], None]


def test_each_field_is_remembered_from_the_newest_uplink_that_carried_it(open_store: Open, uplink: MakeUplink) -> None:
    store = open_store()
    store.put([uplink(1, readings=(KeptReading("flow", 10.5, 0, "m3/h"), KeptReading("battery", 3.6, 4096, "V")))])
    store.put([uplink(2, readings=(KeptReading("flow", 11.5, 16, "m3/h"),), radio=Radio(-101, 5.5, 9))])
    store.close()
    assert open_store().remembered() == {
        "FT-101": Remembered(
            readings={"flow": KeptReading("flow", 11.5, 16, "m3/h"), "battery": KeptReading("battery", 3.6, 4096, "V")},
            at={"flow": BEGIN + 2, "battery": BEGIN + 1},
            observed=None,
            received=BEGIN + 2,
            arrived=BEGIN + 2.25,
            node="0a1def0000000001",
            counter=2,
            radio=Radio(-101, 5.5, 9),
            heard=BEGIN + 2,
        )
    }


def test_a_late_uplink_is_not_what_was_shown(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(5), uplink(3, late=True)])
    settle(store)
    state = store.remembered()["FT-101"]
    assert (state.readings["flow"].value, state.counter) == (5, 5)


def test_an_hour_under_a_clock_never_set_is_still_the_latest(store: Store, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(5), uplink(6, at=100.0, clock=ClockState.UNTRUSTED)])
    settle(store)
    state = store.remembered()["FT-101"]
    assert (state.readings["flow"].value, state.at["flow"]) == (6, 100.0)


def test_a_keep_alive_says_how_the_node_was_heard_and_dates_nothing(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(5), uplink(6, readings=(), radio=Radio(-90))])
    settle(store)
    state = store.remembered()["FT-101"]
    assert (state.counter, state.radio, state.received, state.readings["flow"].value) == (6, Radio(-90), BEGIN + 5, 5)
    assert state.heard == BEGIN + 6


def test_a_keep_alive_outlives_the_settling_of_what_came_before_it(open_store: Open, uplink: MakeUplink) -> None:
    """Its double, sent again by the broker after a restart, is no new session of the node."""
    store = open_store()
    store.put([uplink(5), uplink(6, readings=())])
    store.close()
    again = open_store()
    again.put([uplink(1, tag="FT-102", node="0a1def0000000002")])
    again.close()
    state = open_store().remembered()["FT-101"]
    assert (state.counter, state.heard, state.received) == (6, BEGIN + 6, BEGIN + 5)


def test_what_was_filled_in_is_remembered_by_its_time_and_moves_nothing_else(
    store: Store, uplink: MakeUplink, settle: Settle
) -> None:
    """Uplinks 7 and 6 came after 9, which carried the flow only; 6 after 7."""
    battery, methane = KeptReading("battery", 3.6, 0, "V"), KeptReading("methane", 1.5, 0, "%LEL")
    flow = KeptReading("flow", -1, 0, "m3/h")
    store.put([uplink(9), uplink(7, readings=(battery, flow))._replace(filled_in=True)])
    store.put([uplink(6, readings=(methane, battery._replace(value=0), flow))._replace(filled_in=True)])
    settle(store)
    for _ in range(2):  # before what is shown was brought up to date, and after
        state = store.remembered()["FT-101"]
        values = {name: reading.value for name, reading in state.readings.items()}
        assert values == {"flow": 9, "battery": 3.6, "methane": 1.5}
        assert (state.counter, state.heard) == (9, BEGIN + 9)
        store.close()
    assert [row.late for row in store.history(None, ["battery"], 0, 1e10)] == [False, False]


def test_what_was_entered_by_hand_is_no_reading_to_come_back(
    open_store: Open, uplink: MakeUplink, settle: Settle
) -> None:
    store = open_store()
    store.put([uplink(5), _by_hand(6, 99.0)])
    settle(store)
    before = store.remembered()["FT-101"]
    assert (before.readings["flow"].value, before.counter, before.node) == (5, 5, "0a1def0000000001")
    store.close()  # which settles
    store = open_store()
    assert store.remembered()["FT-101"] == before
    store.put([_by_hand(7, 98.0)])
    settle(store)
    assert store.remembered()["FT-101"] == before


def _by_hand(number: int, value: float) -> KeptUplink:
    reading = KeptReading("flow", value, int(Reason.SUBSTITUTED), "m3/h")
    moment = BEGIN + number
    return KeptUplink("FT-101", None, None, moment, None, None, moment, ClockState.TRUSTED, False, NO_RADIO, (reading,))


def test_states_go_on_and_none_forgets_them(open_store: Open) -> None:
    store = open_store()
    odd = {"latched": True, "total": 10**30, "since": 0.1, "words": ["a", None, {"b": -0.0}]}
    store.put([KeptState("FT-101", "alarm", odd), KeptState("", "gateway", 1), KeptState("FT-101", "old", 1)])
    store.put([KeptState("", "gateway", 2), KeptState("FT-101", "old", None)])
    store.close()
    found = open_store().remembered()
    assert {tag: state.states for tag, state in found.items()} == {"FT-101": {"alarm": odd}, "": {"gateway": 2}}


def test_settling_changes_nothing_of_what_is_remembered(
    open_store: Open, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    store = open_store()
    expected: dict[str, tuple[object, object]] = {}
    for number in range(3 * SETTLE_AFTER):
        tag, field = f"FT-{number % 7}", f"field-{number % 5}"
        readings = (KeptReading(field, number / 3, number % 3 * 8, "V"), KeptReading("flow", number, 0))
        store.put([uplink(number, tag=tag, readings=readings)]) if number % 1000 else settle(store)
        if number % 1000:
            expected[f"{tag} {field}"] = expected[f"{tag} flow"] = (number, None)
    settle(store)
    before = store.remembered()
    store.close()
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT count(*) FROM shown").fetchone() == (7,)
        behind = "SELECT (SELECT max(id) FROM uplink) - (SELECT uplink FROM settled)"
        assert connection.execute(behind).fetchone() == (0,)
    connection.close()
    assert open_store().remembered() == before
    found = {f"{tag} {name}": state.at[name] for tag, state in before.items() for name in state.readings}
    assert found == {name: BEGIN + float(str(number)) for name, (number, _) in expected.items()}
