"""What the control socket can ask of the running service: a table of names and functions.

A new command is a method here and a row in `table`. Commands run on the event loop; what blocks goes to a thread.
"""

from __future__ import annotations

import asyncio
import heapq
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import TypeGuard

from aggregator import __version__
from aggregator.archive import Archive
from aggregator.commands.alarms import AlarmCommands
from aggregator.commands.asking import is_number, is_on, text_of, who_asks, why_of
from aggregator.commands.connecting import ConnectingCommands, DevicesAt
from aggregator.commands.history import HistoryCommands
from aggregator.commands.link_telling import LinkTelling
from aggregator.commands.links import LinkCommands
from aggregator.commands.mapping import MapCommands
from aggregator.commands.meters import MeterCommands
from aggregator.commands.running import OfTheRunningSite
from aggregator.commands.settings import SettingCommands
from aggregator.commands.upkeep import UpkeepCommands
from aggregator.control import Command, Refused, Request
from aggregator.core.account import Accounts
from aggregator.core.gateway import FIGURE_NAMES
from aggregator.core.outbox import Note
from aggregator.core.promise import Promise
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.snapshot import loss_told, substitute_told
from aggregator.core.substitution import index_of
from aggregator.keeper import Keeper
from aggregator.photos import Photos
from aggregator.replay import WRITTEN_WITHIN, Came, NotStored, Replayed, recorded, set_aside

AT_ONCE = 16  # messages replayed before other work gets its turn
LONGEST_FILE = 4096  # characters of a path (limits.h, PATH_MAX)
MOST_LOSSY = 100  # meters whose losses are told one by one, as below
MOST_SUBSTITUTED = 100  # substituted fields that are told one by one; an answer has its bounds
TOLD = tuple(name for name in FIGURE_NAMES if name.startswith(("uptime", "meters_", "uplinks_", "last_")))


class Commands(OfTheRunningSite):
    """The commands of one service.

    `note` puts notes on record and `keep` all that the site has brought about; `broker_trouble` tells why the broker
    could not be heard last, `devices_at` which devices a listener serves, `around` what the service tells of what is
    around its site: folders, listeners, serial lines, certificates. `log` gives the newest lines of the log,
    `check` what is wrong with the site's files, `frozen` what of the map plant software relies on.
    """

    def __init__(
        self,
        site: Callable[[], Site],
        keeper: Keeper,
        now: Callable[[], Now],
        note: Callable[[Iterable[Note]], object],
        keep: Callable[[], object],
        broker_trouble: Callable[[], str | None],
        accounts: Accounts,
        devices_at: DevicesAt,
        reload: Callable[[str], Awaitable[Mapping[str, object]]],
        photos: Photos,
        archive: Archive,
        around: Callable[[], Mapping[str, object]] = dict,
        log: Callable[[], Sequence[Mapping[str, object]]] = tuple,
        check: Callable[[], Sequence[str]] = tuple,
        frozen: Callable[[], Sequence[Promise]] = tuple,
    ) -> None:
        super().__init__(site, now)
        self._keeper = keeper
        self._note = note
        self._keep = keep
        self._broker_trouble = broker_trouble
        self._map = MapCommands(site, now, frozen)
        self._connecting = ConnectingCommands(site, now, accounts, devices_at, self._map.is_frozen)
        self._reload = reload
        self._around = around
        self._upkeep = UpkeepCommands(site, now, keeper, log, check)
        self._links = LinkCommands(site, now, keep, keeper, self._replay_in_turn, photos)
        self._archive = archive
        self._replaying = asyncio.Lock()

    def table(self) -> Mapping[str, Command]:
        """Every command by its name."""
        return {
            "status": self.status,
            "test": self.test,
            "total": self.total,
            "substitute": self.substitute,
            "withdraw": self.withdraw,
            "reload": self.reload,
            "replay aside": self.replay_aside,
            "replay file": self.replay_file,
            **AlarmCommands(self._site_now, self._now, self._keep).table(),
            **self._connecting.table(),
            **self._upkeep.table(),
            **self._links.table(),
            **self._map.table(),
            **HistoryCommands(self._site_now, self._now, self._archive).table(),
            **MeterCommands(self._site_now, self._now).table(),
            **LinkTelling(self._site_now, self._now).table(),
            **SettingCommands(self._site_now, self._now, self._keep).table(),
        }

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
            "clock_sets": figures.clock_sets,
            "generation": figures.generation,
            "files_refused": figures.files_refused,
            **{name: figures.figure(name, now) for name in TOLD},
            **substituted_fields(self._site, now),
            "losses": losses(self._site),
            "refused": {str(reason): count for reason, count in figures.counts.rejected.items()},
            **self._around(),
            "store_problem": store.problem,
            "store_waiting": store.waiting,
            "store_committed": store.committed,
            "store_dropped": store.dropped,
            "store_bytes_written": store.bytes_written,
        }

    async def reload(self, request: Request) -> Mapping[str, object]:
        """Take the site's files anew. Raises NotTaken where they are wrong; all goes on as it was then."""
        return await self._reload(who_asks(request))

    async def test(self, request: Request) -> Mapping[str, object]:
        """Take a meter into test or out of it; `why` may say what for."""
        tag, on = self._tag(request), is_on(request)
        why = why_of(request)
        self._site.hold_in_test(tag, on=on, who=who_asks(request), why=why, now=self._now())
        self._keep()
        return {"tag": tag, "under_test": on}

    async def total(self, request: Request) -> Mapping[str, object]:
        """Set a field's running total, as when a meter is exchanged."""
        tag, field = self._tag(request), request.get("field")
        so_far, counter = request.get("total"), request.get("counter")
        if not is_amount(so_far) or not (counter is None or is_amount(counter)):
            raise Refused("`total` and `counter` are numbers, in the field's unit and not below 0.")
        name = field if isinstance(field, str) else ""
        if not self._site.set_total(tag, name, so_far, counter, who=who_asks(request), now=self._now()):
            raise Refused(f"{tag} has no field `{name}` with a running total.")
        self._keep()
        return {"tag": tag, "field": name, "total": so_far}

    async def substitute(self, request: Request) -> Mapping[str, object]:
        """Show a value in place of a field's readings, in its unit: for `lasts` s, or `until` a time (UTC s)."""
        tag, field, value, unit = (
            self._tag(request),
            text_of(request, "field"),
            request.get("value"),
            request.get("unit"),
        )
        if not is_number(value):
            raise Refused("`value` is a number in the field's unit.")
        index = index_of(self._site.states[tag], field)
        own = self._site.states[tag].meter.profile.fields[index].unit
        if unit is not None and unit != own:
            raise Refused(
                f"{tag} {field} is in {own or 'a plain number'} in the running service; its files have changed."
            )
        lasts, now = self._lasts(request), self._now()
        why = why_of(request)
        self._site.substitute(tag, field, value, lasts=lasts, who=who_asks(request), why=why, now=now)
        self._keep()
        return {"tag": tag, "field": field, "value": value, "unit": own, "until": now.utc + lasts}

    async def withdraw(self, request: Request) -> Mapping[str, object]:
        """Show a field's readings again in place of a substituted value."""
        tag, field = self._tag(request), text_of(request, "field")
        self._site.withdraw(tag, field, who=who_asks(request), now=self._now())
        self._keep()
        return {"tag": tag, "field": field}

    def _lasts(self, request: Request) -> float:
        """How long (s) something is to hold. A date says that only where the gateway knows what time it is."""
        lasts, until = request.get("lasts"), request.get("until")
        if is_number(lasts) and until is None:
            return lasts
        if not is_number(until) or lasts is not None:
            raise Refused("say for how many seconds it holds as `lasts`, or until when (UTC s) as `until`.")
        if not self._site.figures.clock_trusted:
            raise Refused("the gateway's clock is not trustworthy. Say how long it holds instead, for instance 8 h.")
        return until - self._now().utc

    async def replay_aside(self, _request: Request) -> Mapping[str, object]:
        """Take what was set aside once more, oldest first, and forget what was taken as soon as that is safe."""
        async with self._replaying:
            return await self._replay(set_aside(self._keeper.store.aside()))

    async def replay_file(self, request: Request) -> Mapping[str, object]:
        """Take the messages of a recording on this machine, each as of when it came."""
        path = Path(text_of(request, "file", LONGEST_FILE))
        async with self._replaying:
            try:
                return await self._replay(recorded(path))
            except OSError as error:
                raise Refused(f"{path} cannot be read by the service: {error.strerror}.") from error

    async def _replay_in_turn(self, messages: Iterator[Came]) -> Mapping[str, object]:
        """Replay what is set aside by now, what still waits to be written too."""
        async with self._replaying:
            await self._written()
            return await self._replay(messages)

    async def _replay(self, messages: Iterator[Came]) -> Mapping[str, object]:
        replayed = Replayed()
        try:
            while some := await asyncio.to_thread(lambda: list(islice(messages, AT_ONCE))):
                self._keeper.put(self._site.take_kept())
                # Not by way of the keeper: that calls what it is given early where the disk takes nothing.
                self._note(replayed.take(self._site, some, self._now(), self._keeper.store.put))
            await self._written()
        finally:
            self._keeper.store.forget_aside(replayed.safe)
        await self._written()  # or the next one asked for would read them once more
        return replayed.as_answer()

    def _tag(self, request: Request) -> str:
        return self._state_of(request.get("tag")).meter.tag

    async def _written(self) -> None:
        """Wait until all that was put is on disk. Raises NotStored."""
        written = asyncio.Event()
        self._keeper.store.put((), written.set)
        try:
            async with asyncio.timeout(WRITTEN_WITHIN):
                await written.wait()
        except TimeoutError as error:
            problem = self._keeper.problem or "the disk is too slow"
            raise NotStored(f"{problem}. Replay once more when it is well; nothing is kept twice.") from error


def substituted_fields(site: Site, now: Now) -> Mapping[str, object]:
    """What is substituted, and by whom; how many there are, and the first so many of them. `until` is UTC s."""
    found = [(state, index) for state in site.states.values() for index in state.substitutes]
    told = [substitute_told(state, index, now) for state, index in found[:MOST_SUBSTITUTED]]
    return {"fields_substituted": len(found), "substituted": told}


def losses(site: Site) -> list[Mapping[str, object]]:
    """The meters whose uplinks get lost, worst first: percent over the last day, and how many since the start."""
    found = [{"tag": state.meter.tag, **loss_told(state)} for state in site.states.values()]
    lossy = (each for each in found if each["over_a_day"] or each["since_start"])
    return heapq.nlargest(MOST_LOSSY, lossy, key=lambda each: (each["over_a_day"] or 0.0, each["since_start"]))


def is_amount(value: object) -> TypeGuard[float]:
    """Whether something is a number that a total can be."""
    return is_number(value) and value >= 0
