"""The annunciator: every alarm of the site, and what drives them.

    shown(meter, before)                  new readings are shown
    turned(meter)                         a meter's reasons have changed: silent, faulty
    tick()                                delays, shelves and announcements run out
    happen(alarm, event, who)             somebody acts (response.py)

Every transition goes into the journal with who, value and setpoint, and is remembered over a restart.
"""

from __future__ import annotations

import heapq
import math
from collections import Counter, defaultdict
from collections.abc import Mapping

from aggregator.core.alarm import (
    Alarm,
    Alarms,
    Group,
    Key,
    Kind,
    Priority,
    Proof,
    Suppression,
    crossed,
    measured,
    proof,
    proof_of_meter,
    proven_number,
    vote,
)
from aggregator.core.alarm_state import Event, State
from aggregator.core.announcements import Announcements
from aggregator.core.condition import Condition
from aggregator.core.keeping import FIRST_UP, SITE, SUPPRESSING, alarm_name
from aggregator.core.live_alarm import LiveAlarm, number_of
from aggregator.core.meter import UNDER_TEST, Meter, MeterState
from aggregator.core.outbox import Note, Outbox
from aggregator.core.reading import Now, Reading, Reason, Times
from aggregator.core.substitute import SUBSTITUTED

STALE = int(Reason.STALE)
NEVER_SEEN = int(Reason.NEVER_SEEN)


def unit_of(alarm: Alarm, meter: Meter | None) -> str:
    """The unit of an alarm's value and limit, empty for what has none; `meter` is None for that of a group."""
    if meter is None or alarm.index is None:
        return ""
    return alarm.kind.compares_in(meter.profile.fields[alarm.index].unit)


class Annunciator:
    """All alarms of a site. `states` are its meters by tag; what is to be kept goes into `outbox`."""

    def __init__(self, declared: Alarms, states: Mapping[str, MeterState], outbox: Outbox) -> None:
        self.alarms: dict[Key, LiveAlarm] = {each.key: LiveAlarm(each, outbox) for each in declared.alarms}
        self.groups = {group.name: group for group in declared.groups}
        self.first_up: dict[str, Key | None] = dict.fromkeys(self.groups)
        self.counts: Counter[tuple[Priority, State]] = Counter(
            (live.alarm.priority, live.state) for live in self.alarms.values()
        )
        self.suppressions = {each.name: each for each in declared.suppressions}
        self.suppressing: dict[str, bool] = dict.fromkeys(self.suppressions, False)
        self.sequence = 0  # of the alarm raised last
        self.horn = False  # whether a sounder is asked for: something is unacknowledged that nobody has silenced
        self.by_tag: dict[str, list[LiveAlarm]] = defaultdict(list)
        for live in self.alarms.values():
            self.by_tag[live.alarm.tag].append(live)
        self.in_alarm: Counter[str] = Counter()  # by tag, how many of its alarms are active
        self.changed: set[str] = set()  # tags whose alarms have changed since somebody looked
        self.announced = Announcements()
        self._states = states
        self.outbox = outbox
        self._by_field: dict[tuple[str, int], list[LiveAlarm]] = defaultdict(list)
        self._watches: dict[tuple[str, int], list[tuple[Suppression, Condition]]] = defaultdict(list)
        self._groups_of: dict[Key, list[Group]] = defaultdict(list)
        self._due: list[tuple[float, Key]] = []
        self._index()
        self.watched = {tag for tag, _ in (*self._by_field, *self._watches)} | self.by_tag.keys()

    def _index(self) -> None:
        for live in self.alarms.values():
            alarm = live.alarm
            if alarm.kind.is_of_a_field and alarm.index is not None:
                self._by_field[alarm.tag, alarm.index].append(live)
                if alarm.against is not None:
                    self._by_field[alarm.against].append(live)
        for group in self.groups.values():
            for key in group.members:
                self._groups_of[key].append(group)
        for each in self.suppressions.values():
            watch = each.watch
            if watch is not None and watch.index is not None:
                self._watches[watch.tag, watch.index].append((each, Condition(watch.on, watch.off)))

    def unit_of(self, alarm: Alarm) -> str:
        """The unit of an alarm's value and limit, empty for what has none."""
        state = self._states.get(alarm.tag)
        return unit_of(alarm, None if state is None else state.meter)

    # What drives them

    def shown(self, state: MeterState, before: list[Reading], now: Now) -> list[Note]:
        """New readings of a meter are shown; `before` are those that were until now, by field."""
        notes: list[Note] = []
        for index, reading in enumerate(state.readings):
            if reading is not before[index]:
                # Beside a value entered by hand what is read may raise an alarm, and clears none.
                doubt = SUBSTITUTED if index in state.substitutes else 0
                judged = reading._replace(reasons=reading.reasons | doubt) if doubt else reading
                notes += self.look(state, index, judged, before[index], now)
        return notes + self.turned(state, now)

    def look(self, state: MeterState, index: int, reading: Reading, before: Reading, now: Now) -> list[Note]:
        """Look at a new reading of a field; `before` is the one until now."""
        key = state.meter.tag, index
        notes: list[Note] = []
        for suppression, condition in self._watches.get(key, ()):
            notes += self._watch(suppression, condition, reading, now)
        for live in self._by_field.get(key, ()):
            self._take_field(live, reading, before, key)
            if not live.rests:
                notes += self._settle(live, now)
        return notes

    def _take_field(self, live: LiveAlarm, reading: Reading, before: Reading, key: tuple[str, int]) -> None:
        alarm = live.alarm
        assert alarm.index is not None
        own = (alarm.tag, alarm.index)
        other = None
        if alarm.against is not None:
            shown = self._reading(alarm.against if key == own else own)
            reading, other = (reading, shown) if key == own else (shown, reading)
        value = measured(alarm, reading, before, other)
        reasons = reading.reasons | (other.reasons if other else 0)
        since = reading.times.since if reading.times else 0.0
        live.take(proof(alarm, live.setpoint, value, reasons), value, reasons, since)

    def _reading(self, of: tuple[str, int]) -> Reading:
        return self._states[of[0]].readings[of[1]]

    def _watch(self, each: Suppression, condition: Condition, reading: Reading, now: Now) -> list[Note]:
        assert each.watch is not None
        value = measured(each.watch, reading, reading)
        found = proof(each.watch, each.watch.setpoint, value, reading.reasons)
        # What cannot be proven suppresses nothing.
        condition.take(Proof.BACK if found is Proof.UNKNOWN else found, reading.times.since if reading.times else 0.0)
        condition.settle(now.monotonic)
        return self._suppress(each, on=condition.stands, who="", now=now)

    def look_again(self, live: LiveAlarm, now: Now) -> list[Note]:
        """Hold what is shown now against an alarm's new setpoint. A rate of change waits for the next reading."""
        alarm = live.alarm
        if alarm.kind is Kind.VOTE:
            return self._count_votes(self.groups[alarm.tag], now)
        if alarm.index is None or alarm.kind in (Kind.RISING, Kind.FALLING):
            return []
        key = alarm.tag, alarm.index
        shown = self._reading(key)
        self._take_field(live, shown._replace(times=Times(None, None, now.utc, now.monotonic)), shown, key)
        return self._settle(live, now)

    def turned(self, state: MeterState, now: Now) -> list[Note]:
        """A meter's reasons have changed. What has fallen silent proves nothing any more."""
        notes: list[Note] = []
        tag, reasons = state.meter.tag, state.reasons
        for live in self.by_tag.get(tag, ()):
            alarm = live.alarm
            if alarm.index is None:
                never = alarm.kind is Kind.STALE and reasons & NEVER_SEEN
                said = reasons & ~NEVER_SEEN if never and state.speaks else reasons
                live.take(proof_of_meter(alarm, said), None, reasons, now.monotonic)
            elif state.readings[alarm.index].reasons & STALE and not live.silent:
                live.take(Proof.BEYOND if alarm.fail_safe else Proof.UNKNOWN, None, reasons, now.monotonic)
            if not live.rests:
                notes += self._settle(live, now)
        for index, reading in enumerate(state.readings):
            for suppression, condition in self._watches.get((tag, index), ()):
                if reading.reasons & Reason.STALE:
                    notes += self._watch(suppression, condition, reading, now)
        return notes

    def hold_in_test(self, tag: str, *, on: bool, who: str, now: Now) -> list[Note]:
        """A meter goes into test, and its alarms out of service with it; or both come back."""
        event = Event.TAKE_OUT if on else Event.PUT_BACK
        affected = [live for live in self.by_tag.get(tag, ()) if (live.state is State.OUT_OF_SERVICE) is not on]
        return [note for live in affected for note in self.happen(live, event, now, who)]

    def tick(self, now: Now) -> list[Note]:
        """Let what is due by now happen. Call it at `next_look` or more often."""
        notes: list[Note] = []
        while self._due and self._due[0][0] <= now.monotonic:
            _, key = heapq.heappop(self._due)
            live = self.alarms[key]
            live.looked_for = math.inf
            if live.shelf is not None and live.shelf.until <= now.monotonic:
                notes += self.happen(live, Event.UNSHELVE, now, why="its time is over")
            if live.state is State.ACKNOWLEDGED and live.announce_again_at() <= now.monotonic:
                notes += self.happen(live, Event.ANNOUNCE_AGAIN, now)
            notes += self._settle(live, now)
        return notes

    def next_look(self) -> float:
        """The monotonic second at which something can happen by itself, infinite where nothing can."""
        return self._due[0][0] if self._due else math.inf

    def happen(self, live: LiveAlarm, event: Event, now: Now, who: str = "", **facts: object) -> list[Note]:
        """Let an event happen to an alarm, with all that follows from it. NotInTable changes nothing."""
        before = live.state
        note = live.happen(event, now, who, **facts)
        self._count(live, before)
        if live.state.is_owed and (not before.is_owed or event is Event.RAISE):
            self.horn = True
        elif not self.owed:
            self.horn = False
        if live.state is State.UNACKNOWLEDGED:  # raised, announced again, or come back from being aside
            self.announced.add(live.alarm.key, now.monotonic)
        self._note_first_up(live)
        self._look_later(live)
        return [note, *self._members_changed(live, now), *self._suppress_returning(live, now)]

    def _count(self, live: LiveAlarm, before: State) -> None:
        self.counts[live.alarm.priority, before] -= 1
        self.counts[live.alarm.priority, live.state] += 1
        self.in_alarm[live.alarm.tag] += live.state.is_active - before.is_active
        self.changed.add(live.alarm.tag)

    def alarms_of(self, whose: str) -> list[LiveAlarm]:
        """The alarms of a meter; of a group, its members' and its own; with SITE, all there are."""
        if whose == SITE:
            return list(self.alarms.values())
        group = self.groups.get(whose)
        members = [self.alarms[key] for key in group.members] if group is not None else []
        return [*members, *self.by_tag.get(whose, ())]

    def present(self, live: LiveAlarm) -> tuple[float | None, int]:
        """What a field's alarm is held against at this moment, and the reasons to doubt it.

        Of a rate of change it is the field's own value, for the rate is only of the moment a reading comes. None where
        there is no number, or it is too old to prove anything.
        """
        alarm = live.alarm
        assert alarm.index is not None
        reading = self._reading((alarm.tag, alarm.index))
        if alarm.against is None:
            return proven_number(reading), reading.reasons
        other = self._reading(alarm.against)
        return measured(alarm, reading, reading, other), reading.reasons | other.reasons

    def take_changed(self) -> set[str]:
        """The tags and groups whose alarms have changed since the last call, SITE for what is nobody's own."""
        changed, self.changed = self.changed, set()
        return changed

    @property
    def meters_in_alarm(self) -> int:
        """How many meters have an active alarm."""
        return sum(count > 0 for tag, count in self.in_alarm.items() if tag in self._states)

    @property
    def owed(self) -> int:
        """How many alarms are unacknowledged."""
        return sum(count for (_, state), count in self.counts.items() if state.is_owed)

    def _settle(self, live: LiveAlarm, now: Now) -> list[Note]:
        """Draw the conclusion of what an alarm has taken, and see to it that it is looked at again in time."""
        if live.condition.settle(now.monotonic):
            if live.condition.stands:
                self.sequence += 1
                live.sequence = self.sequence
            return self.happen(live, Event.RAISE if live.condition.stands else Event.CLEAR, now)
        if live.keep_changes(now):
            self.changed.add(live.alarm.tag)  # its peak is shown
        self._look_later(live)
        return self._members_changed(live, now)

    def _look_later(self, live: LiveAlarm) -> None:
        due = live.due()
        if due < live.looked_for:
            live.looked_for = due
            heapq.heappush(self._due, (due, live.alarm.key))

    def _members_changed(self, live: LiveAlarm, now: Now) -> list[Note]:
        """Count the votes anew where an alarm's has changed."""
        if live.vote is live.voted:
            return []
        live.voted = live.vote
        self.changed.update(group.name for group in self._groups_of.get(live.alarm.key, ()))
        return [note for group in self._groups_of.get(live.alarm.key, ()) for note in self._count_votes(group, now)]

    def _count_votes(self, group: Group, now: Now) -> list[Note]:
        votes = [self.alarms[key].vote for key in group.members]
        notes: list[Note] = []
        for counting in self.by_tag.get(group.name, ()):
            if counting.alarm.kind is Kind.VOTE:
                found = vote(int(counting.setpoint), votes, silent_demands=group.silent_demands)
                counting.take(found, None, 0, now.monotonic)
                notes += self._settle(counting, now)
        return notes

    # Which was first

    def _note_first_up(self, live: LiveAlarm) -> None:
        """The first of a group's alarms stays noted until all of them are normal or aside again."""
        for group in self._groups_of.get(live.alarm.key, ()):
            first = self.first_up[group.name]
            if first is None and live.state.is_active:
                first = live.alarm.key
            elif first is not None and all(self.alarms[key].is_quiet for key in group.members):
                first = None
            if first != self.first_up[group.name]:
                self.first_up[group.name] = first
                self.outbox.state(group.name, FIRST_UP, None if first is None else list(first))

    # Suppression by design

    def switch(self, name: str, *, on: bool, who: str, now: Now) -> list[Note]:
        """Switch a suppression by hand. Raises KeyError where there is none of that name."""
        return self._suppress(self.suppressions[name], on=on, who=who, now=now)

    def _suppress(self, each: Suppression, *, on: bool, who: str, now: Now) -> list[Note]:
        if self.suppressing[each.name] is on:
            return []
        self.suppressing[each.name] = on
        self.changed.add(SITE)
        self.outbox.state(each.name, SUPPRESSING, True if on else None)
        notes: list[Note] = []
        for key in sorted(each.covers):
            live = self.alarms[key]
            if on and live.state not in (State.SUPPRESSED, State.OUT_OF_SERVICE):
                notes += self.happen(live, Event.SUPPRESS, now, who, by=each.name)
            elif not on and live.state is State.SUPPRESSED and not self._is_suppressed(key):
                notes += self.happen(live, Event.UNSUPPRESS, now, who, by=each.name)
        return notes

    def _is_suppressed(self, key: Key) -> bool:
        return any(key in each.covers for each in self.suppressions.values() if self.suppressing[each.name])

    def _suppress_returning(self, live: LiveAlarm, now: Now) -> list[Note]:
        """An alarm that comes back into service while its part of the plant is out of use is suppressed again."""
        if live.state.is_aside or not self._is_suppressed(live.alarm.key):
            return []
        return self.happen(live, Event.SUPPRESS, now)

    # Restart

    def memory(self, now: Now) -> dict[str, dict[str, object]]:
        """All that must outlive a restart, by tag and name; `restore` takes it back."""
        kept: dict[str, dict[str, object]] = defaultdict(dict)
        for live in self.alarms.values():
            kept[live.alarm.tag][alarm_name(live.alarm.name)] = live.memory(now)
        for name, first in self.first_up.items():
            kept[name][FIRST_UP] = None if first is None else list(first)
        for name, on in self.suppressing.items():
            kept[name][SUPPRESSING] = on
        return kept

    def restore(self, kept: Mapping[str, Mapping[str, object]], now: Now) -> list[Note]:
        """Stand as before a restart: `kept` holds the remembered states by tag and name. What is due since happens now.

        Call it once, after the meters have been restored; at a first start too, with nothing kept.
        """
        asked = self._recall_setpoints(kept)
        for live in self.alarms.values():
            found = kept.get(live.alarm.tag, {}).get(alarm_name(live.alarm.name))
            if isinstance(found, dict):
                before = live.state
                live.restore(found, now)
                self._count(live, before)
                self.sequence = max(self.sequence, live.sequence)
            self._recall_silence(live)
            live.voted = live.vote
        for name in self.groups:
            match kept.get(name, {}).get(FIRST_UP):
                case [str(tag), str(alarm)] if (tag, alarm) in self.alarms:
                    self.first_up[name] = (tag, alarm)
        for name in self.suppressions:
            self.suppressing[name] = kept.get(name, {}).get(SUPPRESSING) is True
        self.horn = self.owed > 0
        for live in self.alarms.values():
            self._look_later(live)
        notes = self._tell_setpoints(asked, now) + self._settle_aside(now) + self.tick(now)
        for tag in self.by_tag.keys() & self._states.keys():
            state = self._states[tag]
            if state.reasons & Reason.STALE:
                notes += self.turned(state, now)
            if state.reasons & Reason.NEVER_SEEN:
                self._wait_for_first(state, now)
        return notes

    def _recall_setpoints(self, kept: Mapping[str, Mapping[str, object]]) -> dict[Key, float]:
        """Have the setpoints that were asked for, where the files as they are now allow them. Returns all that were.

        Where they have crossed meanwhile, all that were changed on that field are those of the file again.
        """
        asked: dict[Key, float] = {}
        for key, live in self.alarms.items():
            found = kept.get(key[0], {}).get(alarm_name(key[1]))
            setpoint = number_of(found.get("setpoint")) if isinstance(found, dict) else None
            if setpoint is not None:
                asked[key] = setpoint
                live.setpoint = setpoint if live.allows(setpoint) else live.alarm.setpoint
        limits = {key: live.setpoint for key, live in self.alarms.items()}
        for tag in {tag for tag, _ in asked}:
            alarms = [live.alarm for live in self.by_tag[tag]]
            wrong = {each.index for each in alarms if crossed(each, alarms, limits)}
            for live in self.by_tag[tag]:
                if live.alarm.index in wrong:
                    live.setpoint = live.alarm.setpoint
        return asked

    def _tell_setpoints(self, asked: Mapping[Key, float], now: Now) -> list[Note]:
        """Tell which setpoints are no longer what was asked for."""
        notes: list[Note] = []
        for key, setpoint in asked.items():
            live = self.alarms[key]
            if live.setpoint != setpoint:
                live.keep(now)
                facts = {"alarm": key[1], "old": setpoint, "new": live.setpoint, "state": live.state.words}
                why = "meters.yaml no longer allows the one before"
                notes.append(self.outbox.event("setpoint changed", key[0], now, {**facts, "why": why}, warning=True))
        return notes

    def _settle_aside(self, now: Now) -> list[Note]:
        """What is declared anew is aside where its meter is in test or its part of the plant is out of use.

        And what was suppressed by something that is no longer declared comes back.
        """
        notes: list[Note] = []
        for live in self.alarms.values():
            state = self._states.get(live.alarm.tag)
            if state is not None and state.common & UNDER_TEST and live.state is not State.OUT_OF_SERVICE:
                notes += self.happen(live, Event.TAKE_OUT, now)
            elif live.state is State.SUPPRESSED and not self._is_suppressed(live.alarm.key):
                notes += self.happen(live, Event.UNSUPPRESS, now)
            else:
                notes += self._suppress_returning(live, now)
        return notes

    def _recall_silence(self, live: LiveAlarm) -> None:
        """A restart itself makes nothing silent: a restored reading proves what it proved before."""
        alarm = live.alarm
        if alarm.index is not None and alarm.kind.is_of_a_field and alarm.tag in self._states:
            reading = self._reading((alarm.tag, alarm.index))
            reasons = reading.reasons & ~Reason.RESTORED
            value = None if reasons & Reason.STALE else reading.value
            number = value if isinstance(value, int | float) else None
            live.silent = number is None or proof(alarm, live.setpoint, number, reasons) is Proof.UNKNOWN

    def _wait_for_first(self, state: MeterState, now: Now) -> None:
        """A meter that has never been heard has its usual time to speak; then it is as silent as any other."""
        for live in self.by_tag[state.meter.tag]:
            alarm = live.alarm
            silent = alarm.index is None or state.readings[alarm.index].times is None
            if silent and (alarm.kind is Kind.STALE or (alarm.fail_safe and alarm.index is not None)):
                if live.condition.waits_since is None and not live.condition.stands:
                    limit = state.meter.stale_after if alarm.index is None else state.meter.limit(alarm.index)
                    live.take(Proof.BEYOND, None, 0, now.monotonic + limit)
                    live.keep_changes(now)
                self._look_later(live)
