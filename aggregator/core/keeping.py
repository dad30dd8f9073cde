"""What the site wants kept, and what it gets back after a restart: the words the core and the store share.

All times are UTC seconds. The store turns these into rows and rows into these; it decides nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple

from aggregator.core.reading import Value
from aggregator.core.uplink import NO_RADIO, Radio


class ClockState(IntEnum):
    """What the gateway's wall clock was worth when something was dated by it."""

    TRUSTED = 0
    UNTRUSTED = 1
    CORRECTED = 2  # dated by an untrusted clock, and moved by as much as the clock was set later


class KeptReading(NamedTuple):
    """One field's value as judged; `reasons` are the status bits without the grade.

    The unit is kept with each reading, so that a profile that changes it later does not reinterpret what is old.
    """

    field: str
    value: Value | None
    reasons: int
    unit: str = ""


class KeptUplink(NamedTuple):
    """One uplink's readings for the history. `at` is the time they count as: observed, else received, else arrived.

    `late` came after newer ones were shown, and was never shown itself.
    """

    tag: str
    node: str | None
    counter: int | None
    at: float
    observed: float | None
    received: float | None
    arrived: float
    clock: ClockState
    late: bool
    radio: Radio
    readings: tuple[KeptReading, ...]


class KeptEvent(NamedTuple):
    """One line of the journal: what happened, to which meter, who did it, and the particulars."""

    at: float
    event: str
    tag: str | None
    who: str
    facts: Mapping[str, object]
    clock: ClockState = ClockState.TRUSTED


class KeptAside(NamedTuple):
    """A message that could not be taken, whole, with the reason; it can be replayed after the fix."""

    at: float
    reason: str
    detail: str
    topic: str
    node: str | None
    message: bytes


class KeptState(NamedTuple):
    """Something that must outlive a restart and is no reading: `name` of `tag`, as a JSON value; None forgets it."""

    tag: str
    name: str
    value: object


Kept = KeptUplink | KeptEvent | KeptAside | KeptState


@dataclass(slots=True)
class Remembered:
    """What the store still knows of one meter after a restart."""

    readings: dict[str, KeptReading] = field(default_factory=dict)  # newest of each field that was shown
    at: dict[str, float] = field(default_factory=dict)  # when that counts as, by field
    observed: float | None = None  # of the newest uplink that was shown, as are the following
    received: float | None = None
    arrived: float | None = None
    node: str | None = None
    counter: int | None = None
    radio: Radio = NO_RADIO
    states: dict[str, object] = field(default_factory=dict)


def total_name(field_name: str) -> str:
    """The name under which a field's running total is kept: `volume total`. No field has a blank in its name."""
    return f"{field_name} total"


def held_name(field_name: str) -> str:
    """The name of the state that tells where a counter stood, for as long as its newest reading does not.

    It holds `last` and `doubted` of the total, and as `at` the UTC second of `last`, None where that is not known.
    """
    return f"{field_name} held"
