"""The operator's response to alarms: the one road of coil, register, command line and page.

Each act names who acts. Nobody can acknowledge what they cannot have seen: an acknowledgement carries the alarm's
sequence number, or the moment at which its author last read the registers that show it. An acknowledgement is not a
reset, and a reset is refused while the condition stands.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from aggregator.core.alarm import LEVELS, Alarm, Limits, crossed
from aggregator.core.alarm_state import Event, NotInTable, State, after
from aggregator.core.annunciator import Annunciator
from aggregator.core.errors import AggregatorError
from aggregator.core.keeping import SITE
from aggregator.core.live_alarm import LiveAlarm, Shelf
from aggregator.core.outbox import Note
from aggregator.core.reading import Now

SILENCED = "sounder silenced"  # the one event of the journal about alarms that is about no single one
LONGEST_SHELF = 24 * 3600.0  # s; what must be silent for longer is taken out of service, or mended


class CannotAct(AggregatorError):
    """What somebody asked of an alarm cannot be done; the message says why."""


def acknowledge(site: Annunciator, alarms: Iterable[LiveAlarm], seen: float, who: str, now: Now) -> list[Note]:
    """Acknowledge those of `alarms` that were announced by the monotonic second `seen`, when `who` last looked.

    One that came later stays unacknowledged, and one that is not owed is passed over: a retried act does nothing twice.
    """
    due = [live for live in alarms if live.state.is_owed and live.announced <= seen]
    return [note for live in due for note in site.happen(live, Event.ACKNOWLEDGE, now, who)]


def acknowledge_number(site: Annunciator, sequence: int, who: str, now: Now) -> list[Note]:
    """Acknowledge the alarm whose last raising has that sequence number. Raises CannotAct where none has.

    A number that has been acknowledged already changes nothing.
    """
    live = raised_as(site, {sequence}).get(sequence)
    if live is None:
        raise CannotAct(f"no alarm that is known now has the sequence number {sequence}")
    return site.happen(live, Event.ACKNOWLEDGE, now, who) if live.state.is_owed else []


def acknowledge_numbers(site: Annunciator, sequences: Collection[int], who: str, now: Now) -> list[Note]:
    """Acknowledge those of them that are owed, in this order. Raises CannotAct for a number nobody can have seen.

    One that was acknowledged meanwhile, or whose alarm has been raised anew since, is passed over: whoever acts on a
    list that is a little old does no harm.
    """
    unseen = max(sequences, default=0)
    if unseen > site.sequence:
        raise CannotAct(f"no alarm that is known now has the sequence number {unseen}")
    known = raised_as(site, sequences)
    due = [known[each] for each in sequences if each in known and known[each].state.is_owed]
    return [note for live in due for note in site.happen(live, Event.ACKNOWLEDGE, now, who)]


def raised_as(site: Annunciator, sequences: Collection[int]) -> dict[int, LiveAlarm]:
    """The alarms whose last raising has one of these sequence numbers, by number."""
    wanted = set(sequences) - {0}
    return {live.sequence: live for live in site.alarms.values() if live.sequence in wanted}


def reset(site: Annunciator, live: LiveAlarm, who: str, now: Now) -> list[Note]:
    """Reset a latched alarm. Raises CannotAct while its condition stands or it is unacknowledged.

    One that is normal stays so: a retried act does nothing twice.
    """
    return [] if live.state is State.NORMAL else _act(site, live, Event.RESET, who, now)


def can_be_reset(live: LiveAlarm) -> bool:
    """Whether a reset is due: the condition has gone, and somebody has taken note."""
    return live.state is State.LATCHED


def shelve(site: Annunciator, live: LiveAlarm, seconds: float, why: str, who: str, now: Now) -> list[Note]:
    """Shelve an alarm for a limited time, with a reason. Raises CannotAct."""
    check_shelf(live, seconds, why)
    live.shelf = Shelf(now.monotonic + seconds, who, why)
    return _act(site, live, Event.SHELVE, who, now, seconds=seconds, why=why)


def check_shelf(live: LiveAlarm, seconds: float, why: str) -> None:
    """Raise CannotAct where an alarm cannot be shelved for so long, or for no reason, or not just now."""
    if not 0 < seconds <= LONGEST_SHELF:
        raise CannotAct(f"an alarm is shelved for at most {LONGEST_SHELF / 3600:.0f} h; take it out of service instead")
    if not why.strip():
        raise CannotAct("say why the alarm is shelved; whoever takes over the shift must know")
    if live.state is State.SHELVED:
        raise CannotAct("the alarm is shelved already; unshelve it first")
    try:
        after(live.standing, Event.SHELVE)
    except NotInTable as error:
        raise CannotAct(f"{live.alarm.tag} {live.alarm.name}: {error}") from error


def unshelve(site: Annunciator, live: LiveAlarm, who: str, now: Now) -> list[Note]:
    """Bring a shelved alarm back before its time. Raises CannotAct."""
    return _act(site, live, Event.UNSHELVE, who, now)


def serve(site: Annunciator, live: LiveAlarm, *, on: bool, who: str, now: Now) -> list[Note]:
    """Put an alarm back into service, or take it out. One that is so already stays so."""
    if (live.state is State.OUT_OF_SERVICE) is not on:
        return []
    return _act(site, live, Event.PUT_BACK if on else Event.TAKE_OUT, who, now)


def set_setpoint(site: Annunciator, live: LiveAlarm, setpoint: float | None, who: str, now: Now) -> list[Note]:
    """Change an alarm's setpoint within its declared limits; None goes back to the file's. Raises CannotAct.

    What is shown now is held against the new one at once, under the same delays as a new reading.
    """
    wanted = live.alarm.setpoint if setpoint is None else setpoint
    check_setpoints(site, {live.alarm.key: wanted})
    return change_setpoint(site, live, wanted, who, now)


def change_setpoint(site: Annunciator, live: LiveAlarm, wanted: float, who: str, now: Now) -> list[Note]:
    """Change a setpoint that has been checked; one that is so already stays so."""
    alarm = live.alarm
    if wanted == live.setpoint:
        return []
    facts = {"alarm": alarm.name, "old": live.setpoint, "new": wanted, "state": live.state.words}
    live.setpoint = wanted
    live.keep(now)
    site.changed.add(alarm.tag)
    note = live.outbox.event("setpoint changed", alarm.tag, now, facts, who=who)
    return [note, *site.look_again(live, now)]


def check_setpoints(site: Annunciator, wanted: Limits) -> None:
    """Raise CannotAct where setpoints may not be set to that together while the service runs: see `crossed`."""
    limits = {key: live.setpoint for key, live in site.alarms.items()} | dict(wanted)
    for key, setpoint in wanted.items():
        live = site.alarms[key]
        if setpoint == live.setpoint:
            continue
        if setpoint != live.alarm.setpoint and not live.allows(setpoint):
            raise CannotAct(_bounds(live, site.unit_of(live.alarm)))
        other = crossed(live.alarm, (each.alarm for each in site.by_tag[live.alarm.tag]), limits)
        if other is not None:
            limit = other.words(site.unit_of(other), limits[other.key])
            raise CannotAct(f"{_crossing(live.alarm, other)}, which is {limit}")


def _crossing(alarm: Alarm, other: Alarm) -> str:
    side = "below" if LEVELS.index(alarm.kind) < LEVELS.index(other.kind) else "above"
    return f"the setpoint of {alarm.tag} {alarm.name} must stay {side} that of {other.name}"


def _bounds(live: LiveAlarm, unit: str) -> str:
    bounds = live.alarm.may_be
    if bounds is None:
        return f"the setpoint of {live.alarm.tag} {live.alarm.name} is fixed in meters.yaml; `may_be` there opens it"
    return f"the setpoint of {live.alarm.tag} {live.alarm.name} may be {live.alarm.words(unit, *bounds)}"


def switch(site: Annunciator, name: str, *, on: bool, who: str, now: Now) -> list[Note]:
    """Switch a suppression by hand. Raises CannotAct where its condition switches it, or there is none."""
    check_switch(site, name)
    return site.switch(name, on=on, who=who, now=now)


def check_switch(site: Annunciator, name: str) -> None:
    """Raise CannotAct where a suppression is not there, or is not switched by hand."""
    found = site.suppressions.get(name)
    if found is None:
        known = ", ".join(site.suppressions) or "none"
        raise CannotAct(f"there is no suppression `{name}`; there is {known}")
    if found.watch is not None:
        raise CannotAct(f"the suppression {name} follows its own condition and is not switched by hand")


def silence(site: Annunciator, who: str, now: Now) -> list[Note]:
    """Silence the sounder; the alarms stay unacknowledged, and the next one asks for it again."""
    if not site.horn:
        return []
    site.horn = False
    site.changed.add(SITE)
    return [site.outbox.event(SILENCED, None, now, {"unacknowledged": site.owed}, who=who)]


def _act(site: Annunciator, live: LiveAlarm, event: Event, who: str, now: Now, **facts: object) -> list[Note]:
    try:
        return site.happen(live, event, now, who, **facts)
    except NotInTable as error:
        raise CannotAct(f"{live.alarm.tag} {live.alarm.name}: {error}") from error
