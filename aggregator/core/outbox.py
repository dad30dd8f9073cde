"""What the site has to say to the world: notes for the log, and rows to be kept, in the order in which they came up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from aggregator.core.keeping import (
    ClockState,
    Kept,
    KeptAside,
    KeptEvent,
    KeptReading,
    KeptState,
    KeptUplink,
    total_name,
)
from aggregator.core.meter import MeterState
from aggregator.core.reading import Now, Reading, Times
from aggregator.core.uplink import Uplink

_new = tuple.__new__  # as in judge: many are made

Readings = list[tuple[int, Reading]]
"""Field indexes and their new readings."""


@dataclass(frozen=True, slots=True)
class Note:
    """Something to put on record. `event` is a fixed phrase; `facts` are its particulars."""

    event: str
    warning: bool = False
    facts: Mapping[str, object] = field(default_factory=dict)


class Outbox:
    """Collects what is to be kept. `clock` is what the gateway's wall clock is worth, for what is dated by it."""

    def __init__(self) -> None:
        self.clock = ClockState.UNTRUSTED
        self._kept: list[Kept] = []

    def take(self) -> list[Kept]:
        """All since the last call."""
        kept, self._kept = self._kept, []
        return kept

    def event(
        self,
        event: str,
        tag: str | None,
        now: Now,
        facts: Mapping[str, object] | None = None,
        *,
        who: str = "",
        warning: bool = False,
    ) -> Note:
        """Put an event into the journal. Returns the note that says the same in the log."""
        facts = facts or {}
        self._kept.append(KeptEvent(now.utc, event, tag, who, facts, self.clock))
        about = {key: value for key, value in (("tag", tag), ("who", who)) if value}
        return Note(event, warning, {**about, **facts})

    def state(self, tag: str, name: str, value: object) -> None:
        """Have something remembered over a restart that is no reading; None forgets it."""
        self._kept.append(KeptState(tag, name, value))

    def aside(self, reason: str, detail: str, topic: str, node: str | None, message: bytes, now: Now) -> None:
        """Set a message aside whole, for after the fix."""
        self._kept.append(KeptAside(now.utc, reason, detail, topic, node, message))

    def uplink(
        self, state: MeterState, uplink: Uplink, readings: Readings, times: Times, now: Now, *, late: bool
    ) -> None:
        """Have an uplink's readings kept, and with those that count the totals they make."""
        fields = state.meter.profile.fields
        kept = [
            _new(KeptReading, (fields[index].name, reading.value, reading.reasons, fields[index].unit))
            for index, reading in readings
        ]
        if state.totals and not late:
            kept += [
                KeptReading(total_name(fields[index].name), state.totals[index].so_far, 0, fields[index].unit)
                for index, _ in readings
                if index in state.totals
            ]
        at = now.utc - (now.monotonic - times.since)
        self._kept.append(
            KeptUplink(
                state.meter.tag,
                uplink.node,
                uplink.counter,
                at,
                uplink.observed,
                uplink.received,
                now.utc,
                self.clock,
                late,
                uplink.radio,
                tuple(kept),
            )
        )
