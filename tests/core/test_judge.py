"""How far a value is trusted."""

from __future__ import annotations

import pytest

from aggregator.core.judge import judge, jumped
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
