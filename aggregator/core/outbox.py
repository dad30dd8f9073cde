"""What the site has to say to the world: notes for the log, and rows to be kept, in the order in which they came up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from aggregator.core.errors import DecodeError
from aggregator.core.keeping import (
    ClockState,
    Kept,
    KeptAside,
    KeptEvent,
    KeptLink,
    KeptReading,
    KeptState,
    KeptUplink,
    total_name,
)
from aggregator.core.meter import MeterState
from aggregator.core.reading import Now, Reading, Times
from aggregator.core.uplink import NO_RADIO, Uplink

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

    def link(self, kept: KeptLink) -> None:
        """Have a link kept as it is now."""
        self._kept.append(kept)

    def aside(self, error: DecodeError, topic: str, message: bytes, now: Now) -> None:
        """Set a message aside, for after the fix."""
        why = str(error.refusal), error.detail
        self._kept.append(KeptAside(now.utc, *why, topic, error.node, message, self.clock, error.counter, error.heard))

    def by_hand(self, tag: str, reading: KeptReading, at: float, now: Now) -> None:
        """Have a value that was entered by hand kept as what was shown at `at` (UTC s)."""
        times = (at, None, None, now.utc)
        self._kept.append(
            KeptUplink(tag, None, None, *times, self.clock, late=False, radio=NO_RADIO, readings=(reading,))
        )

    def uplink(
        self,
        state: MeterState,
        uplink: Uplink,
        readings: Readings,
        times: Times,
        now: Now,
        *,
        filled_in: Readings | None = None,
        within: float | None = None,
    ) -> None:
        """Have an uplink's readings kept, and with those that are shown the totals they make.

        `filled_in` are those of a late one that are shown, where newer ones did not carry their fields; None where it
        is not late.
        """
        fields = state.meter.profile.fields
        kept = [
            _new(KeptReading, (fields[index].name, reading.value, reading.reasons, fields[index].unit))
            for index, reading in readings
        ]
        if state.totals:
            kept += [
                KeptReading(total_name(fields[index].name), state.totals[index].so_far, 0, fields[index].unit)
                for index, _ in (readings if filled_in is None else filled_in)
                if index in state.totals
            ]
        at = now.utc - (now.monotonic - times.since)
        row = (
            state.meter.tag,
            uplink.node,
            uplink.counter,
            at,
            times.observed,
            uplink.received,
            now.utc,
            self.clock,
            filled_in is not None and not filled_in,
            uplink.radio,
            tuple(kept),
            bool(filled_in),
            within,
        )
        self._kept.append(_new(KeptUplink, row))
