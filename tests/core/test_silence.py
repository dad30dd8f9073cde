"""Which meter is looked at next, and that none is forgotten."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.meter import Meter, MeterState
from aggregator.core.reading import Reading, Times
from aggregator.core.silence import Silence
from aggregator.core.uplink import NO_RADIO

MeterOf = Callable[..., Meter]
FLOW, VOLUME, METHANE = range(3)  # methane goes stale after 600 s, the others after the meter's 1800 s


def hear(silence: Silence, state: MeterState, since: float, *indexes: int) -> None:
    times = Times(None, None, 0.0, since)
    state.take([(index, Reading(1.0, 0, times)) for index in indexes], times, NO_RADIO, None)
    silence.heard(state, since)


@pytest.fixture
def silence() -> Silence:
    return Silence()


@pytest.fixture
def state(meter_of: MeterOf) -> MeterState:
    return MeterState(meter_of())


def test_where_nothing_was_heard_there_is_nothing_to_look_at(silence: Silence, state: MeterState) -> None:
    silence.look_at(state)
    assert silence.next() == math.inf
    assert list(silence.due(1e12)) == []


def test_a_meter_is_looked_at_when_its_first_reading_goes_stale(silence: Silence, state: MeterState) -> None:
    hear(silence, state, 100.0, FLOW, METHANE)
    assert silence.next() == 700.0
    assert list(silence.due(699.9)) == []
    assert list(silence.due(700.0)) == ["FT-101"]
    assert silence.next() == math.inf


def test_a_later_uplink_leaves_the_look_where_it_is(silence: Silence, state: MeterState) -> None:
    """It comes too early then and is put off: one look an interval, however many uplinks there are."""
    hear(silence, state, 100.0, METHANE)
    for since in range(200, 600, 10):
        hear(silence, state, float(since), METHANE)
    assert silence.next() == 700.0
    assert list(silence.due(700.0)) == ["FT-101"]
    silence.look_at(state)
    assert silence.next() == 590.0 + 600.0


def test_a_reading_with_less_time_brings_the_look_forward(silence: Silence, state: MeterState) -> None:
    hear(silence, state, 0.0, FLOW)
    assert silence.next() == 1800.0
    hear(silence, state, 100.0, METHANE)
    assert silence.next() == 700.0
    assert list(silence.due(1e6)) == ["FT-101"]  # once, though two looks were noted


def test_two_meters_are_looked_at_in_the_order_of_their_times(silence: Silence, meter_of: MeterOf) -> None:
    first, second = MeterState(meter_of("FT-101")), MeterState(meter_of("FT-102"))
    hear(silence, second, 50.0, METHANE)
    hear(silence, first, 100.0, METHANE)
    assert list(silence.due(1000.0)) == ["FT-102", "FT-101"]


@given(st.lists(st.tuples(st.floats(0, 900), st.lists(st.sampled_from([FLOW, VOLUME, METHANE]), max_size=3))))
def test_no_reading_is_ever_stale_without_a_look_in_time(
    meter_of: MeterOf, uplinks: list[tuple[float, list[int]]]
) -> None:
    silence, state, now = Silence(), MeterState(meter_of()), 0.0
    for wait, indexes in uplinks:
        now += wait
        for _ in silence.due(now):
            state.expire(now)
            silence.look_at(state)
        assert not state.expire(now), "something went stale that nobody would have looked at"
        if indexes:
            hear(silence, state, now, *indexes)
        assert silence.next() <= state.next_expiry()
