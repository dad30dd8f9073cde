"""What the control socket can ask about meters: one with all that is known of it, or many in a line each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict

from aggregator.commands.asking import count_of, is_flag, texts_of
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.meter import MeterState
from aggregator.core.overview import line_of
from aggregator.core.snapshot import meter_told, uplinks_told
from aggregator.core.trouble import quality_sentence, trouble_of
from aggregator.turns import in_turns

MOST_LINES = 500  # in one answer; an answer has its bounds
AT_ONCE = 500  # meters looked at before polls get their turn: some milliseconds
MOST_NAMED = 20  # areas that a refusal names
COUNTS = ("meters_total", "meters_good", "meters_uncertain", "meters_bad", "meters_stale", "meters_in_alarm")


class MeterCommands(OfTheRunningSite):
    """The commands about the meters of one service."""

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {"meter": self.meter, "meters": self.meters, "uplinks": self.uplinks}

    async def meter(self, request: Request) -> Mapping[str, object]:
        """All that is known of one meter now."""
        return meter_told(self._state_of(request.get("tag")), self._site.annunciator, self._now())

    async def uplinks(self, request: Request) -> Mapping[str, object]:
        """The last uplinks of a meter since the service started, newest first, and how each reads."""
        return {"uplinks": uplinks_told(self._state_of(request.get("tag")))}

    async def meters(self, request: Request) -> Mapping[str, object]:
        """Meters in a line each, those most in need of somebody first.

        `areas` and `tags` narrow them (None: all), `trouble` leaves out those that are well; `most` lines are told.
        """
        wanted, most = self._wanted(request), count_of(request, "most", MOST_LINES)
        site = self._site
        found = [(trouble_of(state, site.annunciator), state) async for state in in_turns(wanted, AT_ONCE)]
        troubled = sum(trouble > 0 for trouble, _ in found)
        if is_flag(request, "trouble"):
            found = [each for each in found if each[0]]
        found.sort(key=lambda each: -each[0])  # those of equal trouble stay in the order of the site's files
        now, figures = self._now(), site.figures
        lines = [
            {**asdict(line_of(state, site.annunciator, now)), "says": quality_sentence(state, now)}
            for _, state in found[:most]
        ]
        return {
            "site": site.declared.name,
            "utc": now.utc,
            "meters": lines,
            "count": len(found),
            "troubled": troubled,
            **{name: figures.figure(name, now) for name in COUNTS},
            "alarms_unacknowledged": site.annunciator.owed,
            "broker_connected": figures.broker_connected,
            "clock_trusted": figures.clock_trusted,
            "stored": figures.stored,
        }

    def _wanted(self, request: Request) -> list[MeterState]:
        areas, tags = texts_of(request, "areas"), texts_of(request, "tags")
        states = self._site.states
        known = {state.meter.area for state in states.values()}
        for area in areas or ():
            if area not in known:
                named = sorted(each for each in known if each)
                more = ", ..." if len(named) > MOST_NAMED else ""
                raise Refused(f"there is no area {area}; there is {', '.join(named[:MOST_NAMED]) or 'none'}{more}.")
        for tag in tags or ():
            self._state_of(tag)
        return [
            state
            for state in states.values()
            if (areas is None or state.meter.area in areas) and (tags is None or state.meter.tag in tags)
        ]
