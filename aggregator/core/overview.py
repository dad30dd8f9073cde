"""One line about each meter, for whoever looks at many at once: what it shows, how far to trust it, what is the matter.

Plain data, ready to be sent. Times are UTC seconds; `heard` is when the meter was last observed, so that whoever shows
the line counts its age on by a clock of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

from aggregator.core.annunciator import Annunciator
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.meter import NEVER_SEEN, STALE, UNDER_TEST, MeterState
from aggregator.core.reading import Now, Value, grade_of, reason_word, reasons_in
from aggregator.core.trouble import Remark, alarm_sentence, silence_of, stands_in_test, trouble, worst_of

MOST_SHOWN = 3  # fields of a line: what a meter is there for comes first in its profile


@dataclass(frozen=True, slots=True)
class ShownField:
    """One field of a line, `label` as people call it. `grade` is of this field alone: 1 good, 2 uncertain, 3 bad."""

    name: str
    label: str
    value: Value | None
    unit: str
    grade: int
    decimals: int


@dataclass(frozen=True, slots=True)
class StandingAlarm:
    """The worst alarm of a meter that is not normal, what there is to say of it, and how many more there are.

    `in_test` is one whose condition stands, and which announces nothing because the meter is held in test.
    """

    alarm: str
    priority: str
    state: str
    owed: bool
    active: bool
    in_test: bool
    says: str
    more: int


@dataclass(frozen=True, slots=True)
class Line:
    """What is said of one meter. `fields` begins with what its worst alarm is about, where one stands or is owed.

    `silence` is what has not come, `reasons` what else keeps it from being trusted further.
    """

    tag: str
    name: str
    area: str
    fields: list[ShownField]
    grade: int
    silence: list[Remark]
    reasons: list[str]
    stale: bool
    under_test: bool
    heard: float | None
    every: float
    alarm: StandingAlarm | None
    trouble: int


def line_of(state: MeterState, annunciator: Annunciator, now: Now) -> Line:
    """The line about one meter."""
    meter, age = state.meter, state.age(now.monotonic)
    standing = [live for live in annunciator.by_tag.get(meter.tag, ()) if not live.is_normal]
    worst = worst_of(standing)
    return Line(
        meter.tag,
        meter.name,
        meter.area,
        [_shown(state, index) for index in _order(state, worst)[:MOST_SHOWN]],
        int(state.grade),
        list(silence_of(state, now)),
        [reason_word(reason) for reason in reasons_in(state.reasons & ~(STALE | NEVER_SEEN))],
        bool(state.reasons & STALE),
        bool(state.reasons & UNDER_TEST),
        None if age is None else round(now.utc - age, 1),
        meter.reports_every,
        _told(state, worst, len(standing) - 1) if worst else None,
        trouble(state, worst),
    )


def _order(state: MeterState, worst: LiveAlarm | None) -> list[int]:
    """The fields by index as they are to be shown: what the alarm is about, then as the profile has them."""
    order = list(range(len(state.meter.profile.fields)))
    if worst is None or worst.alarm.index is None:
        return order
    if worst.state.is_owed or worst.state.is_active or worst.condition.stands:
        order.remove(worst.alarm.index)
        order.insert(0, worst.alarm.index)
    return order


def _shown(state: MeterState, index: int) -> ShownField:
    field, reading = state.meter.profile.fields[index], state.shown[index]
    grade = int(grade_of(reading.reasons))
    return ShownField(field.name, field.label, reading.value, field.unit, grade, field.decimals)


def _told(state: MeterState, live: LiveAlarm, more: int) -> StandingAlarm:
    in_test = stands_in_test(state, live)
    return StandingAlarm(
        live.alarm.name,
        live.alarm.priority.name.lower(),
        live.state.words,
        live.state.is_owed,
        live.state.is_active,
        in_test,
        alarm_sentence(live, in_test=in_test),
        more,
    )
