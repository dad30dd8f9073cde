"""What a technician reads off a meter's display, held against the reading of the node that is said to sit there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from aggregator.core.agreement import Bounds, Check, bounds_of, compare
from aggregator.core.errors import CannotLink
from aggregator.core.link import Link
from aggregator.core.meter import STALE, MeterState
from aggregator.core.reading import Now, Reading, Times, Value

MILLISECOND = 0.001  # s; times are kept no more exactly


def index_of(state: MeterState, field: str) -> int:
    """The place of a field. Raises CannotLink where the meter has no such field."""
    index = state.meter.profile.index_of(field)
    if index is None:
        known = ", ".join(each.name for each in state.meter.profile.fields if each.computed is None)
        raise CannotLink(f"{state.meter.tag} has no field {field}; it has {known}.")
    return index


def compare_all(state: MeterState, link: Link, shows: Mapping[str, float], who: str, now: Now) -> tuple[Check, ...]:
    """Compare what the display shows, by field, each with its newest reading. Raises CannotLink."""
    checks = []
    for name, shown in shows.items():
        index = index_of(state, name)
        reading = _since_linked(state, link, index, now) or _when_linked(state, link, index, now)
        assert reading.times is not None
        age = max(0.0, now.monotonic - reading.times.since)
        if reading.reasons & STALE or age > state.meter.limit(index):
            tag = state.meter.tag
            raise CannotLink(f"the reading of {tag} {name} is {age / 60:.0f} min old. Wait for the next uplink.")
        checks.append(compare(state.meter.profile.fields[index], reading, shown, age, who, now.utc))
    return tuple(checks)


def _since_linked(state: MeterState, link: Link, index: int, now: Now) -> Reading | None:
    """The meter's reading, whatever was entered by hand over it; None where it was there before the node was."""
    reading = state.readings[index]
    if state.node != link.node or state.heard_here is None or reading.times is None:
        return None
    at = now.utc - (now.monotonic - reading.times.since)
    return reading if at >= link.since - MILLISECOND else None


def _when_linked(state: MeterState, link: Link, index: int, now: Now) -> Reading:
    """What the node had sent last when it was linked. Raises CannotLink where that has nothing of the field."""
    name = state.meter.profile.fields[index].name
    found = [each for each in link.seen.read if each.field == name] if link.seen else []
    if not found or link.seen is None:
        raise CannotLink(
            f"node {link.node} has sent no {name} for {link.tag} yet. Link it without, and verify it once it has "
            "reported."
        )
    age = max(0.0, now.utc - link.seen.at)
    return Reading(found[0].value, found[0].reasons, Times(None, None, link.seen.at, now.monotonic - age))


class Comparable(NamedTuple):
    """A field that a display can be held against: the newest `value` of the link's node, None before there is one.

    `age` in s. The display may be within `bounds` of the value, None where that is no number, or that of the node's
    battery, which no meter shows.
    """

    field: str
    label: str
    unit: str
    value: Value | None
    reasons: int
    age: float | None
    bounds: Bounds | None


def comparables(state: MeterState, link: Link | None, now: Now) -> list[Comparable]:
    """Every field of a meter that its node sends, with what a display would be compared with now."""
    fields = enumerate(state.meter.profile.fields)
    return [_comparable(state, link, index, now) for index, field in fields if field.computed is None]


def _comparable(state: MeterState, link: Link | None, index: int, now: Now) -> Comparable:
    field = state.meter.profile.fields[index]
    reading = _newest(state, link, index, now) if link is not None else None
    if reading is None or reading.times is None:
        return Comparable(field.name, field.label, field.unit, None, 0, None, None)
    value, age = reading.value, max(0.0, now.monotonic - reading.times.since)
    if value is None or isinstance(value, bool | str) or index == state.meter.profile.battery:
        bounds = None
    else:
        bounds = bounds_of(field, value, age)
    return Comparable(field.name, field.label, field.unit, value, reading.reasons, age, bounds)


def _newest(state: MeterState, link: Link, index: int, now: Now) -> Reading | None:
    try:
        return _since_linked(state, link, index, now) or _when_linked(state, link, index, now)
    except CannotLink:
        return None
