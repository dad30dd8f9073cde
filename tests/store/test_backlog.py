"""What waits for the disk: order, bounds, and who goes first when there is too much."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.keeping import ClockState, KeptEvent, KeptState, KeptUplink
from aggregator.core.uplink import NO_RADIO
from aggregator.store.backlog import AT_ONCE, OTHERS, Backlog, Parcel
from aggregator.store.rows import Order

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink

MOST = 4
EVENT = KeptEvent(1.0, "stale", "FT-101", "gateway", {})


def orders_of(parcels: list[Parcel]) -> list[Order]:
    return [order for parcel in parcels for order in parcel.orders]


def counters(backlog: Backlog) -> list[int | None]:
    taken = []
    while parcels := backlog.take(0):
        taken += [order.counter for order in orders_of(parcels) if isinstance(order, KeptUplink)]
    return taken


def test_parcels_come_out_in_the_order_they_went_in(uplink: MakeUplink) -> None:
    backlog = Backlog(100, 0.0)
    for number in range(5):
        backlog.put([uplink(number), EVENT], None)
    assert orders_of(backlog.take(0)) == [each for number in range(5) for each in (uplink(number), EVENT)]
    assert backlog.take(0) == []


def test_what_is_put_back_stands_before_what_came_since(uplink: MakeUplink) -> None:
    backlog = Backlog(100, 0.0)
    backlog.put([uplink(1)], None)
    backlog.put([uplink(2)], None)
    taken = backlog.take(0)
    backlog.put([uplink(3)], None)
    assert backlog.waiting == 3
    backlog.put_back(taken)
    assert backlog.waiting == 3
    assert counters(backlog) == [1, 2, 3]


def test_a_transaction_has_a_bound(uplink: MakeUplink) -> None:
    backlog = Backlog(10 * AT_ONCE, 0.0)
    for number in range(AT_ONCE + 10):
        backlog.put([uplink(number)], None)
    assert [len(backlog.take(0)), len(backlog.take(0))] == [AT_ONCE, 10]


def test_the_oldest_uplinks_go_first_and_events_and_states_stay(uplink: MakeUplink) -> None:
    backlog = Backlog(3, 0.0)
    backlog.put([EVENT], None)
    for number in range(5):
        backlog.put([uplink(number)], None)
    state = KeptState("FT-101", "total", 5)
    backlog.put([state], None)
    assert backlog.dropped == 2
    assert orders_of(backlog.take(0)) == [EVENT, uplink(2), uplink(3), uplink(4), state]


def test_events_beyond_all_bounds_first_cost_the_uplinks(uplink: MakeUplink) -> None:
    backlog = Backlog(10, 0.0)
    for number in range(4):
        backlog.put([uplink(number)], None)
    for _ in range(30):
        backlog.put([EVENT], None)
    assert orders_of(backlog.take(0)) == [uplink(0), uplink(1), uplink(2), uplink(3), *[EVENT] * 30]
    for number in range(4):
        backlog.put([uplink(number)], None)
    for _ in range(50):
        backlog.put([EVENT], None)
    assert orders_of(backlog.take(0)) == [EVENT] * 40
    assert backlog.dropped == 4 + 10


def test_nobody_is_told_of_a_put_that_lost_an_uplink(uplink: MakeUplink) -> None:
    backlog = Backlog(1, 0.0)
    backlog.put([uplink(1), EVENT], lambda: None)
    backlog.put([uplink(2), EVENT], lambda: None)
    assert [parcel.done is None for parcel in backlog.take(0)] == [True, False]


def test_a_put_of_nothing_still_gets_its_turn() -> None:
    backlog = Backlog(1, 3600.0)
    backlog.put([], lambda: None)
    assert len(backlog.take(0)) == 1


def test_parcels_that_lost_everything_do_not_pile_up(uplink: MakeUplink) -> None:
    backlog = Backlog(10, 0.0)
    backlog.put([EVENT], None)
    for number in range(10 * AT_ONCE):
        backlog.put([uplink(number)], None)
    assert len(backlog._parcels) <= AT_ONCE + 12
    assert counters(backlog) == list(range(10 * AT_ONCE - 10, 10 * AT_ONCE))


@given(st.lists(st.sampled_from(["uplink", "event", "both", "nothing", "take", "fail"]), max_size=80))
def test_whatever_happens_uplinks_are_taken_once_in_order_or_counted_as_dropped(steps: list[str]) -> None:
    backlog = Backlog(MOST, 0.0)
    made = 0
    got: list[int | None] = []
    for step in [*steps, "take"]:
        if step in {"take", "fail"}:
            taken = backlog.take(0)
            if step == "fail":
                backlog.put_back(taken)
            else:
                got += [order.counter for order in orders_of(taken) if isinstance(order, KeptUplink)]
                backlog.written()
        else:
            orders: dict[str, list[Order]] = {
                "uplink": [numbered(made)],
                "event": [EVENT],
                "both": [EVENT, numbered(made)],
                "nothing": [],
            }
            made += step in {"uplink", "both"}
            backlog.put(orders[step], lambda: None)
    assert got == sorted(set(got), key=lambda each: each or 0)
    others = sum(step in {"event", "both"} for step in steps)
    lost = made - len(got)
    assert lost == backlog.dropped if others <= OTHERS * MOST - MOST else lost <= backlog.dropped
    assert (backlog.waiting, backlog.is_empty) == (0, True)


def numbered(number: int) -> KeptUplink:
    return KeptUplink("FT-101", None, number, 1.0, None, None, 1.0, ClockState.TRUSTED, False, NO_RADIO, ())
