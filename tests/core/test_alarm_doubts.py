"""What an alarm may do and probably should not.

A deadband or an off-delay keeps an alarm from chattering (OPC 10000-9 B.1.5); the highest gas alarm is never delayed
(common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from aggregator.core.alarm import Alarm, Delay, Kind, Priority
from aggregator.core.alarm_doubts import alarm_doubts
from aggregator.core.errors import Place
from aggregator.core.meter import Meter
from aggregator.core.profile import Profile

FLOW, METHANE = 0, 2
OFTEN = "meters.yaml:4:1: {} has neither a deadband nor an off-delay, and chatters with a value about its limit. "
LATE = "meters.yaml:4:1: {} is a gas alarm of the highest kind, and delayed beyond what radio delays it already. "


def told(meters: list[Meter], kind: Kind, index: int | None = METHANE, **more: object) -> list[str]:
    alarms = [
        Alarm(meter.tag, f"an alarm {kind}", kind, Priority.HIGH, index, place=Place("meters.yaml", 4), **more)  # type: ignore[arg-type]
        for meter in meters
    ]
    return [str(doubt) for doubt in alarm_doubts(meters, alarms)]


@pytest.fixture
def meters(meter_of: Callable[..., Meter], profile: Profile) -> list[Meter]:
    assert profile.fields[METHANE].unit == "%LEL"
    return [meter_of("AT-101", profile), meter_of("AT-102", profile)]


@pytest.mark.parametrize("kind", [Kind.HIGH, Kind.LOW, Kind.RISING, Kind.DEVIATION])
def test_an_alarm_that_nothing_keeps_from_chattering_is_doubted_once(meters: list[Meter], kind: Kind) -> None:
    cure = "Give it `deadband`, or `off_samples`."
    assert told(meters, kind) == [OFTEN.format(f"an alarm {kind}") + cure]
    for kept in ({"deadband": 0.1}, {"off": Delay(60.0)}, {"off": Delay(samples=2)}):
        assert told(meters, kind, **kept) == []


@pytest.mark.parametrize("delay", [Delay(30.0), Delay(samples=2)])
def test_a_delayed_gas_alarm_of_the_highest_kind_is_doubted(meters: list[Meter], delay: Delay) -> None:
    cure = "Take away its `delay` and `samples`."
    assert told(meters, Kind.HIGH_HIGH, deadband=2.0, on=delay) == [LATE.format("an alarm high-high") + cure]
    assert told(meters, Kind.HIGH, deadband=2.0, on=delay) == []
    assert told(meters, Kind.HIGH_HIGH, FLOW, deadband=2.0, on=delay) == []


def test_silence_neither_chatters_nor_is_gas(meters: list[Meter]) -> None:
    assert told(meters, Kind.STALE, None) == []
