"""What the control socket can ask about alarms: what stands, and the operator's response to it.

An acknowledgement names the sequence numbers of what whoever asks has been shown: what came later stays unacknowledged.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from itertools import islice

from aggregator.commands.asking import LONGEST_REASON, is_number, is_on, text_of, who_asks
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core import response
from aggregator.core.annunciator import Annunciator
from aggregator.core.live_alarm import LiveAlarm
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.slip import near
from aggregator.core.snapshot import alarm_told

MOST_TOLD = 300  # alarms told in one answer; an answer has its bounds


class AlarmCommands(OfTheRunningSite):
    """The commands about alarms of one service."""

    def __init__(self, site: Callable[[], Site], now: Callable[[], Now], keep: Callable[[], object]) -> None:
        super().__init__(site, now)
        self._keep = keep

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "alarms": self.alarms,
            "acknowledge": self.acknowledge,
            "reset": self.reset,
            "shelve": self.shelve,
            "unshelve": self.unshelve,
            "alarm service": self.serve,
            "setpoint": self.setpoint,
            "silence": self.silence,
            "suppress": self.suppress,
        }

    async def alarms(self, request: Request) -> Mapping[str, object]:
        """The alarms that are not normal, worst first; with `all` every one that is declared.

        `of` are the tags of meters and names of groups whose alarms are told; empty or left out, all.
        """
        site, now, every = self._site.annunciator, self._now(), request.get("all") is True
        lives = [live for live in self._wanted(request.get("of")) if every or not live.is_normal]
        lives.sort(key=_worst_first)
        return {
            "alarms": [self._told(live, now) for live in lives[:MOST_TOLD]],
            "count": len(lives),
            "unacknowledged": site.owed,
            "meters_in_alarm": site.meters_in_alarm,
            "sounder": site.horn,
            "first_up": {name: list(first) for name, first in site.first_up.items() if first is not None},
            "suppressions": [
                {"name": each.name, "on": site.suppressing[each.name], "by_hand": each.watch is None}
                for each in islice(site.suppressions.values(), MOST_TOLD)
            ],
        }

    def _wanted(self, names: object) -> Iterable[LiveAlarm]:
        """Every alarm, or those that are asked for by tag and group."""
        wanted, site = self._of(names), self._site.annunciator
        return (live for tag in wanted for live in site.by_tag.get(tag, ())) if wanted else site.alarms.values()

    def _of(self, names: object) -> set[str]:
        """The tags that are meant: those named, and those of the members of the groups among them."""
        if names is None:
            return set()
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            raise Refused("`of` is a list of tags of meters and names of groups.")
        groups = self._site.annunciator.groups
        for name in names:
            if name not in groups and name not in self._site.states:
                meant = near(name, [*self._site.states, *groups], "There are")
                raise Refused(f"there is no meter or group {name}. {meant}.")
        members = {tag for name in names if name in groups for tag, _ in groups[name].members}
        return {*names, *members}

    def _told(self, live: LiveAlarm, now: Now) -> dict[str, object]:
        state = self._site.states.get(live.alarm.tag)
        return alarm_told(live, state, self._site.annunciator, now)

    async def acknowledge(self, request: Request) -> Mapping[str, object]:
        """Acknowledge the alarms with these sequence numbers, and say what became of each.

        `already` were so before, `raised_anew` have been announced under another number since and stay as they are.
        """
        numbers = request.get("sequences")
        if not isinstance(numbers, list) or not all(type(each) is int for each in numbers):
            raise Refused("`sequences` is a list of the alarms' sequence numbers.")
        site, who, numbers = self._site.annunciator, who_asks(request), list(dict.fromkeys(numbers))
        known, before = response.raised_as(site, numbers), site.owed
        self._act(partial(response.acknowledge_numbers, sequences=numbers, who=who, now=self._now()))
        acknowledged = before - site.owed
        return {
            "acknowledged": acknowledged,
            "already": len(known) - acknowledged,
            "raised_anew": len(numbers) - len(known),
            "unacknowledged": site.owed,
        }

    async def reset(self, request: Request) -> Mapping[str, object]:
        """Reset a latched alarm."""
        live, who = self._live(request), who_asks(request)
        return self._done(live, partial(response.reset, live=live, who=who, now=self._now()))

    async def shelve(self, request: Request) -> Mapping[str, object]:
        """Shelve an alarm for `lasts` s, with a reason."""
        live, who, lasts = self._live(request), who_asks(request), request.get("lasts")
        if not is_number(lasts):
            raise Refused("`lasts` is a number of seconds.")
        why = text_of(request, "why", LONGEST_REASON)
        act = partial(response.shelve, live=live, seconds=lasts, why=why, who=who, now=self._now())
        return self._done(live, act)

    async def unshelve(self, request: Request) -> Mapping[str, object]:
        """Bring a shelved alarm back."""
        live, who = self._live(request), who_asks(request)
        return self._done(live, partial(response.unshelve, live=live, who=who, now=self._now()))

    async def serve(self, request: Request) -> Mapping[str, object]:
        """Put an alarm into service, or take it out."""
        live, who, on = self._live(request), who_asks(request), is_on(request)
        return self._done(live, partial(response.serve, live=live, on=on, who=who, now=self._now()))

    async def setpoint(self, request: Request) -> Mapping[str, object]:
        """Change an alarm's setpoint, in the field's unit; without a value it is the file's again."""
        live, who, value = self._live(request), who_asks(request), request.get("value")
        if value is not None and not is_number(value):
            raise Refused("`value` is a number in the field's unit.")
        act = partial(response.set_setpoint, live=live, setpoint=value, who=who, now=self._now())
        return {**self._done(live, act), "setpoint": live.setpoint}

    async def silence(self, request: Request) -> Mapping[str, object]:
        """Silence the sounder."""
        self._act(partial(response.silence, who=who_asks(request), now=self._now()))
        return {"sounder": self._site.annunciator.horn}

    async def suppress(self, request: Request) -> Mapping[str, object]:
        """Switch a suppression that is switched by hand."""
        name, on, who = text_of(request, "name"), is_on(request), who_asks(request)
        self._act(partial(response.switch, name=name, on=on, who=who, now=self._now()))
        return {"name": name, "on": on}

    def _live(self, request: Request) -> LiveAlarm:
        tag, name = text_of(request, "tag"), text_of(request, "alarm")
        live = self._site.annunciator.alarms.get((tag, name))
        if live is None:
            if tag not in self._site.annunciator.groups:
                self._state_of(tag)
            known = ", ".join(each.alarm.name for each in self._site.annunciator.by_tag.get(tag, ())) or "none"
            raise Refused(f"{tag} has no alarm `{name}`; it has {known}.")
        return live

    def _done(self, live: LiveAlarm, act: Callable[[Annunciator], list[Note]]) -> dict[str, object]:
        self._act(act)
        return {"tag": live.alarm.tag, "alarm": live.alarm.name, "state": live.state.words}

    def _act(self, act: Callable[[Annunciator], list[Note]]) -> None:
        self._site.respond(act)
        self._keep()


def _worst_first(live: LiveAlarm) -> tuple[bool, int, int]:
    return not live.state.is_owed, -live.alarm.priority, -live.sequence
