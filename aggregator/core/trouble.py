"""What is the matter with a meter, in words, and how much it is in need of somebody.

    uncertain: silent for 52 min, expected every 15 min; jumped

Whatever shows meters to people says it by this, so that a page and a terminal never speak of the same meter otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from aggregator.core.alarm_state import State
from aggregator.core.annunciator import Annunciator
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.meter import NEVER_SEEN, STALE, UNDER_TEST, MeterState
from aggregator.core.reading import Grade, Now, reason_word, reasons_in, span_words

OWED, STANDING = 200, 100  # an alarm nobody has noted yet, and one that stands; its priority comes on top
HELD = 70  # in test while the condition of an alarm stands, which nothing announces; its priority comes on top
BAD, SILENT, UNCERTAIN, IN_TEST, ASIDE, REMARK = 60, 50, 40, 20, 10, 5


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that has not come. Where it says `{age}`, there stands how long ago `since` (UTC s) is by now."""

    says: str
    since: float | None = None

    def words(self, utc: float) -> str:
        """What it says at a UTC second."""
        return self.says if self.since is None else self.says.replace("{age}", span_words(utc - self.since))


def quality_sentence(state: MeterState, now: Now) -> str:
    """How far to trust a meter and why not further, with how long it has been silent."""
    silence = (remark.words(now.utc) for remark in silence_of(state, now))
    matters = [*silence, *map(reason_word, reasons_in(state.reasons & ~(STALE | NEVER_SEEN)))]
    grade = state.grade.name.lower()
    return f"{grade}: {'; '.join(matters)}" if matters else grade


def silence_of(state: MeterState, now: Now) -> Iterator[Remark]:
    """What has not come, or not lately; whoever shows it later lets the ages grow."""
    age = state.age(now.monotonic)
    every = f"expected every {span_words(state.meter.reports_every)}"
    if state.node is None:
        heard = "never heard" if age is None else "last heard {age} ago"
        yield Remark(f"no node sits on it, {heard}", None if age is None else now.utc - age)
    elif age is None:
        yield Remark(f"never heard, {every}")
    else:
        yield from _late(state, age, every, now)
        yield from _exchanged(state, every)


def _late(state: MeterState, age: float, every: str, now: Now) -> Iterator[Remark]:
    """Which fields of a meter that was heard have no value, or an old one."""
    is_silent = False
    for index, reading in enumerate(state.readings):
        field, times = state.meter.profile.fields[index], reading.times
        if field.computed is not None:  # its status is its own, and no matter of the meter's
            continue
        if times is None:
            if not field.optional:
                yield Remark(f"no {field.name} yet")
        elif reading.reasons & STALE and state.is_of_now(index):
            old = now.monotonic - times.since
            if old < state.meter.limit(index):
                yield Remark(f"{field.name} nobody knows how old")
            elif old > age:  # others have come since
                yield Remark(f"{field.name} {{age}} old", now.utc - old)
            elif not is_silent:
                is_silent = True
                yield Remark(f"silent for {{age}}, {every}", now.utc - age)


def _exchanged(state: MeterState, every: str) -> Iterator[Remark]:
    """Which fields show what another node or another meter has read."""
    fields = zip(state.meter.profile.fields, state.readings, strict=True)
    before = [
        field.name
        for index, (field, reading) in enumerate(fields)
        if field.computed is None and reading.times is not None and not state.is_of_now(index)
    ]
    if before:
        what = "nothing" if state.heard_here is None else f"no {', '.join(before)}"
        yield Remark(f"{what} since the node or the meter was exchanged, {every}")


def worst_of(alarms: Iterable[LiveAlarm]) -> LiveAlarm | None:
    """Of those that are not normal the one that is most urgent."""
    return max((live for live in alarms if not live.is_normal), key=urgency, default=None)


def worst_first(alarms: Iterable[LiveAlarm]) -> list[LiveAlarm]:
    """The most urgent first; those that are normal last, and equals as they were."""
    return sorted(alarms, key=urgency, reverse=True)


def urgency(live: LiveAlarm) -> tuple[bool, bool, bool, int, bool]:
    """What makes one alarm worse than another.

    That it is owed a response counts first; among those owed its priority, for a latched critical one comes before a
    high one that stands. Of the others it counts that the alarm stands and is announced, then that its condition does.
    """
    state = live.state
    is_told = state.is_owed or state.is_active
    return state.is_owed, is_told, is_told or live.condition.stands, live.alarm.priority, state.is_active


def trouble(state: MeterState, worst: LiveAlarm | None) -> int:
    """How much a meter is in need of somebody: the more, the further up in a list. 0 is none at all.

    `worst` is its worst alarm. Alarms come first: unacknowledged, then standing, each by priority. Then a meter without
    a value, a silent one, one in doubt, one in test; last those with an alarm put aside, and those with a remark. One
    in test whose alarm would stand but for that comes right after those that stand.
    """
    if worst is not None and (worst.state.is_owed or worst.state.is_active):
        return (OWED if worst.state.is_owed else STANDING) + worst.alarm.priority
    if worst is not None and stands_in_test(state, worst):
        return HELD + worst.alarm.priority
    if state.grade is Grade.BAD:
        return BAD
    if state.reasons & STALE:
        return SILENT
    if state.grade is Grade.UNCERTAIN:
        return IN_TEST if state.reasons & UNDER_TEST else UNCERTAIN
    if worst is not None:
        return ASIDE
    return REMARK if state.reasons else 0


def stands_in_test(state: MeterState, live: LiveAlarm) -> bool:
    """Whether an alarm announces nothing only because its meter is in test: its condition stands."""
    return bool(state.reasons & UNDER_TEST) and live.state is State.OUT_OF_SERVICE and live.condition.stands


def alarm_sentence(live: LiveAlarm, *, in_test: bool) -> str:
    """What there is to say of an alarm; `in_test`, that it would stand but for its meter's being in test."""
    return f"under test, {live.alarm.name} stands" if in_test else f"{live.alarm.name}: {live.state.words}"


def trouble_of(state: MeterState, annunciator: Annunciator) -> int:
    """The same, with the alarms looked up."""
    return trouble(state, worst_of(annunciator.by_tag.get(state.meter.tag, ())))
