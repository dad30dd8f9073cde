"""Values entered by hand: taken, withdrawn, ended at their time, and each of it journalled.

In the history a substituted value has two rows of its own, marked `substituted`: at its beginning and at its end. What
the meter reported between them stands there too, as it was read.
"""

from __future__ import annotations

from datetime import UTC, datetime

from aggregator.core.errors import CannotSubstitute
from aggregator.core.keeping import KeptReading, substitute_name
from aggregator.core.meter import MeterState
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now
from aggregator.core.substitute import SUBSTITUTED, Substitute, entered


def index_of(state: MeterState, field: str) -> int:
    """The place of a field. Raises CannotSubstitute where the meter has no such field."""
    index = state.meter.profile.index_of(field)
    if index is None:
        known = ", ".join(each.name for each in state.meter.profile.fields)
        raise CannotSubstitute(f"{state.meter.tag} has no field {field}; it has {known}.")
    return index


def substitute(
    state: MeterState, index: int, value: float, lasts: float, who: str, why: str, outbox: Outbox, now: Now
) -> Note:
    """Show a value in place of a field's readings for `lasts` seconds, also where another was shown so before.

    Raises CannotSubstitute; nothing has changed then.
    """
    field = state.meter.profile.fields[index]
    new = entered(field, value, lasts, who, why, now)
    before = state.substitutes.get(index)
    if before is not None:
        _record(state, index, before, now.utc, outbox, now)
    state.substitutes[index] = new
    state.sum_up()
    _record(state, index, new, now.utc, outbox, now)
    outbox.state(state.meter.tag, substitute_name(field.name), new.as_kept(field.unit))
    facts = {
        "field": field.name,
        "value": value,
        "unit": field.unit,
        "until": datetime.fromtimestamp(new.until, UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "why": why,
        "before": before.value if before else None,
    }
    return outbox.event("value substituted", state.meter.tag, now, facts, who=who)


def withdraw(state: MeterState, index: int, who: str, outbox: Outbox, now: Now) -> Note:
    """End a substitution before its time. Raises CannotSubstitute where there is none."""
    if index not in state.substitutes:
        name = state.meter.profile.fields[index].name
        raise CannotSubstitute(f"{state.meter.tag} {name} is not substituted.")
    return _end(state, index, now.utc, "substitution withdrawn", who, outbox, now)


def end_due(state: MeterState, outbox: Outbox, now: Now) -> list[Note]:
    """End what holds no longer by now."""
    due = [(index, each) for index, each in state.substitutes.items() if each.ends <= now.monotonic]
    return [
        _end(state, index, now.utc - (now.monotonic - each.ends), "substitution ended", "", outbox, now)
        for index, each in due
    ]


def _end(state: MeterState, index: int, at: float, event: str, who: str, outbox: Outbox, now: Now) -> Note:
    """Show the field's last reading again, as old as it is."""
    name, ended = state.meter.profile.fields[index].name, state.substitutes.pop(index)
    state.sum_up()
    _record(state, index, ended, at, outbox, now)
    outbox.state(state.meter.tag, substitute_name(name), None)
    return outbox.event(event, state.meter.tag, now, {"field": name, "value": ended.value}, who=who)


def _record(state: MeterState, index: int, each: Substitute, at: float, outbox: Outbox, now: Now) -> None:
    field = state.meter.profile.fields[index]
    outbox.by_hand(state.meter.tag, KeptReading(field.name, each.value, SUBSTITUTED, field.unit), at, now)
