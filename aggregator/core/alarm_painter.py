"""What registers and bits show of alarms: of one meter, of a group, of the whole site.

As with readings (painter.py), what has changed is only noted, and painted when one of its pages is read.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from functools import partial

from aggregator.core.address_map import OF_ONE_ALARM, Item, Shows, Table
from aggregator.core.alarm import Kind, Member, Priority
from aggregator.core.alarm_state import State
from aggregator.core.annunciator import Annunciator
from aggregator.core.bank import Bank
from aggregator.core.keeping import SITE
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.reading import Now, Value

Figure = Callable[[], Value | None]
"""What an item shows now."""
Timed = Callable[[Now], Value | None]
"""What an item shows that changes as time passes."""
Counts = Mapping[tuple[Priority, State], int]
STATES = {"shelved": State.SHELVED, "suppressed": State.SUPPRESSED, "out_of_service": State.OUT_OF_SERVICE}
HOLDS: dict[str, Callable[[State], bool]] = {
    "active": lambda state: state.is_active,
    "unacknowledged": lambda state: state.is_owed,
    "latched": lambda state: state.is_latched,
}
DAY = 86400.0  # s
NOT_VOTING = (Member.SILENT, Member.OUT)


def figure_of(item: Item, tag: str | None, site: Annunciator) -> Figure | None:
    """How an item of a meter's layout, or of a block of alarms, is worked out; None where it shows nothing of alarms.

    Raises ValueError for an alarm that the meter has not; loading sees to it that no such item is placed.
    """
    if item.shows is Shows.SUMMARY and item.of not in TIMED:
        return _summary(item.of, item.about, site)
    if item.shows is Shows.SUPPRESSION:
        return lambda: site.suppressing[item.of]
    if tag is None:
        return None
    if item.shows in OF_ONE_ALARM and item.shows is not Shows.SHELVE:
        return _of_one(item.shows, _live(site, tag, item.of))
    lives = [_live(site, tag, name) for name in item.alarms] if item.alarms else site.alarms_of(tag)
    match item.shows:
        case Shows.ALARMS:
            return _bits(lives, lambda state: state.is_active, any_of_them=item.table.is_bits)
        case Shows.UNACKNOWLEDGED:
            return _bits(lives, lambda state: state.is_owed, any_of_them=item.table.is_bits)
        case Shows.ALARM_PRIORITY:
            return lambda: highest(lives)
    return None


def timed_of(item: Item, tag: str | None, site: Annunciator) -> Timed | None:
    """How an item that changes as time passes is worked out; None for every other. Raises as `figure_of` does."""
    if item.shows is Shows.SUMMARY and item.of in TIMED:
        return partial(TIMED[item.of], site, item.about)
    return _live(site, tag, item.of).minutes_shelved if item.shows is Shows.SHELVE and tag is not None else None


def _announced_day(site: Annunciator, group: str, now: Now) -> int:
    keys = {live.alarm.key for live in site.alarms_of(group)} if group else None
    return site.announced.within(DAY, now.monotonic, keys)


def _standing_day(site: Annunciator, group: str, now: Now) -> int:
    standing = (live.raised for live in site.alarms_of(group) if live.state.is_active)
    return sum(raised is not None and now.utc - raised > DAY for raised in standing)


TIMED: dict[str, Callable[[Annunciator, str, Now], int]] = {
    "announced_day": _announced_day,
    "standing_day": _standing_day,
}


def _of_one(shows: Shows, live: LiveAlarm) -> Figure:
    match shows:
        case Shows.ALARM_STATE:
            return lambda: int(live.state)
        case Shows.ALARM_SEQUENCE:
            return lambda: live.sequence
        case Shows.ALARM_PEAK:
            return lambda: live.peak
        case _:
            return lambda: live.setpoint


def _live(site: Annunciator, tag: str, name: str) -> LiveAlarm:
    live = site.alarms.get((tag, name))
    if live is None:
        raise ValueError(f"{tag} has no alarm {name}")
    return live


def _bits(lives: list[LiveAlarm], holds: Callable[[State], bool], *, any_of_them: bool) -> Figure:
    if any_of_them:
        return lambda: any(holds(live.state) for live in lives)
    return lambda: sum(holds(live.state) << bit for bit, live in enumerate(lives))


def highest(lives: Iterable[LiveAlarm]) -> int:
    """The highest priority of an active alarm, 0 where none is."""
    return max((int(live.alarm.priority) for live in lives if live.state.is_active), default=0)


def _summary(name: str, group: str, site: Annunciator) -> Figure:
    """A figure of the block of alarms by its name (alarm_block.py lists them)."""
    members = [site.alarms[key] for key in site.groups[group].members] if group else []
    lives = site.alarms_of(group)
    vote = next((live for live in lives if live.alarm.kind is Kind.VOTE), None) if group else None
    match name:
        case "sounder":
            return lambda: site.horn
        case "sequence":
            return lambda: max((live.sequence for live in lives), default=0) if group else site.sequence
        case "vote":
            return lambda: 0 if vote is None else int(vote.state)
        case "demanding":
            return lambda: sum(live.vote is Member.DEMANDS for live in members)
        case "not_voting":
            return lambda: sum(live.vote in NOT_VOTING for live in members)
        case "first_up":
            return lambda: _first_up(site, group)[0]
        case "first_up_tag":
            return lambda: _first_up(site, group)[1]
    return lambda: _count(name, _counts(lives) if group else site.counts)


def _first_up(site: Annunciator, group: str) -> tuple[int, str]:
    first = site.first_up[group] if group else None
    return (0, "") if first is None else (site.groups[group].members.index(first) + 1, first[0])


def _counts(lives: Iterable[LiveAlarm]) -> Counts:
    return Counter((live.alarm.priority, live.state) for live in lives)


def _count(name: str, counts: Counts) -> int:
    if name == "priority":
        active = (int(priority) for (priority, state), count in counts.items() if state.is_active and count)
        return max(active, default=0)
    what, _, of = name.partition("_")
    if name in STATES:
        return sum(count for (_, state), count in counts.items() if state is STATES[name])
    wanted = Priority[of.upper()] if of else None
    holds = HOLDS[what]
    return sum(count for (priority, state), count in counts.items() if holds(state) and wanted in (None, priority))


class AlarmPainter:
    """Keeps items that show alarms up to date, those of one layout at one place."""

    __slots__ = ("_changed", "_pages", "_steps")

    def __init__(
        self,
        banks: Mapping[Table, Bank],
        steps: Iterable[tuple[Item, int, Figure]],
        timed: Iterable[tuple[Item, int, Timed]],
    ) -> None:
        self._changed = True
        self._steps = [(banks[item.table], address, item, figure) for item, address, figure in steps]
        self._pages = [
            (bank.fresh, page)
            for bank, address, item, _ in self._steps
            for page in bank.add_live(address, item.size, self._catch_up)
        ]
        for item, address, worked_out in timed:
            bank = banks[item.table]
            bank.add_live(address, item.size, _shown(bank, address, item, worked_out))
            self._pages += [(bank.fresh, page) for page in bank.add_live(address, item.size, self._catch_up)]

    def note_change(self) -> None:
        """Some of what it shows is no longer what it was."""
        if not self._changed:
            self._changed = True
            for fresh, page in self._pages:
                fresh[page] = -1

    def _catch_up(self, _now: Now) -> None:
        if not self._changed:
            return
        self._changed = False
        for bank, address, item, figure in self._steps:
            bank.show(address, item.codec, figure())


def _shown(bank: Bank, address: int, item: Item, worked_out: Timed) -> Callable[[Now], None]:
    return lambda now: bank.show(address, item.codec, worked_out(now))


def changes_with(item: Item, tag: str | None, site: Annunciator) -> set[str]:
    """Whose change an item shows: tags of meters, names of groups, SITE."""
    if item.shows is Shows.SUPPRESSION:
        return {SITE}
    if item.shows is not Shows.SUMMARY:
        return set() if tag is None else {tag}
    group = site.groups.get(item.about)
    # The sounder is the site's, in a group's block too.
    return {SITE} if group is None else {SITE, group.name, *(member for member, _ in group.members)}
