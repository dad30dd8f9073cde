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

    `late` came after newer ones were shown, and was never shown itself; `filled_in` came after them too, and what they
    did not carry was shown from it. A value entered by hand stands in the history
    as one without node and counter, its reading marked as substituted; it is no uplink and is never restored as one.
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
    filled_in: bool = False  # late too, but what newer ones did not carry was shown from it
    within: float | None = None  # s; of a batch: kept unless another frame brought one as of so near a time


class KeptEvent(NamedTuple):
    """One line of the journal: what happened, to which meter, who did it, and the particulars."""

    at: float
    event: str
    tag: str | None
    who: str
    facts: Mapping[str, object]
    clock: ClockState = ClockState.TRUSTED


class KeptAside(NamedTuple):
    """A message that could not be taken, whole, with the reason; it can be replayed after the fix.

    `clock` is what the clock was worth that says `at`. Where its frame is known, so are `counter` and when it was
    `heard`.
    """

    at: float
    reason: str
    detail: str
    topic: str
    node: str | None
    message: bytes
    clock: ClockState = ClockState.UNTRUSTED
    counter: int | None = None
    heard: float | None = None


class KeptState(NamedTuple):
    """Something that must outlive a restart and is no reading: `name` of `tag`, as a JSON value; None forgets it."""

    tag: str
    name: str
    value: object


class KeptLink(NamedTuple):
    """Which node sits on which meter, from `since` on, and `until` where that has ended (UTC s).

    `number` tells links apart, and rises with each; of one number the one kept last counts. `record` is a JSON object
    of all else that is known of it.
    """

    number: int
    tag: str
    node: str
    since: float
    until: float | None
    record: Mapping[str, object]


class KeptFrame(NamedTuple):
    """A frame that was heard before a restart, whether it was `read` or set aside.

    `heard` is the network's time, else that of its arrival, and `timed` is off.
    """

    node: str
    counter: int
    heard: float
    timed: bool = True
    read: bool = True


Kept = KeptUplink | KeptEvent | KeptAside | KeptState | KeptLink


@dataclass(slots=True)
class Remembered:
    """What the store still knows of one meter after a restart."""

    readings: dict[str, KeptReading] = field(default_factory=dict)  # newest of each field that was shown
    at: dict[str, float] = field(default_factory=dict)  # when that counts as, by field
    observed: float | None = None  # of the newest uplink that was shown, as are the following
    received: float | None = None
    arrived: float | None = None
    node: str | None = None
    counter: int | None = None  # of the newest uplink of all, one without data included, as are the following
    radio: Radio = NO_RADIO
    heard: float | None = None  # by the network's clock
    states: dict[str, object] = field(default_factory=dict)
    links: list[KeptLink] = field(default_factory=list)  # all there were, oldest first


SESSIONS = "sessions"
"""The name of the state that tells a node's last sessions: `node`, and `sessions` as pairs of name and UTC second."""


CANNOT_SAY = "cannot say"
"""The name of the state that holds why a meter's newest uplink brought no values, until one does.

It holds the status bits as `reasons`, and as `at` the UTC second of the newest such uplink.
"""


def total_name(field_name: str) -> str:
    """The name under which a field's running total is kept: `volume total`. No field has a blank in its name."""
    return f"{field_name} total"


def substitute_name(field_name: str) -> str:
    """The name of the state that holds a value entered by hand in place of a field's readings, while it holds."""
    return f"{field_name} substitute"


def held_name(field_name: str) -> str:
    """The name of the state that tells where a counter stood, for as long as its newest reading does not.

    It holds `last` and `doubted` of the total, and as `at` the UTC second of `last`, None where that is not known.
    """
    return f"{field_name} held"


def alarm_name(name: str) -> str:
    """The name of the state that holds an alarm over a restart: `alarm methane high`."""
    return f"alarm {name}"


SITE = ""  # the tag under which stands what belongs to no meter and no group
FIRST_UP = "first up"  # the state that holds a group's first alarm, as its tag and name
SUPPRESSING = "suppressing"  # the state that holds that a suppression by design is in force
