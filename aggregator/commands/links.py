"""What the control socket can ask to change about links: which node sits on which meter, and what is on record of it.

`tag` and `who` are asked for by each that changes something; `node` is a DevEUI or the text of the QR code on it. What
the meter's display shows is `shows`: {"flow": {"value": 12.5, "unit": "m3/h"}}. Notes are `place`, `antenna`, `note`,
and `photo`, the path of a file on this machine.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping
from functools import partial
from pathlib import Path

from aggregator.commands.asking import is_number, text_of, who_asks, why_of
from aggregator.commands.link_telling import told_of
from aggregator.commands.running import OfTheRunningSite
from aggregator.control import Command, Refused, Request
from aggregator.core.counting import Exchanged
from aggregator.core.device_code import MOST, read_code
from aggregator.core.errors import AggregatorError, Refusal
from aggregator.core.link import LONGEST
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.keeper import Keeper
from aggregator.photos import Photos
from aggregator.replay import Came, set_aside

LONGEST_PATH = 4096  # characters (limits.h, PATH_MAX)

Replay = Callable[[Iterator[Came]], Awaitable[Mapping[str, object]]]
"""Takes messages once more, each as of when it came, and says what became of them."""


class LinkCommands(OfTheRunningSite):
    """The commands about the links of one service."""

    def __init__(
        self,
        site: Callable[[], Site],
        now: Callable[[], Now],
        keep: Callable[[], object],
        keeper: Keeper,
        replay: Replay,
        photos: Photos,
    ) -> None:
        super().__init__(site, now)
        self._keep = keep
        self._keeper = keeper
        self._replay = replay
        self._photos = photos

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "link": self.link,
            "verify": self.verify,
            "unlink": self.unlink,
            "swap node": self.swap_node,
            "swap meter": self.swap_meter,
        }

    async def link(self, request: Request) -> Mapping[str, object]:
        """Put a node on a meter, `since` a UTC second or now; what was set aside of it since then is taken."""
        return await self._put_on(request, swap=False)

    async def swap_node(self, request: Request) -> Mapping[str, object]:
        """Put another node on a meter in place of the one that sits there; else as `link`."""
        return await self._put_on(request, swap=True)

    async def _put_on(self, request: Request, *, swap: bool) -> Mapping[str, object]:
        tag, who, code = text_of(request, "tag"), who_asks(request), read_code(text_of(request, "node", MOST))
        shows, since = self._shows(request), request.get("since")
        if not (since is None or is_number(since)):
            raise Refused("`since` is a time in UTC seconds.")
        before = self._site.linking.heard.get(code.node)

        def act(notes: Mapping[str, str]) -> None:
            linking, now = self._site.linking, self._now()
            put_on = linking.swap_node if swap else linking.link
            self._site.arrange(lambda _: put_on(tag, code, who, now, since=since, notes=notes, shows=shows))

        await self._with_notes(request, act)
        taken = None if since is None else await self._take_earlier(code.node, since)
        return {**told_of(self._site, tag, self._now()), "set_aside": before.count if before else 0, "taken": taken}

    async def _take_earlier(self, node: str, since: float) -> Mapping[str, object]:
        """Take what was set aside of a node from then on (UTC s), as its meter's."""
        rows = (
            row
            for row in self._keeper.store.aside()
            if row.kept.node == node and row.kept.reason == Refusal.UNKNOWN_NODE and row.kept.at >= since
        )
        return await self._replay(set_aside(rows))

    async def verify(self, request: Request) -> Mapping[str, object]:
        """Put on record what the meter's display shows, or notes, or both."""
        tag, who, shows = text_of(request, "tag"), who_asks(request), self._shows(request)
        if not shows and not any(name in request for name in LONGEST):
            raise Refused(f"say what the display shows as `shows`, or one of {', '.join(LONGEST)}.")

        def act(notes: Mapping[str, str]) -> None:
            now = self._now()
            if shows:
                self._site.arrange(lambda linking: linking.verify(tag, shows, who, now, notes=notes))
            else:
                self._site.arrange(lambda linking: linking.note(tag, notes, who, now))

        await self._with_notes(request, act)
        return told_of(self._site, tag, self._now())

    async def unlink(self, request: Request) -> Mapping[str, object]:
        """Take the node off a meter."""
        tag, who, now = text_of(request, "tag"), who_asks(request), self._now()
        why = why_of(request)
        self._site.arrange(lambda linking: linking.unlink(tag, who, now, why))
        self._keep()
        return told_of(self._site, tag, self._now())

    async def swap_meter(self, request: Request) -> Mapping[str, object]:
        """Another meter stands in the old one's place. `counters`: {"volume": {"old": 1234.5, "new": 0}}."""
        tag, who, counters = text_of(request, "tag"), who_asks(request), _counters(request)

        def act(notes: Mapping[str, str]) -> None:
            now = self._now()
            self._site.arrange(lambda linking: linking.swap_meter(tag, counters, who, now, notes=notes))

        await self._with_notes(request, act)
        state = self._site.states[tag]
        fields = state.meter.profile.fields
        return {
            **told_of(self._site, tag, self._now()),
            "totals": {fields[at].name: each.so_far for at, each in state.totals.items()},
        }

    async def _with_notes(self, request: Request, act: Callable[[Mapping[str, str]], None]) -> None:
        """Act with the notes of a request; its photo is kept only where the act is not refused."""
        notes = {
            name: text_of(request, name, longest)
            for name, longest in LONGEST.items()
            if name != "photo" and request.get(name)
        }
        if not request.get("photo"):
            act(notes)
            self._keep()
            return
        path, tag = Path(text_of(request, "photo", LONGEST_PATH)), text_of(request, "tag")
        name, is_new = await asyncio.to_thread(self._photos.take, path)
        link = self._site.linking.links.open.get(tag)
        try:
            act({**notes, "photo": name})
        except AggregatorError:
            if is_new:
                await asyncio.to_thread(self._photos.drop, name)
            raise
        self._keep()
        if link is not None and link.photo is not None and not self._site.linking.links.has_photo(link.photo):
            # Once the record with the new one is on disk: until then the old record may come back with a restart.
            self._keeper.store.put((), partial(self._photos.drop, link.photo))

    def _shows(self, request: Request) -> dict[str, float]:
        """What the display shows, by field. Raises Refused."""
        shows = request.get("shows") or {}
        found: dict[str, float] = {}
        state = self._site.states.get(text_of(request, "tag"))
        units = {each.name: each.unit for each in state.meter.profile.fields} if state is not None else {}
        for field, shown in shows.items() if isinstance(shows, dict) else [("", None)]:
            match shown:
                case {"value": value, "unit": unit} if is_number(value):
                    if field in units and unit != units[field]:
                        own = units[field] or "a plain number"
                        raise Refused(f"{field} is in {own} in the running service; its files have changed.")
                    found[field] = value
                case _:
                    raise Refused('`shows` is what the display shows: {"flow": {"value": 12.5, "unit": "m3/h"}}.')
        return found


def _counters(request: Request) -> dict[str, Exchanged]:
    """What the counters of both meters show, by field. Raises Refused."""
    counters = request.get("counters") or {}
    found: dict[str, Exchanged] = {}
    for field, shown in counters.items() if isinstance(counters, dict) else [("", None)]:
        match shown:
            case {"old": old, "new": new} if (old is None or is_number(old)) and is_number(new):
                found[field] = Exchanged(old, new)
            case _:
                raise Refused('`counters` is what both counters show: {"volume": {"old": 1234.5, "new": 0}}.')
    return found
