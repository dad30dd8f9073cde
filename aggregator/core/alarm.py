"""An alarm as declared, and what one reading proves about its condition.

    high alarm, setpoint s, deadband d                    proof
    ---------------------------------------------------   -------
    value >= s                                            BEYOND    speaks for the alarm
    s - d <= value < s                                    BETWEEN   speaks for neither: the deadband
    value < s - d, and the reading is good                BACK      speaks for normal
    no value, stale, bad, or below s but not good         UNKNOWN   proves nothing

The alarm is raised at the limit and "will not return to normal unless it drops below the limit by the amount of the
deadband" (OPC 10000-9 B.1.5); a value on that lower edge stays in alarm. A value beyond the limit raises whatever its
grade: the largest leak of all is out of range and therefore uncertain. Only a good reading speaks for normal, so that
silence, a fault or a value entered by hand never clears an alarm. A fail-safe alarm takes UNKNOWN for BEYOND.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import Enum, IntEnum, StrEnum
from typing import NamedTuple

from aggregator.core.errors import Place
from aggregator.core.reading import Grade, Reading, Reason, grade_of

Key = tuple[str, str]
"""How an alarm is known: the tag of its meter or group, and its name there."""

Limits = Mapping[Key, float]
"""Setpoints by alarm."""

OVER_RANGE = int(Reason.OUT_OF_RANGE)
PROVES_NOTHING = int(Reason.STALE | Reason.RESTORED)


class Kind(StrEnum):
    """What an alarm watches."""

    HIGH_HIGH = "high-high"
    HIGH = "high"
    LOW = "low"
    LOW_LOW = "low-low"
    RISING = "rising"
    FALLING = "falling"
    DEVIATION = "deviation"
    STALE = "stale"
    FAULT = "fault"
    LOW_BATTERY = "low battery"
    VOTE = "vote"

    @property
    def is_of_a_field(self) -> bool:
        return self in _MEASURES

    @property
    def has_limit(self) -> bool:
        """Whether a number is held against a setpoint, or votes against how many it takes."""
        return self not in _WHOLE_METER

    @property
    def is_upward(self) -> bool:
        """Whether it watches for too much, so that an over-range speaks for it."""
        return self in (Kind.HIGH_HIGH, Kind.HIGH)

    @property
    def is_a_rate(self) -> bool:
        """Whether its setpoint is a change a second."""
        return self in (Kind.RISING, Kind.FALLING)

    @property
    def is_a_change(self) -> bool:
        """Whether its setpoint is a difference of two values: 2 °C of it are 2 K, and no temperature."""
        return self.is_a_rate or self is Kind.DEVIATION

    def compares_in(self, unit: str) -> str:
        """The unit of its setpoint, for a field in a unit: that of a rate is a second's change.

        >>> Kind.HIGH.compares_in("mbarg"), Kind.RISING.compares_in("mbarg"), Kind.RISING.compares_in("")
        ('mbarg', 'mbarg/s', '1/s')
        """
        return f"{unit or '1'}/s" if self.is_a_rate else unit

    @property
    def is_downward(self) -> bool:
        """Whether the lowest value is the worst."""
        return self in (Kind.LOW, Kind.LOW_LOW, Kind.FALLING)


class Priority(IntEnum):
    """How soon an operator must act (ISA-18.2 recommends three or four, `from memory`). 0 stands for no alarm."""

    LOW = 1
    MEDIUM = 2
    HIGH = 3
    CRITICAL = 4


class Proof(Enum):
    """What a reading proves about a condition."""

    BEYOND = "beyond"
    BETWEEN = "between"
    BACK = "back"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Delay:
    """How long a condition must last before it counts: seconds, and readings in a row. Both must be fulfilled."""

    seconds: float = 0.0
    samples: int = 1


AT_ONCE = Delay()


class Written(NamedTuple):
    """The unit in which people wrote a rate, `mbar/min`, and how many of it are one of the field's unit a second."""

    unit: str
    times: float


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of a meter or of a group. `tag` is its name; `name` names the alarm there: `methane high`.

    `setpoint` and `deadband` are in the field's unit, a second for rates of change; a vote's setpoint is how many it
    takes. `index` is that of the watched field, None for what watches a whole meter or a group; `against` is the tag
    and index that a deviation is taken from. `again_after` (s) announces what still stands once more. `may_be` bounds a
    setpoint that can be changed while the service runs, None for one that cannot. `written` is how people wrote a rate
    of change, None for any other alarm.
    """

    tag: str
    name: str
    kind: Kind
    priority: Priority
    index: int | None = None
    setpoint: float = 0.0
    deadband: float = 0.0
    on: Delay = AT_ONCE
    off: Delay = AT_ONCE
    latches: bool = False
    fail_safe: bool = False
    again_after: float | None = None
    against: tuple[str, int] | None = None
    may_be: tuple[float, float] | None = None
    written: Written | None = None
    message: str = ""
    action: str = ""
    place: Place = field(default=Place(""), compare=False)

    @property
    def key(self) -> Key:
        return self.tag, self.name

    def words(self, unit: str, *numbers: float) -> str:
        """Limits in their `unit` as people read them, one or a range; a rate in the unit in which it was written."""
        shown = self.written or Written(unit, 1.0)
        return f"{' to '.join(f'{each * shown.times:g}' for each in numbers)} {shown.unit}".rstrip()


def proven_number(reading: Reading) -> float | None:
    """The number of a reading that can prove anything; None where there is none, or it is too old for that."""
    value = reading.value
    return value if isinstance(value, int | float) and not reading.reasons & PROVES_NOTHING else None


def _level(value: float, alarm: Alarm, setpoint: float) -> Proof:
    return _above(value, setpoint, alarm.deadband)


def _depth(value: float, alarm: Alarm, setpoint: float) -> Proof:
    return _above(-value, -setpoint, alarm.deadband)


def _above(value: float, setpoint: float, deadband: float) -> Proof:
    if value >= setpoint:
        return Proof.BEYOND
    return Proof.BETWEEN if value >= setpoint - deadband and deadband else Proof.BACK


def _slope(reading: Reading, before: Reading) -> float | None:
    new, old = proven_number(reading), before.value
    if new is None or not isinstance(old, int | float) or reading.times is None or before.times is None:
        return None
    elapsed = reading.times.since - before.times.since
    return (new - old) / elapsed if elapsed > 0 else None


_MEASURES: dict[Kind, Callable[[float, Alarm, float], Proof]] = {
    Kind.HIGH_HIGH: _level,
    Kind.HIGH: _level,
    Kind.LOW: _depth,
    Kind.LOW_LOW: _depth,
    Kind.RISING: _level,
    Kind.FALLING: lambda slope, alarm, setpoint: _above(-slope, setpoint, alarm.deadband),
    Kind.DEVIATION: _level,
}


def measured(alarm: Alarm, reading: Reading, before: Reading, other: Reading | None = None) -> float | None:
    """What is held against the setpoint: the value, its rate of change a second, or its distance from `other`'s.

    `before` is the field's last reading. None where there is no number, or it is too old to prove anything.
    """
    if alarm.kind in (Kind.RISING, Kind.FALLING):
        return _slope(reading, before)
    value = proven_number(reading)
    if alarm.kind is not Kind.DEVIATION or value is None:
        return value
    reference = None if other is None else proven_number(other)
    return None if reference is None else abs(value - reference)


def proof(alarm: Alarm, setpoint: float, value: float | None, reasons: int) -> Proof:
    """What a field's reading proves: `value` as `measured` gives it, `reasons` those of the reading, or of both."""
    if value is None:
        return Proof.BEYOND if alarm.fail_safe else Proof.UNKNOWN
    found = _MEASURES[alarm.kind](value, alarm, setpoint)
    if found is Proof.BACK and grade_of(reasons) is not Grade.GOOD:
        return Proof.BEYOND if alarm.fail_safe else Proof.UNKNOWN
    return found


_WHOLE_METER = {Kind.STALE: Reason.STALE, Kind.FAULT: Reason.SENSOR_FAULT, Kind.LOW_BATTERY: Reason.LOW_BATTERY}


def proof_of_meter(alarm: Alarm, reasons: int) -> Proof:
    """What a whole meter's reasons prove about an alarm of it: stale, fault, low battery.

    A meter that was never seen whole proves nothing: the annunciator gives it its usual time. A stale one says nothing
    of its faults or its battery.
    """
    watched = _WHOLE_METER[alarm.kind]
    if alarm.kind is Kind.STALE:
        never = Proof.UNKNOWN if reasons & Reason.NEVER_SEEN else Proof.BACK  # a field may come more rarely than others
        return Proof.BEYOND if reasons & Reason.STALE else never
    if reasons & watched:
        return Proof.BEYOND
    return Proof.UNKNOWN if reasons & (Reason.STALE | Reason.NEVER_SEEN) else Proof.BACK


LEVELS = (Kind.LOW_LOW, Kind.LOW, Kind.HIGH, Kind.HIGH_HIGH)  # the order that their limits must have on one field


def crossed(alarm: Alarm, others: Iterable[Alarm], limits: Limits) -> Alarm | None:
    """The first of `others` whose limit lies on the wrong side of the alarm's: low-low, low, high, high-high.

    Where two are equal, one of them would never be told apart from the other. None where all are in order.
    """
    if alarm.kind not in LEVELS:
        return None
    level, limit = LEVELS.index(alarm.kind), limits[alarm.key]
    for other in others:
        if (other.tag, other.index) == (alarm.tag, alarm.index) and other.kind in LEVELS:
            above = LEVELS.index(other.kind) - level
            if (above > 0 and limit >= limits[other.key]) or (above < 0 and limit <= limits[other.key]):
                return other
    return None


def worst_detection(alarm: Alarm, reports_every: float, stale_after: float, lost_in_a_row: int = 1) -> float | None:
    """How long (s) a condition can last before the alarm is raised, at worst; None where the meter has no interval.

    It begins just after a reading; then so many uplinks are lost, and the delay needs its readings and its time.
    Silence has a time of its own.
    """
    if not reports_every:
        return None
    if alarm.kind is Kind.STALE:
        return stale_after + alarm.on.seconds
    samples = max(0, alarm.on.samples - 1) * reports_every
    return (1 + lost_in_a_row) * reports_every + max(samples, alarm.on.seconds)


class Member(Enum):
    """How one member of a group votes."""

    DEMANDS = "demands"
    QUIET = "quiet"
    SILENT = "silent"
    OUT = "out"


def vote(needed: int, members: list[Member], *, silent_demands: bool) -> Proof:
    """Whether enough members demand: `needed` of them (M of N).

    A member that is silent or faulty is never taken for quiet: it demands where that is declared, else it is left out
    as one in test is, and one fewer is needed for each (2 of 3 becomes 1 of 2; IEC 60079-29-3, `from memory`). Where
    all are out or silent, nothing is proven.
    """
    demanding = members.count(Member.DEMANDS)
    silent = members.count(Member.SILENT)
    left_out = members.count(Member.OUT)
    if silent_demands:
        demanding += silent
    else:
        left_out += silent
    if left_out == len(members):
        return Proof.UNKNOWN
    return Proof.BEYOND if demanding >= max(1, needed - left_out) else Proof.BACK


@dataclass(frozen=True, slots=True)
class Group:
    """Alarms that belong together: they vote, are acknowledged together, and tell which of them was first up."""

    name: str
    members: tuple[Key, ...]
    silent_demands: bool = False
    place: Place = field(default=Place(""), compare=False)


@dataclass(frozen=True, slots=True)
class Suppression:
    """Suppression by design: while its condition is proven, the alarms it covers announce nothing.

    `watch` is that condition, written as an alarm on a field; None is one that is switched by hand.
    """

    name: str
    covers: frozenset[Key]
    watch: Alarm | None = None
    place: Place = field(default=Place(""), compare=False)


@dataclass(frozen=True, slots=True)
class Alarms:
    """All that a site declares of alarms."""

    alarms: tuple[Alarm, ...] = ()
    groups: tuple[Group, ...] = ()
    suppressions: tuple[Suppression, ...] = ()
