"""What register lists say of alarms: limit, priority, and how long one can last, at worst, before it is raised."""

from __future__ import annotations

from collections.abc import Mapping

from aggregator.core.address_map import Entry, Shows, Table
from aggregator.core.alarm import Alarm, Key, worst_detection
from aggregator.core.annunciator import unit_of
from aggregator.core.meter import Meter
from aggregator.core.response import LONGEST_SHELF

SECONDS = ((86400, "d"), (3600, "h"), (60, "min"))


def note_of(entry: Entry, alarms: Mapping[Key, Alarm], meter: Meter | None) -> str:
    """The alarms that an item speaks of, in the order of their bits; empty where it names none."""
    named = [alarms[meter.tag, name] for name in entry.item.alarms] if meter is not None else []
    told = [words(alarm, meter) for alarm in named if meter is not None]
    packed = entry.item.shows in (Shows.ALARMS, Shows.UNACKNOWLEDGED) and not entry.table.is_bits
    return "; ".join(f"bit {bit} {each}" for bit, each in enumerate(told)) if packed else "; ".join(told)


def bounds_of(entry: Entry, alarms: Mapping[Key, Alarm]) -> str:
    """What a limit or a shelf may be set to by a register, in the item's unit; empty for everything else."""
    item = entry.item
    if item.shows is Shows.SHELVE and entry.table is Table.HOLDING:
        return f"0 .. {LONGEST_SHELF / 60:g} {item.unit}"
    if item.shows is not Shows.SETPOINT or entry.table is not Table.HOLDING or entry.tag is None:
        return ""
    assert item.codec is not None
    low, high = (item.codec.conversion.value(bound) for bound in alarms[entry.tag, item.of].may_be or ())
    return f"{low:g} .. {high:g} {item.unit}".rstrip()


def words(alarm: Alarm, meter: Meter) -> str:
    """An alarm in a line: `methane high: 10 %LEL, priority high, raised within 10 min at worst`."""
    parts = [f"{alarm.setpoint:.6g} {unit_of(alarm, meter)}".strip()] if alarm.index is not None else []
    parts.append(f"priority {alarm.priority.name.lower()}")
    if alarm.latches:
        parts.append("latches")
    within = worst_detection(alarm, meter.reports_every, meter.stale_after)
    if within is not None:
        parts.append(f"raised within {lasting(within)} at worst")
    return f"{alarm.name}: {', '.join(parts)}"


def lasting(seconds: float) -> str:
    """A time in its largest whole unit: `90 s`, `10 min`."""
    for size, unit in SECONDS:
        if seconds >= size and seconds % size == 0:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:g} s"
