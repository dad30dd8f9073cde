"""Several timed readings in one uplink: what a node kept while it was out of reach, or repeats lest one get lost.

    decoded    {"log": [{"at": "2026-11-25T07:45:00Z", "co2": 640}, {"at": ..., "co2": ...}]}

    binary     | head | record | record | ...      each of the same size, with its values and when they were measured:
                                                   a time (UTC s), or an age before the uplink in a unit of its own

They end as records in the order in which they were measured, whatever order they stand in. A batch decodes whole or not
at all.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from reprlib import repr as brief
from typing import NamedTuple, Protocol

from aggregator.core.dating import NODE_CLOCK_OFF, NodeClock, heard_at, moment_of
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.pointer import Pointer
from aggregator.core.reading import Fault, Now, Times, Value

Pairs = list[tuple[int, Value | Fault]]
"""Field indexes and values, or what the meter itself says in place of one."""

MILLISECOND = 0.001  # s; as exact as times are kept
OLDEST_AGE = 1e9  # s; more is no age


class Record(NamedTuple):
    """What was measured at a time: UTC s, or seconds before the uplink, as its batch says."""

    when: float
    pairs: Pairs


class Batch(NamedTuple):
    """Records, oldest first. Where they tell ages, `step` (s) is the unit that those are counted in, else None."""

    records: tuple[Record, ...]
    step: float | None

    @property
    def within(self) -> float:
        """How near (s) the times of one record come out that is sent twice: ages are rounded, times to what is kept."""
        return self.step or MILLISECOND


class Layout(Protocol):
    """How the values of one record read."""

    def decode(self, payload: bytes) -> Pairs:
        """Every value. Raises DecodeError."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """Where in a binary record its time stands, as an unsigned number; `step` as in Batch."""

    at: int
    size: int
    order: str
    step: float | None

    @property
    def end(self) -> int:
        return self.at + self.size

    def read(self, record: bytes) -> float:
        """UTC s, or an age in s."""
        number = int.from_bytes(record[self.at : self.end], "big" if self.order == "big" else "little")
        return number * (self.step or 1.0)


@dataclass(frozen=True, slots=True)
class Records:
    """A payload of records: `every` bytes each, from byte `begin` to the end."""

    begin: int
    every: int
    stamp: Stamp
    layout: Layout

    def decode(self, payload: bytes) -> Batch:
        """Every record. Raises DecodeError, NO_DATA where there is none."""
        body = payload[self.begin :]
        if len(payload) < self.begin or len(body) % self.every:
            what = f"{len(payload)} bytes are not {self.begin} and records of {self.every} each"
            raise DecodeError(Refusal.BAD_PAYLOAD, what)
        parts = (body[at : at + self.every] for at in range(0, len(body), self.every))
        return batch_of((Record(self.stamp.read(each), self.layout.decode(each)) for each in parts), self.stamp.step)


@dataclass(frozen=True, slots=True)
class DecodedRecords:
    """Where the network server's decoder puts records: an array, and in each of its entries the time."""

    each: Pointer
    when: Pointer
    step: float | None

    def split(self, decoded: object) -> list[tuple[float, object]] | None:
        """Each record's time and object; None where there is no array. Raises DecodeError."""
        found = self.each.find(decoded)
        if found is None:
            return None
        if not isinstance(found, list):
            raise DecodeError(Refusal.WRONG_TYPE, f"the records at {self.each} are {brief(found)}, not an array")
        return [(self._when(each), each) for each in found]

    def _when(self, record: object) -> float:
        value = self.when.find(record)
        if value is None:
            raise DecodeError(Refusal.MISSING, f"a record has nothing at {self.when}")
        if self.step is None:
            try:
                return moment_of(value)
            except ValueError as error:
                raise DecodeError(Refusal.WRONG_TYPE, f"a record's {self.when} is {brief(value)}, {error}") from error
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= OLDEST_AGE / self.step:
            raise DecodeError(Refusal.WRONG_TYPE, f"a record's {self.when} is {brief(value)}, not an age")
        return value * self.step


def batch_of(records: Iterable[Record], step: float | None) -> Batch:
    """Records in order, those of one time together. Raises DecodeError with NO_DATA where there is none."""
    by_time: dict[float, dict[int, Value | Fault]] = {}
    for when, pairs in records:
        by_time.setdefault(when, {}).update(pairs)
    if not by_time:
        raise DecodeError(Refusal.NO_DATA, "no record is there")
    ordered = sorted(by_time, reverse=step is not None)
    return Batch(tuple(Record(when, list(by_time[when].items())) for when in ordered), step)


def dated(
    batch: Batch, received: float | None, now: Now, node_clock: NodeClock
) -> tuple[list[tuple[Times, Pairs]], int]:
    """Each record with its times, and NODE_CLOCK_OFF where the node's clock said something impossible.

    What the node says is off all the same tells how far its records are apart: the newest then counts from reception,
    and the others as much earlier. Raises DecodeError where that is longer than a node keeps readings.
    """
    moments = [record.when for record in batch.records]
    heard = now.utc - heard_at(received, now)  # s ago
    reasons = 0
    if batch.step is not None:
        ages = [heard + when for when in moments]
        moments = [now.utc - age for age in ages]
    elif _hold(moments, received, now, node_clock):
        ages = [now.utc - when for when in moments]
    else:
        ages = [heard + moments[-1] - when for when in moments]
        reasons = NODE_CLOCK_OFF
    if ages[0] - ages[-1] > node_clock.oldest or (batch.step is not None and ages[0] - heard > node_clock.oldest):
        what = f"a record of {ages[0] / 86400:.0f} d ago is older than a node keeps"
        raise DecodeError(Refusal.BAD_PAYLOAD, what)
    times = [
        Times(when, received, now.utc, now.monotonic - max(0.0, age)) for when, age in zip(moments, ages, strict=True)
    ]
    return [(each, record.pairs) for each, record in zip(times, batch.records, strict=True)], reasons


def _hold(moments: list[float], received: float | None, now: Now, node_clock: NodeClock) -> bool:
    """Whether all times, oldest first, can be right."""
    ends = node_clock.believes(moments[0], now.utc) and node_clock.believes(moments[-1], now.utc)
    return ends and (received is None or moments[-1] <= received + node_clock.ahead)
