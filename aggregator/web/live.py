"""The live stream: what has changed, told once a second to every page that is open (server-sent events).

    event: meters            event: alarms                  event: site
    data: [line, line]       data: {"unacknowledged": 2}    data: {"utc": ..., "meters_good": ...}

A line is written once however many pages read it, and is only written while somebody reads. A page that takes its lines
more slowly than they come is told to begin anew, so that none holds memory.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator

from pydantic import TypeAdapter

from aggregator.core.overview import Line, line_of
from aggregator.turns import in_turns
from aggregator.web.offer import Offer

EVERY = 1.0  # s
MOST = 100  # pages that follow at once
BEHIND = 30  # messages that a page may be behind
AT_ONCE = 50  # lines written before polls get their turn
ALIVE = b": alive\n\n"
LINES = TypeAdapter(list[Line])
TOLD = ("meters_total", "meters_good", "meters_stale", "meters_never_seen", "meters_in_alarm", "alarms_unacknowledged")


class Live:
    """The stream of one service."""

    def __init__(self, offer: Offer) -> None:
        self._offer = offer
        self._pages: set[asyncio.Queue[bytes | None]] = set()
        self._lines: dict[str, Line] = {}  # as they were written last
        self._untold: set[str] = set()  # of those, which the pages have yet to be told of
        self._catching_up = asyncio.Lock()
        self._alarms = b""
        self._others = 0  # changes of what is no meter's own: alarms of groups, suppressions

    @property
    def is_full(self) -> bool:
        return len(self._pages) >= MOST

    @property
    def is_followed(self) -> bool:
        return bool(self._pages)

    async def lines(self) -> list[Line]:
        """The line of every meter as it now is, in the order of the site's files."""
        await self._catch_up()
        return [self._lines[tag] for tag in self._offer.site().states if tag in self._lines]

    async def follow(self) -> AsyncIterator[bytes]:
        """The stream to one page, until it leaves."""
        mine: asyncio.Queue[bytes | None] = asyncio.Queue(BEHIND)
        self._pages.add(mine)
        try:
            yield b"retry: 3000\n\n" + self._site() + event("alarms", self._about_alarms())
            while (message := await mine.get()) is not None:
                yield message
        finally:
            self._pages.discard(mine)

    def close(self) -> None:
        """End every stream."""
        for page in self._pages:
            _end(page)

    async def run(self) -> None:
        """Tell of changes while somebody follows."""
        while True:
            await asyncio.sleep(EVERY)
            if self._pages:
                await self.tell()

    async def tell(self) -> None:
        """Send every page what has changed since the last call."""
        await self._catch_up()
        changed = [self._lines[tag] for tag in self._untold if tag in self._lines]
        self._untold.clear()
        messages = [self._site()]
        if changed:
            messages.append(b"event: meters\ndata: " + LINES.dump_json(changed) + b"\n\n")
        alarms = event("alarms", self._about_alarms())
        if alarms != self._alarms:
            messages.append(alarms)
            self._alarms = alarms
        self._send(b"".join(messages))

    def _send(self, message: bytes) -> None:
        for page in self._pages:
            if page.full():  # it does not read: it begins anew, with all lines, when it comes back
                _end(page)
            else:
                page.put_nowait(message)

    async def _catch_up(self) -> None:
        """Write the lines that have changed."""
        async with self._catching_up:
            async for tag in in_turns(self._offer.site().take_changed(), AT_ONCE):
                self._write(tag)

    def _write(self, tag: str) -> None:
        site = self._offer.site()
        state = site.states.get(tag)
        if state is None:  # of a group, of the site, or gone since
            self._lines.pop(tag, None)
            self._others += 1
            return
        self._lines[tag] = line_of(state, site.annunciator, self._offer.now())
        self._untold.add(tag)

    def _about_alarms(self) -> object:
        annunciator = self._offer.site().annunciator
        return {
            "unacknowledged": annunciator.owed,
            "meters_in_alarm": annunciator.meters_in_alarm,
            "sounder": annunciator.horn,
            "sequence": annunciator.sequence,
            "others": self._others,
        }

    def _site(self) -> bytes:
        figures, now = self._offer.site().figures, self._offer.now()
        told: dict[str, object] = {name: figures.figure(name, now) for name in TOLD}
        flags = {
            "broker_connected": figures.broker_connected,
            "clock_trusted": figures.clock_trusted,
            "stored": figures.stored,
            "files_refused": figures.files_refused,
            "generation": figures.generation,
        }
        return event("site", {"utc": now.utc, **told, **flags})


def _end(page: asyncio.Queue[bytes | None]) -> None:
    """Have a stream end, whatever it has yet to send."""
    while not page.empty():
        page.get_nowait()
    page.put_nowait(None)


def event(name: str, data: object) -> bytes:
    """One message of the stream (WHATWG HTML, server-sent events, section 9.2.5; from memory)."""
    return f"event: {name}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()
