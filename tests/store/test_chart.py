"""A field over a time: as many points as a screen has columns, and nothing that was never read."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.keeping import KeptReading
from aggregator.core.reading import Reason
from aggregator.store import Store
from aggregator.store.chart import AT_ONCE, DAY, Chart, Sample, Span, width_for
from aggregator.store.limits import GivenUp
from aggregator.store.reader import chart

if TYPE_CHECKING:
    from tests.store.conftest import MakeUplink

BEGIN = 1_790_000_000.0  # as in conftest.py
STALE, FAULT, BY_HAND = int(Reason.STALE), int(Reason.SENSOR_FAULT), int(Reason.SUBSTITUTED)
Settle = Callable[[Store], None]


def of(path: Path, since: float, until: float, most: int = 1000, gap_after: float = math.inf) -> Chart:
    return chart(path, "FT-101", "flow", Span(BEGIN + since, BEGIN + until, most, gap_after))


def flow(value: float | str | None, reasons: int = 0, unit: str = "m3/h") -> tuple[KeptReading, ...]:
    return (KeptReading("flow", value, reasons, unit),)


def test_few_readings_are_given_as_they_are(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(number, readings=flow(number / 2)) for number in range(10)])
    settle(store)
    drawn = of(path, 2, 8, most=6)
    assert drawn.samples == tuple(Sample(BEGIN + number, number / 2, 0) for number in range(2, 8))
    assert (drawn.buckets, drawn.width, drawn.count, drawn.unit) == ((), None, 6, "m3/h")


def test_many_are_gathered_and_first_lowest_highest_and_last_are_readings_with_their_own_times(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    chance = random.Random(3)
    values = {number: chance.randrange(-50, 50) for number in range(2 * AT_ONCE + 7)}
    store.put([uplink(number, readings=flow(value)) for number, value in values.items()])
    settle(store)
    drawn = of(path, 0, len(values), most=100)
    assert drawn.samples == ()
    assert drawn.width == 60  # 4103 s in 100 columns are 41 s, and the next round width is a minute
    assert len(drawn.buckets) <= 100
    assert sum(each.count for each in drawn.buckets) == drawn.count == len(values)
    for bucket in drawn.buckets:
        inside = {BEGIN + at: value for at, value in values.items() if 0 <= BEGIN + at - bucket.begin < 60}
        assert bucket.begin % 60 == 0
        assert bucket.first == Sample(min(inside), inside[min(inside)], 0)
        assert bucket.last == Sample(max(inside), inside[max(inside)], 0)
        assert bucket.lowest is not None
        assert bucket.highest is not None
        assert (bucket.lowest.value, bucket.highest.value) == (min(inside.values()), max(inside.values()))
        assert all(inside[each.at] == each.value for each in (bucket.lowest, bucket.highest))


def test_a_gap_stays_a_gap(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    numbers = [*range(300), *range(900, 1200)]
    store.put([uplink(number) for number in numbers])
    settle(store)
    raw = of(path, 0, 1200, gap_after=5)
    assert [each.at - BEGIN for each in raw.samples if each.after_gap] == [900]
    gathered = of(path, 0, 1200, most=50, gap_after=5)
    assert gathered.width == 30
    assert [each.begin <= BEGIN + 900 < each.begin + 30 for each in gathered.buckets if each.after_gap] == [True]
    assert not [each for each in gathered.buckets if BEGIN + 300 <= each.begin < BEGIN + 870]
    assert max(each.longest_gap or 0 for each in gathered.buckets) == 601


def test_what_was_the_matter_is_told_of_each_bucket_and_a_fault_is_no_value(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    def reading(number: int) -> tuple[KeptReading, ...]:
        return flow(None, FAULT) if 100 <= number < 200 else flow(number, STALE if number == 250 else 0)

    store.put([uplink(number, readings=reading(number)) for number in range(300)])
    settle(store)
    drawn = of(path, 0, 300, most=4)
    assert drawn.width == 120
    for bucket in drawn.buckets:
        inside = [number for number in range(300) if 0 <= BEGIN + number - bucket.begin < 120]
        faults = [number for number in inside if 100 <= number < 200]
        valued = [number for number in inside if number not in faults]
        assert bucket.count == len(inside)
        assert bucket.worst == (3 if faults else 2 if 250 in inside else 1)
        assert bucket.reasons == (FAULT if faults else 0) | (STALE if 250 in inside else 0)
        assert bucket.lowest == (Sample(BEGIN + valued[0], valued[0], bucket.lowest.reasons) if bucket.lowest else None)
    assert of(path, 100, 200).samples[0] == Sample(BEGIN + 100, None, FAULT)


def test_a_bucket_of_faults_alone_has_no_value(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(number, readings=flow(None, FAULT)) for number in range(100)])
    settle(store)
    first = of(path, 0, 100, most=3).buckets[0]
    assert (first.first, first.lowest, first.highest, first.last, first.worst) == (None, None, None, None, 3)


def test_a_unit_that_has_changed_is_not_drawn_on_the_same_axis(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(number, readings=flow(number, unit="m3/h" if number < 30 else "l/s")) for number in range(50)])
    store.put(
        [uplink(50, readings=flow("open", unit="l/s")), uplink(51, readings=(KeptReading("other", 1, 0, "bar"),))]
    )
    settle(store)
    drawn = of(path, 0, 100)
    assert (drawn.unit, drawn.count, drawn.left_out) == ("l/s", 20, 31)
    assert {each.at - BEGIN for each in drawn.samples} == set(range(30, 50))
    assert of(path, 0, 30).unit == "m3/h"


def test_what_was_entered_by_hand_stands_beside_the_readings(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    store.put([uplink(1), uplink(2, node=None, readings=flow(99, BY_HAND)), uplink(3)])
    settle(store)
    drawn = of(path, 0, 10)
    assert [each.value for each in drawn.samples] == [1, 3]
    assert drawn.by_hand == (Sample(BEGIN + 2, 99, BY_HAND),)


def test_what_no_float_can_show_is_no_value(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(1, readings=flow(math.inf)), uplink(2, readings=flow(2**70))])
    settle(store)
    assert [each.value for each in of(path, 0, 10).samples] == [None, 2.0**70]


def test_a_chart_of_what_was_never_stored_is_empty(
    store: Store, path: Path, uplink: MakeUplink, settle: Settle
) -> None:
    assert of(path, 0, 10).count == 0  # no file yet, or an empty one
    store.put([uplink(1)])
    settle(store)
    assert chart(path, "FT-999", "flow", Span(0, BEGIN)) == Chart("", 0, (), (), None, 0)
    assert chart(path, "FT-101", "colour", Span(0, BEGIN)) == Chart("", 0, (), (), None, 0)


def test_a_chart_is_given_up_between_two_steps(store: Store, path: Path, uplink: MakeUplink, settle: Settle) -> None:
    store.put([uplink(number) for number in range(3 * AT_ONCE)])
    settle(store)
    asked = itertools.count()
    with pytest.raises(GivenUp):
        chart(path, "FT-101", "flow", Span(BEGIN, BEGIN + 9999), lambda: next(asked) == 2)
    assert next(asked) == 3


@given(st.integers(1, 40_000 * DAY), st.integers(2, 2000), st.integers(0, 10**13))
def test_buckets_are_never_more_than_were_asked_for(length: int, most: int, since: int) -> None:
    width = width_for(since, since + length, most)
    assert (since + length - 1) // width - since // width + 1 <= most
