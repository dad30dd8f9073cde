"""What an alarm may do and probably should not: nothing is refused for it, but whoever checks the site is told."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from aggregator.core.alarm import AT_ONCE, Alarm, Kind
from aggregator.core.errors import Problem
from aggregator.core.meter import Meter

GAS_UNITS = ("%LEL", "ppm", "mg/m3")


def alarm_doubts(meters: Iterable[Meter], alarms: Iterable[Alarm]) -> list[Problem]:
    """What to look at among alarms, by file and line; one that a profile offers is told once for all its meters."""
    units = {meter.tag: [field.unit for field in meter.profile.fields] for meter in meters}
    measured = [(alarm, units[alarm.tag][alarm.index]) for alarm in alarms if alarm.index is not None]
    return sorted({doubt for alarm, unit in measured for doubt in _of(alarm, unit)})


def _of(alarm: Alarm, unit: str) -> Iterator[Problem]:
    if not alarm.deadband and alarm.off == AT_ONCE:
        what = f"{alarm.name} has neither a deadband nor an off-delay, and chatters with a value about its limit"
        yield Problem(alarm.place, what, "Give it `deadband`, or `off_samples`")
    if alarm.kind is Kind.HIGH_HIGH and unit in GAS_UNITS and alarm.on != AT_ONCE:
        what = f"{alarm.name} is a gas alarm of the highest kind, and delayed beyond what radio delays it already"
        yield Problem(alarm.place, what, "Take away its `delay` and `samples`")
