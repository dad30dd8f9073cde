"""How far a value is trusted, and which of its times its age counts from."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.judge import AHEAD, OLDEST, believable, judge, jumped, time_of
from aggregator.core.profile import Field
from aggregator.core.reading import NEVER, NO_VALUE, Fault, Now, Reading, Reason, Times

METHANE = Field("methane", "%LEL", "methane", low=0.0, high=100.0)
NOW = Now(monotonic=5000.0, utc=1_795_600_000.0)
TIMES = Times(None, None, NOW.utc, NOW.monotonic)


@pytest.mark.parametrize(
    ("value", "reasons"),
    [
        (0.0, 0),
        (100.0, 0),
        (100.1, Reason.OUT_OF_RANGE),
        (-0.1, Reason.OUT_OF_RANGE),
        ("text", 0),
        (NO_VALUE, Reason.SENSOR_FAULT),
    ],
)
def test_a_value_out_of_range_is_kept_and_flagged(value: float | str | Fault, reasons: int) -> None:
    reading = judge(METHANE, value, TIMES)
    assert reading.value == (None if isinstance(value, Fault) else value)
    assert reading.reasons == reasons
    assert reading.times is TIMES


def test_a_field_without_a_range_takes_every_number() -> None:
    assert judge(Field("volume", "m3", "volume"), -1e300, TIMES).reasons == 0


def test_reasons_of_the_uplink_stay_with_the_reading() -> None:
    reading = judge(METHANE, 120, TIMES, int(Reason.NODE_CLOCK_OFF))
    assert reading.reasons == Reason.NODE_CLOCK_OFF | Reason.OUT_OF_RANGE
    assert judge(METHANE, NO_VALUE, TIMES, int(Reason.NODE_CLOCK_OFF)).reasons & Reason.NODE_CLOCK_OFF


@pytest.mark.parametrize(
    ("offset", "believed"),
    [(0.0, True), (AHEAD, True), (AHEAD + 1, False), (-OLDEST, True), (-OLDEST - 1, False)],
)
def test_a_time_ahead_or_older_than_any_node_buffers_is_not_believed(offset: float, believed: bool) -> None:
    assert believable(NOW.utc + offset, NOW) is believed


def test_no_time_is_not_believed() -> None:
    assert not believable(None, NOW)


OLD = NOW.utc - 400 * 86400.0


@pytest.mark.parametrize(
    ("observed", "received", "age", "reasons"),
    [
        (NOW.utc - 30, NOW.utc - 5, 30.0, 0),
        (None, NOW.utc - 5, 5.0, 0),
        (None, None, 0.0, 0),
        (NOW.utc - 30, None, 30.0, 0),
        (OLD, NOW.utc - 5, 5.0, Reason.NODE_CLOCK_OFF),
        (OLD, None, 0.0, Reason.NODE_CLOCK_OFF),
        (NOW.utc + 3600, NOW.utc - 5, 5.0, Reason.NODE_CLOCK_OFF),
        (NOW.utc - 5, NOW.utc - 600, 600.0, Reason.NODE_CLOCK_OFF),  # observed after it was received
        (None, OLD, 0.0, 0),
        (NOW.utc + 10, None, 0.0, 0),  # a little ahead is no fault, and no age below zero either
    ],
)
def test_age_counts_from_observed_then_received_then_arrival(
    observed: float | None, received: float | None, age: float, reasons: int
) -> None:
    times, found = time_of(observed, received, NOW)
    assert NOW.monotonic - times.since == pytest.approx(age)
    assert found == reasons
    assert (times.observed, times.received, times.arrived) == (observed, received, NOW.utc)


def test_a_gateway_whose_clock_was_never_set_counts_age_from_arrival() -> None:
    """After a start without a battery clock, every other clock lies in the future."""
    at_1970 = Now(monotonic=20.0, utc=20.0)
    times, _ = time_of(NOW.utc - 30, NOW.utc, at_1970)
    assert times.since == at_1970.monotonic


MOMENTS = st.one_of(st.none(), st.floats(0, 4e9))


@given(MOMENTS, MOMENTS, st.floats(0, 4e9))
def test_no_clock_makes_a_reading_younger_than_its_arrival(
    observed: float | None, received: float | None, utc: float
) -> None:
    times, _ = time_of(observed, received, Now(5000.0, utc))
    assert times.since <= 5000.0


# What a value is held against

WATCHED = Field(
    "methane", "%LEL", "methane", 0.0, 100.0, can_show=(-5.0, 120.0), fastest=0.5, stuck_after=600.0, low_below=1.0
)


def shown(value: float | str | None, since: float) -> Reading:
    return Reading(value, 0, Times(None, None, 0.0, since))


@pytest.mark.parametrize("value", [-5.1, 120.1, 65535.0])
def test_what_the_sensor_cannot_show_is_a_fault_and_no_measurement(value: float) -> None:
    assert judge(WATCHED, value, TIMES) == Reading(None, int(Reason.SENSOR_FAULT), TIMES)


@pytest.mark.parametrize(
    ("value", "reasons"), [(-5.0, Reason.OUT_OF_RANGE | Reason.LOW_BATTERY), (120.0, Reason.OUT_OF_RANGE)]
)
def test_what_it_can_show_beyond_its_range_is_kept_and_flagged(value: float, reasons: Reason) -> None:
    assert judge(WATCHED, value, TIMES) == Reading(value, int(reasons), TIMES)


@pytest.mark.parametrize(("value", "low"), [(0.99, True), (1.0, False)])
def test_a_battery_is_low_below_its_limit(value: float, low: bool) -> None:
    assert bool(judge(WATCHED, value, TIMES).reasons & Reason.LOW_BATTERY) is low


@pytest.mark.parametrize(("value", "jump"), [(40.0, False), (40.1, True), (0.0, False)])
def test_a_change_faster_than_the_field_can_is_a_jump(value: float, jump: bool) -> None:
    """60 s at 0.5 a second make 30 either way."""
    reading = judge(WATCHED, value, TIMES, before=shown(10.0, NOW.monotonic - 60.0))
    assert bool(reading.reasons & Reason.JUMPED) is jump
    assert reading.value == value


@pytest.mark.parametrize("before", [NEVER, shown(None, 0.0), shown("text", 0.0)])
def test_without_a_number_before_there_is_no_jump(before: Reading) -> None:
    assert not jumped(0.001, before, 1e9, TIMES)


def test_a_change_in_no_time_is_a_jump_and_so_is_one_back_in_time() -> None:
    assert jumped(0.5, shown(10.0, NOW.monotonic), 10.1, TIMES)
    assert jumped(0.5, shown(10.0, NOW.monotonic + 50.0), 10.1, TIMES)
    assert not jumped(0.5, shown(10.0, NOW.monotonic), 10.0, TIMES)


@pytest.mark.parametrize(
    ("value", "still_since", "stuck"),
    [
        (10.0, NOW.monotonic - 600.0, True),
        (10.0, NOW.monotonic - 599.0, False),
        (10.5, NOW.monotonic - 6000.0, False),
        (10.0, None, False),
    ],
)
def test_a_value_that_stands_still_for_too_long_is_stuck(value: float, still_since: float | None, stuck: bool) -> None:
    reading = judge(WATCHED, value, TIMES, 0, shown(10.0, NOW.monotonic - 60.0), still_since)
    assert bool(reading.reasons & Reason.STUCK) is stuck


def test_a_node_clock_that_went_backwards_is_off_until_it_has_caught_up() -> None:
    times, reasons = time_of(NOW.utc - 30, NOW.utc - 5, NOW, last_observed=NOW.utc - 20)
    assert NOW.monotonic - times.since == pytest.approx(5.0)
    assert reasons == Reason.NODE_CLOCK_OFF
    assert time_of(NOW.utc - 20, NOW.utc - 5, NOW, last_observed=NOW.utc - 20)[1] == 0
