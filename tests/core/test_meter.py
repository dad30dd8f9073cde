"""What a meter shows as time goes by."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.meter import Meter, MeterState
from aggregator.core.profile import Field, Profile
from aggregator.core.reading import Grade, Reading, Reason, Times
from aggregator.core.uplink import NO_RADIO, Radio

MeterOf = Callable[..., Meter]
FLOW, VOLUME, METHANE, BATTERY = range(4)


def at(since: float) -> Times:
    return Times(None, None, 0.0, since)


def seen(state: MeterState, since: float, *indexes: int, reasons: int = 0) -> None:
    readings = [(index, Reading(1.0, reasons, at(since))) for index in indexes]
    state.take(readings, at(since), NO_RADIO, 1)


@pytest.fixture
def state(meter_of: MeterOf) -> MeterState:
    return MeterState(meter_of())


def test_a_meter_that_was_never_seen_is_bad(state: MeterState) -> None:
    assert state.reasons == Reason.NEVER_SEEN
    assert state.grade is Grade.BAD
    assert state.age(1e6) is None
    assert state.age(1e6, FLOW) is None
    assert state.next_expiry() == math.inf


def test_a_meter_is_good_once_all_that_it_must_send_has_come(state: MeterState) -> None:
    grades = []
    for index in (FLOW, VOLUME, METHANE):
        seen(state, 100.0, index)
        grades.append(state.grade)
    assert grades == [Grade.BAD, Grade.BAD, Grade.GOOD]


def test_a_field_that_an_uplink_does_not_carry_keeps_its_reading(state: MeterState) -> None:
    seen(state, 100.0, FLOW, METHANE)
    before = state.readings[FLOW]
    seen(state, 200.0, METHANE)
    assert state.readings[FLOW] is before
    assert (state.age(250.0, FLOW), state.age(250.0, METHANE), state.age(250.0)) == (150.0, 50.0, 50.0)


def test_each_field_turns_stale_at_its_own_time(state: MeterState) -> None:
    """Methane may be 600 s old, the others as old as the meter: 1800 s."""
    seen(state, 100.0, FLOW, VOLUME, METHANE)
    assert state.next_expiry() == 700.0
    assert not state.expire(699.999)
    assert state.expire(700.0)
    assert [bool(reading.reasons & Reason.STALE) for reading in state.readings] == [False, False, True, False]
    assert state.grade is Grade.UNCERTAIN
    assert state.next_expiry() == 1900.0
    assert state.expire(1900.0)
    assert state.next_expiry() == math.inf
    assert not state.expire(1e9)


def test_a_stale_reading_keeps_its_value(state: MeterState) -> None:
    seen(state, 100.0, FLOW)
    state.expire(1e6)
    assert state.readings[FLOW] == Reading(1.0, int(Reason.STALE), at(100.0))


def test_a_new_reading_is_not_stale_any_more(state: MeterState) -> None:
    seen(state, 100.0, FLOW, VOLUME, METHANE)
    state.expire(1e6)
    seen(state, 1e6, FLOW, VOLUME, METHANE)
    assert state.reasons == 0


@given(st.floats(0, 1e7), st.floats(0.001, 1e6))
def test_what_is_looked_at_when_it_falls_due_has_fallen_due(since: float, limit: float) -> None:
    """Otherwise the look would be put off to the same instant, and again, for ever."""
    profile = Profile("p", "", (Field("flow", "m3/h", "flow"),))
    state = MeterState(Meter("FT-101", "", "", profile, 900.0, limit))
    seen(state, since, 0)
    assert state.expire(state.next_expiry())


def test_a_reason_of_the_whole_meter_is_set_and_cleared_once(state: MeterState) -> None:
    seen(state, 0.0, FLOW, VOLUME, METHANE)
    assert state.mark(int(Reason.UNDER_TEST), True)
    assert not state.mark(int(Reason.UNDER_TEST), True)
    assert state.reasons == Reason.UNDER_TEST
    assert state.mark(int(Reason.UNDER_TEST), False)
    assert not state.mark(int(Reason.UNDER_TEST), False)
    assert state.reasons == 0


def test_a_whole_uplink_ends_decode_failed_but_not_the_test(state: MeterState) -> None:
    state.mark(int(Reason.DECODE_FAILED | Reason.UNDER_TEST), True)
    seen(state, 0.0, FLOW, VOLUME, METHANE)
    assert state.reasons == Reason.UNDER_TEST


def test_the_meter_s_reasons_are_those_of_all_its_readings(state: MeterState) -> None:
    seen(state, 0.0, FLOW, VOLUME, reasons=int(Reason.OUT_OF_RANGE))
    seen(state, 0.0, METHANE, reasons=int(Reason.SENSOR_FAULT))
    assert state.reasons == Reason.OUT_OF_RANGE | Reason.SENSOR_FAULT


def test_an_optional_field_counts_once_it_has_come(state: MeterState) -> None:
    seen(state, 0.0, FLOW, VOLUME, METHANE)
    seen(state, 0.0, BATTERY, reasons=int(Reason.OUT_OF_RANGE))
    assert state.reasons == Reason.OUT_OF_RANGE


def test_a_meter_with_nothing_but_optional_fields_is_never_seen_until_it_is_heard() -> None:
    profile = Profile("p", "", (Field("battery", "V", "battery", optional=True),))
    state = MeterState(Meter("FT-101", "", "", profile, 900.0, 1800.0))
    state.sum_up()
    assert state.reasons == Reason.NEVER_SEEN
    seen(state, 0.0)
    assert state.reasons == 0


def test_an_age_is_never_negative(state: MeterState) -> None:
    seen(state, 100.0, FLOW)
    assert state.age(90.0) == 0.0


def test_how_it_was_heard_is_that_of_the_last_uplink(state: MeterState) -> None:
    radio = Radio(-101, 5.5, 9)
    state.take([], at(0.0), radio, 41)
    assert (state.radio, state.counter, state.heard) == (radio, 41, at(0.0))
