"""The running totals of a meter: carried on at each uplink, set by hand, carried over when the meter is exchanged."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from aggregator.core.errors import CannotLink
from aggregator.core.judge import JUMPED
from aggregator.core.keeping import held_name, total_name
from aggregator.core.meter import MeterState
from aggregator.core.outbox import Note, Outbox, Readings
from aggregator.core.reading import Now, Times
from aggregator.core.total import Step, carry_on, count

SAID = (Step.WRAPPED, Step.HELD, Step.BEGAN_ANEW)  # what a counter does that belongs in the journal


def carry_totals_on(state: MeterState, readings: Readings, times: Times, outbox: Outbox, now: Now) -> list[Note]:
    """Carry a meter's totals on by what an uplink brought. A value that cannot follow is held, and flagged as a jump.

    `readings` is changed in place. A value that is missing counts for nothing.
    """
    notes = []
    for at, (index, reading) in enumerate(readings):
        counting = state.counts.get(index)
        if counting is not None and isinstance(reading.value, int | float):
            total, step = count(state.totals.get(index), reading.value, times.since, counting)
            state.totals[index] = total
            if step is Step.HELD:
                readings[at] = (index, reading._replace(reasons=reading.reasons | JUMPED))
            if step in SAID:
                name = state.meter.profile.fields[index].name
                facts = {"field": name, "shows": reading.value, "total": total.so_far}
                notes.append(outbox.event(f"counter {step}", state.meter.tag, now, facts))
        if index in state.totals:
            _remember(state, index, reading.value, outbox, now)
    return notes


def _remember(state: MeterState, index: int, shown: object, outbox: Outbox, now: Now) -> None:
    """Have it remembered how a total stands, for as long as the newest reading does not tell."""
    if not state.totals[index].told_by(shown):
        _set_apart(state, index, outbox, now)
    elif index in state.set_apart:  # from here on the history alone tells how the total stands
        name = state.meter.profile.fields[index].name
        outbox.state(state.meter.tag, held_name(name), None)
        outbox.state(state.meter.tag, total_name(name), None)
        state.set_apart.discard(index)


def _set_apart(state: MeterState, index: int, outbox: Outbox, now: Now) -> None:
    total = state.totals[index]
    at = now.utc - (now.monotonic - total.at) if math.isfinite(total.at) else None
    held = {"last": total.last, "at": at, "doubted": total.doubted}
    outbox.state(state.meter.tag, held_name(state.meter.profile.fields[index].name), held)
    state.set_apart.add(index)


def set_total(
    state: MeterState, index: int, so_far: float, counter: float | None, outbox: Outbox, who: str, now: Now
) -> Note:
    """Set a total, as when a meter is exchanged; `counter` is what the new one shows, if that is known."""
    tag, name = state.meter.tag, state.meter.profile.fields[index].name
    before = state.totals.get(index)
    total = carry_on(before, so_far, counter, now.monotonic)
    state.totals[index] = total
    _set_apart(state, index, outbox, now)
    outbox.state(tag, total_name(name), so_far)
    facts = {"field": name, "total": so_far, "before": before.so_far if before else None, "counter": counter}
    return outbox.event("total set by hand", tag, now, facts, who=who)


class Exchanged(NamedTuple):
    """What a counter shows of the old meter, None where that cannot be read any more, and of the new one."""

    old: float | None
    new: float


def exchange_counters(
    state: MeterState, shown: Mapping[int, Exchanged], outbox: Outbox, who: str, now: Now
) -> list[Note]:
    """Carry the totals of a meter over to another one in its place, by what both counters show, by field index.

    What the old one has counted since its last uplink is added; where it cannot be read the total stands as it is.
    Raises CannotLink for a field that does not count, one that is missing, or a count that cannot be; nothing has
    changed then.
    """
    tag, fields = state.meter.tag, state.meter.profile.fields
    for index in shown.keys() - state.counts.keys():
        raise CannotLink(f"{tag} {fields[index].name} does not count; no total of it is to be carried over.")
    missing = [fields[index].name for index in state.counts.keys() - shown.keys()]
    if missing:
        raise CannotLink(f"say what the counters of the old and the new meter show of {', '.join(sorted(missing))}.")
    totals = [(index, _total_over(state, index, each, now), each.new) for index, each in shown.items()]
    return [set_total(state, index, so_far, new, outbox, who, now) for index, so_far, new in totals]


def _total_over(state: MeterState, index: int, shown: Exchanged, now: Now) -> float:
    """The total at the exchange."""
    total, name = state.totals.get(index), state.meter.profile.fields[index].name
    for value in shown:
        if value is not None and not 0 <= value < math.inf:
            raise CannotLink(f"{value:g} is nothing that the counter of {name} shows.")
    if shown.old is None:
        return shown.new if total is None else total.so_far
    counted, step = count(total, shown.old, now.monotonic, state.counts[index])
    if step is Step.HELD and total is not None:
        raise CannotLink(
            f"{name}: the old counter cannot have gone from {total.last:.12g} to {shown.old:.12g} since its last "
            "reading. Read it once more, or leave it out; then the total goes on from the last reading."
        )
    return counted.so_far
