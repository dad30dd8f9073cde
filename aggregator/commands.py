"""What the control socket can ask of the running service: a table of names and functions.

A new command is a method here and a row in `table`. Commands run on the event loop; what blocks goes to a thread.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Iterable, Mapping
from itertools import islice
from typing import TypeGuard

from aggregator import __version__
from aggregator.control import Command, Refused, Request
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.keeper import Keeper
from aggregator.replay import WRITTEN_WITHIN, NotStored, Replayed

AT_ONCE = 16  # messages replayed before other work gets its turn
LONGEST_NAME = 64  # characters of who asks
TOLD = tuple(name for name in FIGURE_NAMES if name.startswith(("uptime", "meters_", "uplinks_", "last_")))


class Commands:
    """The commands of one service.

    `note` puts notes on record and `keep` all that the site has brought about; `broker_trouble` tells why the broker
    could not be heard last.
    """

    def __init__(
        self,
        site: Site,
        keeper: Keeper,
        now: Callable[[], Now],
        note: Callable[[Iterable[Note]], object],
        keep: Callable[[], object],
        broker_trouble: Callable[[], str | None],
    ) -> None:
        self._site = site
        self._keeper = keeper
        self._now = now
        self._note = note
        self._keep = keep
        self._broker_trouble = broker_trouble
        self._replaying = asyncio.Lock()

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {"status": self.status, "test": self.test, "total": self.total, "replay aside": self.replay_aside}

    async def status(self, _request: Request) -> Mapping[str, object]:
        """What the service says of itself, by the names of the gateway's figures where they have one. Times in s."""
        figures, store, now = self._site.figures, self._keeper.store, self._now()
        return {
            "site": self._site.declared.name,
            "version": __version__,
            "map_fingerprint": f"{figures.fingerprint:08x}",
            "broker_connected": figures.broker_connected,
            "broker_trouble": None if figures.broker_connected else self._broker_trouble(),
            "clock_trusted": figures.clock_trusted,
            **{name: figures.figure(name, now) for name in TOLD},
            "refused": {str(reason): count for reason, count in figures.counts.rejected.items()},
            "store_problem": store.problem,
            "store_waiting": store.waiting,
            "store_committed": store.committed,
            "store_dropped": store.dropped,
            "store_bytes_written": store.bytes_written,
        }

    async def test(self, request: Request) -> Mapping[str, object]:
        """Take a meter into test or out of it."""
        tag, on = self._tag(request), request.get("on")
        if not isinstance(on, bool):
            raise Refused("`on` is true or false.")
        self._site.hold_in_test(tag, on=on, who=_who(request), now=self._now())
        self._keep()
        return {"tag": tag, "under_test": on}

    async def total(self, request: Request) -> Mapping[str, object]:
        """Set a field's running total, as when a meter is exchanged."""
        tag, field = self._tag(request), request.get("field")
        so_far, counter = request.get("total"), request.get("counter")
        if not is_amount(so_far) or not (counter is None or is_amount(counter)):
            raise Refused("`total` and `counter` are numbers, in the field's unit and not below 0.")
        name = field if isinstance(field, str) else ""
        if not self._site.set_total(tag, name, so_far, counter, who=_who(request), now=self._now()):
            raise Refused(f"{tag} has no field `{name}` with a running total.")
        self._keep()
        return {"tag": tag, "field": name, "total": so_far}

    async def replay_aside(self, _request: Request) -> Mapping[str, object]:
        """Take what was set aside once more, oldest first, and forget what was taken as soon as that is safe."""
        async with self._replaying:
            replayed = Replayed()
            rows = self._keeper.store.aside()
            try:
                while some := await asyncio.to_thread(lambda: list(islice(rows, AT_ONCE))):
                    self._keeper.put(self._site.take_kept())
                    # Not by way of the keeper: that calls what it is given early where the disk takes nothing.
                    self._note(replayed.take(self._site, some, self._now(), self._keeper.store.put))
                await self._written()
            finally:
                self._keeper.store.forget_aside(replayed.safe)
            await self._written()  # or the next one asked for would read them once more
        return replayed.as_answer()

    def _tag(self, request: Request) -> str:
        tag = request.get("tag")
        if not isinstance(tag, str) or tag not in self._site.states:
            raise Refused(f"this site has no meter {tag}.")
        return tag

    async def _written(self) -> None:
        """Wait until all that was put is on disk. Raises NotStored."""
        written = asyncio.Event()
        self._keeper.store.put((), written.set)
        try:
            async with asyncio.timeout(WRITTEN_WITHIN):
                await written.wait()
        except TimeoutError as error:
            problem = self._keeper.problem or "the disk is too slow"
            raise NotStored(f"{problem}. What was replayed stays set aside as well.") from error


def is_amount(value: object) -> TypeGuard[float]:
    """Whether something is a number that a total can be."""
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < math.inf


def _who(request: Request) -> str:
    who = request.get("who")
    if not isinstance(who, str) or not who.strip() or len(who) > LONGEST_NAME or not who.isprintable():
        raise Refused(f"`who` is the name of whoever asks, up to {LONGEST_NAME} characters.")
    return who
