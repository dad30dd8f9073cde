"""What clients write about alarms: each write is checked first, and carried out by the one road (response.py).

A coil acknowledges what its client has been shown, and nothing that came later; one that has read nothing acknowledges
nothing. The write is answered all the same: its effect is visible in the states, and the journal says what it left.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from aggregator.core import response
from aggregator.core.address_map import Shows
from aggregator.core.alarm import Key
from aggregator.core.annunciator import Annunciator
from aggregator.core.image import Write
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.response import CannotAct
from aggregator.core.sight import Subject, last_seen

WRITTEN = (Shows.ACKNOWLEDGE, Shows.RESET, Shows.SILENCE, Shows.SUPPRESSION, Shows.SETPOINT, Shows.SHELVE)


UNSEEN = "alarms not acknowledged, as this client has not read them since they came"
BY_PLANT_SOFTWARE = "shelved by plant software"
NAMED = 5  # alarms named in one line of the journal


class AlarmWriting:
    """Carries out what clients write about the alarms of a site.

    What was read before the monotonic second `since`, by another map perhaps, shows nothing any more.
    """

    def __init__(self, site: Annunciator, since: float) -> None:
        self._site = site
        self._since = since

    def check(self, writes: Iterable[Write], now: Now) -> None:
        """Raise CannotAct where one of the writes cannot be carried out. Nothing has changed then."""
        wanted: dict[Key, float] = {}
        for write in writes:
            if write.item.shows is Shows.SETPOINT:
                live, setpoint = self._setpoint(write)
                wanted[live.alarm.key] = setpoint
            else:
                self._check(write, now)
        response.check_setpoints(self._site, wanted)

    def _check(self, write: Write, now: Now) -> None:
        match write.item.shows:
            case Shows.SHELVE:
                self._check_shelf(write, now)
            case Shows.ACKNOWLEDGE if not write.item.table.is_bits:
                self._check_number(write)
            case Shows.RESET if write.value:
                self._check_reset(write)
            case Shows.SUPPRESSION if bool(write.value) is not self._site.suppressing[write.item.of]:
                response.check_switch(self._site, write.item.of)

    def carry_out(self, write: Write, now: Now) -> list[Note]:
        """Carry out a write that has been checked. One that asks for what is so already does nothing."""
        match write.item.shows:
            case Shows.SETPOINT:
                live, setpoint = self._setpoint(write)
                return response.change_setpoint(self._site, live, setpoint, write.who, now)
            case Shows.ACKNOWLEDGE if not write.item.table.is_bits:
                assert isinstance(write.value, int)
                return response.acknowledge_number(self._site, write.value, write.who, now)
            case Shows.SUPPRESSION:
                return self._switch(write, now)
            case Shows.SHELVE:
                return self._shelve(write, now)
            case _ if not write.value:
                return []
            case Shows.ACKNOWLEDGE:
                return self._acknowledge(write, now)
            case Shows.RESET:
                return self._reset(write, now)
            case Shows.SILENCE:
                return response.silence(self._site, write.who, now)
        return []

    def _of(self, write: Write) -> list[LiveAlarm]:
        return self._site.alarms_of(_scope(write))

    # Acknowledge

    def _check_number(self, write: Write) -> None:
        if not any(live.sequence == write.value for live in self._of(write) if live.sequence):
            raise CannotAct(f"no alarm that is known here has the sequence number {write.value}")

    def _acknowledge(self, write: Write, now: Now) -> list[Note]:
        owed = [live for live in self._of(write) if live.state.is_owed]
        notes = [note for live in owed for note in self._acknowledge_seen(live, write, now)]
        left = [live for live in owed if live.state.is_owed]
        if left:
            named = ", ".join(" ".join(live.alarm.key) for live in left[:NAMED])
            facts = {"alarms": len(left), "first": named}
            notes.append(self._site.outbox.event(UNSEEN, write.tag, now, facts, who=write.who))
        return notes

    def left(self, write: Write) -> int:
        """How many alarms a write that has been carried out was to acknowledge, and could not."""
        if write.item.shows is not Shows.ACKNOWLEDGE or not write.item.table.is_bits or not write.value:
            return 0
        return sum(live.state.is_owed for live in self._of(write))

    def _acknowledge_seen(self, live: LiveAlarm, write: Write, now: Now) -> list[Note]:
        seen = last_seen(write.witness, _shown_in(live, _scope(write)))
        if seen <= self._since:
            return []
        return response.acknowledge(self._site, [live], seen, write.who, now)

    # Reset and the others

    def _check_reset(self, write: Write) -> None:
        """A reset of several resets those that it can; where it can reset none, and one stands, it is refused."""
        lives = self._of(write)
        if any(response.can_be_reset(live) for live in lives):
            return
        standing = next((live for live in lives if live.state.is_active or live.state.is_latched), None)
        if standing is not None:
            raise CannotAct(f"{' '.join(standing.alarm.key)} is {standing.state.words} and cannot be reset")

    def _reset(self, write: Write, now: Now) -> list[Note]:
        due = [live for live in self._of(write) if response.can_be_reset(live)]
        return [note for live in due for note in response.reset(self._site, live, write.who, now)]

    def _switch(self, write: Write, now: Now) -> list[Note]:
        name, on = write.item.of, bool(write.value)
        if self._site.suppressing[name] is on:
            return []
        return response.switch(self._site, name, on=on, who=write.who, now=now)

    # Shelves

    def _check_shelf(self, write: Write, now: Now) -> None:
        live, minutes = self._live(write), write.value
        if not isinstance(minutes, int):
            raise CannotAct("an alarm is shelved for a number of minutes")
        if minutes and minutes != live.minutes_shelved(now):
            response.check_shelf(live, 60.0 * minutes, _why(write))

    def _shelve(self, write: Write, now: Now) -> list[Note]:
        live, minutes = self._live(write), write.value
        if minutes == live.minutes_shelved(now):
            return []
        if not minutes:
            return response.unshelve(self._site, live, write.who, now)
        assert isinstance(minutes, int)
        return response.shelve(self._site, live, 60.0 * minutes, _why(write), write.who, now)

    # Limits

    def _live(self, write: Write) -> LiveAlarm:
        assert write.tag is not None
        return self._site.alarms[write.tag, write.item.of]

    def _setpoint(self, write: Write) -> tuple[LiveAlarm, float]:
        """The alarm, and its setpoint in the field's unit. Raises CannotAct where it is none.

        A number counts as it stands in the registers: a limit of 0.1 is a little more than that in a float32, and is no
        excess; and who writes back what they have read changes nothing.
        """
        item, value = write.item, write.value
        assert item.codec is not None
        live = self._live(write)
        if not isinstance(value, int | float) or not math.isfinite(value):
            raise CannotAct(f"the setpoint of {write.tag} {item.of} must be a number")
        own = item.codec.conversion.inverse().value(value)
        registers = item.codec.encode(own)[0]
        known = (live.setpoint, live.alarm.setpoint, *(live.alarm.may_be or ()))
        own = next((each for each in known if item.codec.encode(each)[0] == registers), own)
        return live, own


def _scope(write: Write) -> str:
    """Whose alarms a write is about: a meter's, a group's, or the whole site's."""
    return write.item.about if write.tag is None else write.tag


def _why(write: Write) -> str:
    """Why plant software shelves an alarm: what the map says of the register."""
    return write.item.note or BY_PLANT_SOFTWARE


def _shown_in(live: LiveAlarm, scope: str) -> list[Subject]:
    """What tells of an alarm to whoever answers for `scope`."""
    return [live.alarm.key, (live.alarm.tag, ""), scope]
