"""A meter as it is declared, and as it now stands.

Silence is an event: each meter knows when its next reading goes stale, and `expire` makes it so without an uplink.
Ages run on the monotonic clock alone, so that a jump of the gateway's clock neither ages nor freshens anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from aggregator.core.errors import Place
from aggregator.core.judge import judge
from aggregator.core.keeping import KeptReading, Remembered, held_name, total_name
from aggregator.core.profile import Pairs, Profile
from aggregator.core.reading import NEVER, Grade, Now, Reading, Reason, Times, grade_of
from aggregator.core.total import Total
from aggregator.core.uplink import NO_RADIO, Radio

STALE = int(Reason.STALE)
NEVER_SEEN = int(Reason.NEVER_SEEN)
DECODE_FAILED = int(Reason.DECODE_FAILED)
RESTORED = int(Reason.RESTORED)
UNDER_TEST = int(Reason.UNDER_TEST)
UNTIL_THE_NEXT = int(Reason.DECODE_FAILED | Reason.SENSOR_FAULT)  # what an uplink that decodes takes back


@dataclass(frozen=True, slots=True)
class Meter:
    """A gas meter or detector, known by its tag. Times in seconds; `node` is a DevEUI where the file links one."""

    tag: str
    name: str
    area: str
    profile: Profile
    reports_every: float
    stale_after: float
    node: str | None = None
    place: Place = field(default=Place(""), compare=False)

    def limit(self, index: int) -> float:
        """How old the reading of a field may be, in seconds."""
        own = self.profile.fields[index].stale_after
        return self.stale_after if own is None else own


class MeterState:
    """What is known of one meter at this moment: a reading a field, and how it was last heard."""

    __slots__ = (
        "common",
        "counter",
        "counts",
        "heard",
        "last_observed",
        "meter",
        "radio",
        "readings",
        "reasons",
        "set_apart",
        "shortest_limit",
        "still_since",
        "totals",
    )

    def __init__(self, meter: Meter) -> None:
        self.meter = meter
        self.readings: list[Reading] = [NEVER] * len(meter.profile.fields)
        self.still_since: list[float | None] = [None] * len(self.readings)  # by field, monotonic: its value is as old
        fields = meter.profile.fields
        self.counts = {index: each.counting for index, each in enumerate(fields) if each.counting is not None}
        self.shortest_limit = min((meter.limit(index) for index in range(len(fields))), default=math.inf)
        self.set_apart: set[int] = set()  # fields whose total is not what the history alone would give after a restart
        self.totals: dict[int, Total] = {}  # by field, of those that count and have been seen
        self.common = 0  # reasons that hold for every reading: under test, decode failed, the meter's own exception
        self.reasons = NEVER_SEEN  # of the whole meter: those of its readings and the common ones together
        self.heard: Times | None = None  # times of the last uplink that was taken, None before the first
        self.last_observed: float | None = None  # the newest time of the node's own clock that was believed, UTC
        self.radio: Radio = NO_RADIO  # of that uplink
        self.counter: int | None = None  # of that uplink

    @property
    def grade(self) -> Grade:
        return grade_of(self.reasons)

    def judge(self, pairs: Pairs, times: Times, reasons: int) -> list[tuple[int, Reading]]:
        """The readings that an uplink's values make, held against those that are shown."""
        fields = self.meter.profile.fields
        return [
            (index, judge(fields[index], value, times, reasons, self.readings[index], self.still_since[index]))
            for index, value in pairs
        ]

    def take(self, readings: list[tuple[int, Reading]], times: Times, radio: Radio, counter: int | None) -> None:
        """Show new readings; fields that the uplink did not carry keep theirs."""
        for index, reading in readings:
            if self.still_since[index] is None or reading.value != self.readings[index].value:
                self.still_since[index] = times.since
            self.readings[index] = reading
        self.common &= ~UNTIL_THE_NEXT
        self.heard = times
        self.radio = radio
        self.counter = counter
        self.sum_up()

    def mark(self, reason: int, on: bool) -> bool:
        """Set or clear a reason that holds for the whole meter. Returns whether that changed anything."""
        before = self.common
        self.common = before | reason if on else before & ~reason
        self.sum_up()
        return self.common != before

    def restore(self, before: Remembered, now: Now) -> None:
        """Show the readings from before a restart as restored, as old as they are; stale where no clock can tell."""
        for index, field_ in enumerate(self.meter.profile.fields):
            kept, read = before.readings.get(field_.name), -math.inf
            if held_name(field_.name) in before.states:
                self.set_apart.add(index)
            if kept is not None and kept.unit != field_.unit:
                continue
            if kept is not None:
                read = self._restore_reading(index, kept, before, now)
            if index in self.counts:
                self._restore_total(index, before, read, now)
        self.radio, self.counter = before.radio, before.counter
        if before.states.get("under test"):
            self.common |= UNDER_TEST
        self.expire(now.monotonic)
        self.sum_up()

    def _restore_reading(self, index: int, kept: KeptReading, before: Remembered, now: Now) -> float:
        """Show one reading as restored. Returns the monotonic instant it is of, minus infinity where no clock tells."""
        age = now.utc - before.at[kept.field]
        reasons = (kept.reasons | RESTORED) & ~STALE if age >= 0 else kept.reasons | RESTORED | STALE
        times = Times(before.observed, before.received, before.arrived or 0.0, now.monotonic - max(0.0, age))
        self.readings[index] = Reading(kept.value, reasons, times)
        self.still_since[index] = times.since
        if self.heard is None or times.since > self.heard.since:
            self.heard = times
        return times.since if age >= 0 else -math.inf

    def _restore_total(self, index: int, before: Remembered, read: float, now: Now) -> None:
        """Carry a total on from before a restart: as it was set apart then, else from the reading, of `read`."""
        name = self.meter.profile.fields[index].name
        kept, total = before.readings.get(name), before.readings.get(total_name(name))
        so_far = before.states.get(total_name(name), total.value if total else None)
        if not isinstance(so_far, int | float):
            return
        match before.states.get(held_name(name)):
            case {"last": int() | float() as last, "at": at, "doubted": int() | float() | None as doubted}:
                known = isinstance(at, int | float) and at <= now.utc
                since = now.monotonic - (now.utc - at) if known else -math.inf
                self.totals[index] = Total(so_far, last, since, doubted)
            case _:
                if kept is not None and isinstance(kept.value, int | float):
                    self.totals[index] = Total(so_far, kept.value, read)

    def expire(self, monotonic: float) -> bool:
        """Turn stale what is too old by now. Returns whether anything turned."""
        turned = False
        for index, reading in enumerate(self.readings):
            if reading.times is None or reading.reasons & STALE:
                continue
            if reading.times.since + self.meter.limit(index) <= monotonic:  # the same sum as in `next_expiry`
                self.readings[index] = reading._replace(reasons=reading.reasons | STALE)
                turned = True
        if turned:
            self.sum_up()
        return turned

    def next_expiry(self) -> float:
        """The monotonic instant at which the next reading turns stale, infinite where none will."""
        return min(
            (
                reading.times.since + self.meter.limit(index)
                for index, reading in enumerate(self.readings)
                if reading.times is not None and not reading.reasons & STALE
            ),
            default=math.inf,
        )

    def age(self, monotonic: float, index: int | None = None) -> float | None:
        """Seconds since the meter, or one field of it, was last observed; None where it never was."""
        times = self.heard if index is None else self.readings[index].times
        return None if times is None else max(0.0, monotonic - times.since)

    def sum_up(self) -> None:
        """Work out the meter's reasons from its readings'. An optional field that never came says nothing."""
        reasons = self.common if self.heard else self.common | NEVER_SEEN
        for field_, reading in zip(self.meter.profile.fields, self.readings, strict=True):
            if reading.reasons and not (reading.times is None and field_.optional):
                reasons |= reading.reasons
        self.reasons = reasons
