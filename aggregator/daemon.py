"""The running service: the site in the middle, its listeners, its broker link and its ticks around it.

One task group holds everything that must live; if one of them ends, the service ends and says why. A broker that is
away is not such an end: the registers are served all the same, and say so.
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import structlog

from aggregator import __version__, collector, systemd
from aggregator.archive import Archive
from aggregator.certificates import Certificates
from aggregator.clock import Clock
from aggregator.commands import Commands
from aggregator.config.configuration import Configuration, load
from aggregator.control import ControlServer
from aggregator.core.account import Accounts
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.declared import broker_of, limits_of
from aggregator.freezing import LIFTED, Freezing
from aggregator.front import Front
from aggregator.keeper import Keeper
from aggregator.listening import Listener, Listening
from aggregator.logs import Record, recent_lines
from aggregator.modbus_server import CannotListen, ListenerTls
from aggregator.mqtt import Broker, BrokerLink, TlsProblem
from aggregator.photos import Photos
from aggregator.reloading import Reloading, Taken, problems_of
from aggregator.serial_port import SerialPort
from aggregator.web.offer import Offer
from aggregator.web.settings import CannotServe

STEP = 2.0  # s by which the wall clock must be off to have been set, rather than slewed
TICK = 1.0  # s between ticks at most, so that figures that follow the clock are never further behind
CAUTION = "Monitoring, not a safety function: it replaces no certified gas detection, local alarm or entry test."

log = structlog.get_logger("service")


def offset_of(now: Now) -> float:
    """How far the wall clock stands over the steady one, in seconds."""
    return now.utc - now.monotonic


class Service:
    """One site, served until it is told to stop."""

    def __init__(self, configuration: Configuration, broker: Broker, clock: Clock, data: Path) -> None:
        self.configuration = configuration
        self.clock = clock
        self.data = data
        self.keeper = Keeper(data, limits_of(configuration.service.storage))
        self.archive = Archive(self.keeper.path)
        self._dating = clock.now()  # since when this run has dated things, in the time of the wall clock as it now is
        self.site = Site(configuration.declared, clock.now())
        self.accounts = Accounts(self.site.refusals)
        self.listening = Listening(clock, self.accounts, self._keep, self._listeners_state)
        self._started_with = configuration.service  # of what waits for the next start
        self._use_certificates(Certificates.of(configuration.service))
        self._record = Record(log)
        self._freezing = Freezing()
        self._stop = asyncio.Event()
        self.reloading = Reloading(configuration.folder, self._take_files, self._refuse)
        self._link = self._link_to(broker, configuration)
        self._link_task: asyncio.Task[None]
        self._tasks: asyncio.TaskGroup
        self._photos = Photos(data, configuration.service.storage.most_photos)
        commands = Commands(
            lambda: self.site,
            self.keeper,
            clock.now,
            self._put_on_record,
            self._keep,
            lambda: self._link.trouble,
            self.accounts,
            lambda listener: self.listening.devices_at(listener, self.configuration.declared.devices),
            self.reloading.take,
            self._photos,
            self.archive,
            self._around,
            recent_lines,
            lambda: problems_of(self.configuration.folder),
            lambda: self.configuration.frozen,
        )
        table = commands.table()
        self._control = ControlServer(data, table)
        self.front = Front(
            Offer(lambda: self.site, clock.now, lambda name, request: table[name](request), self._keep, data)
        )

    def stop(self) -> None:
        """Ask the service to end; `run` returns once it has."""
        self._stop.set()

    async def run(self, started: Callable[[], None] | None = None) -> None:
        """Serve until `stop`. Calls `started` once every port is open. Raises AggregatorError where one cannot be."""
        try:
            remembered = await self.keeper.open()
            await asyncio.to_thread(self._photos.tidy)
            await self._date_after_what_is_stored()
            ages_known = not self.clock.goes_on
            self.site.restore(remembered, self._dating, await self.keeper.recent_frames(), ages_known=ages_known)
            self.site.recall_heard(await self.keeper.unknown_nodes())
            await self._recall_samples()
            self._freezing.recall(remembered)
            self._look_at_the_freeze()
            self._show_store()
            self._keep()
            await self._control.start()
            await self.listening.open(self.configuration.service.listeners, self.site)
            await self.front.open(self.configuration.service.web)
            collector.begin()
            self._announce()
            if started:
                started()
            async with asyncio.TaskGroup() as tasks:
                self._tasks = tasks
                self._link_task = tasks.create_task(self._link.run(), name="broker link")
                self.listening.live(tasks)
                self.front.live(tasks)
                self.reloading.begin()
                living = [
                    tasks.create_task(self._tick(), name="ticks"),
                    tasks.create_task(self._watchdog(), name="watchdog"),
                    tasks.create_task(self.reloading.follow(self._follows_files), name="files"),
                    tasks.create_task(self.reloading.on_signal(), name="SIGHUP"),
                ]
                await self._stop.wait()
                systemd.notify("STOPPING=1")
                self._keep()  # what has come about since the last tick
                await self.keeper.settle()  # else the broker would send again what has been taken
                for task in (*living, self._link_task, *self.listening.tasks, *self.front.tasks):
                    task.cancel()
        finally:
            await self._control.stop()
            await self.front.close()
            await self.listening.close()
            self.archive.close()
            await self.keeper.close()
            log.info("stopped")

    async def _date_after_what_is_stored(self) -> None:
        """See that nothing is dated before what is stored already, whatever the machine's clock says."""
        earliest = await self.keeper.earliest()
        behind = 0.0 if earliest is None else self.clock.go_on_from(earliest)
        self._dating = self.clock.now()
        self.site.set_clock_trusted(self.clock.is_trusted())
        if behind:
            self.site.report("clock behind what is stored", {"by": round(behind, 1)}, self._dating)

    async def _recall_samples(self) -> None:
        """Give computed fields the samples of their windows from before the restart."""
        for tag, fields, window in self.site.samples_wanted():
            now = self.clock.now()
            samples = await self.keeper.samples(tag, fields, now.utc - 2 * window)
            self.site.recall_samples(tag, samples, now)

    def stop_on_signals(self) -> None:
        """End cleanly on SIGTERM and on Ctrl-C."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop)
        loop.add_signal_handler(signal.SIGHUP, self.reloading.hung_up.set)

    # The site's files, taken anew

    def _refuse(self, problems: Sequence[str], who: str) -> None:
        """Put on record that the files were refused."""
        self.site.refuse_files(len(problems), who, self.clock.now())
        self._keep()

    async def _take_files(self, who: str) -> Taken:
        """Put the site as its files now are in the place of the running one."""
        before = self.site
        self.reload_certificates()
        new, site, certificates = await asyncio.to_thread(self._build)
        old, keys = self.configuration, new.service.listeners
        link = None
        if (new.service.broker, new.declared.envelopes) != (old.service.broker, old.declared.envelopes):
            link = self._link_to(broker_of(new.service.broker), new)
        opened = await self.listening.open_new(keys)
        # From here to the next await is one step: a poll sees the site before it or after it.
        site.take_over(self.site, who, self.clock.now())
        self.configuration, self.site = new, site
        self._look_at_the_freeze()
        self._use_certificates(certificates)
        over = self.listening.show(keys, opened, self.site)
        self._keep()
        if link is not None:
            self._link_task.cancel()
            self._link, self._link_task = link, self._tasks.create_task(link.run(), name="broker link")

        return Taken(before.let_go, lambda: self._settle(over), self._told_of_reload)

    def _look_at_the_freeze(self) -> None:
        """Say that nothing holds the map any more where the file that did is gone."""
        lifted, kept = self._freezing.take(self.configuration)
        if lifted:
            self.site.report(LIFTED, {"items": lifted}, self.clock.now())
        self.keeper.put(kept)

    def _told_of_reload(self) -> Mapping[str, object]:
        """What is answered to whoever asked for it."""
        return {
            "generation": self.site.figures.generation,
            "map_fingerprint": f"{self.site.figures.fingerprint:08x}",
            "waits_for_restart": self._waiting(),
            "data": str(self.data.resolve()),
            "listeners_away": self.listening.away,
            "pages_away": self.front.trouble,
        }

    async def _settle(self, over: Sequence[Listener]) -> None:
        """What remains to be done once the new site serves. Whatever goes wrong here, it does."""
        try:
            await self.listening.settle(over)
            await self.front.settle(self.configuration.service.web)
            await self._recall_samples()
        except Exception:
            log.exception("files taken, a defect of this program")

    def _follows_files(self) -> bool:
        return self.configuration.service.follow_files

    def _build(self) -> tuple[Configuration, Site, Certificates]:
        """The site as its files now are, on a thread beside the running one. Raises ConfigurationError."""
        new = load(self.configuration.folder)
        return new, Site(new.declared, self.clock.now(), self.site), Certificates.of(new.service)

    def _waiting(self) -> list[str]:
        """The keys of site.yaml that have changed since the start and hold from the next one on."""
        now = self.configuration.service
        return [name for name in ("storage", "log") if getattr(self._started_with, name) != getattr(now, name)]

    def _around(self) -> Mapping[str, object]:
        """What the service tells of itself beside its site."""
        return {
            "folder": str(self.configuration.folder.resolve()),
            "data": str(self.data.resolve()),
            "waits_for_restart": self._waiting(),
            "listeners_away": self.listening.away,
            "pages_away": self.front.trouble,
            "serial_lines": [_told_of(port) for port in self.listening.serial_ports],
            "certificates": list(self.certificates.told(self.clock.now())),
        }

    def _use_certificates(self, certificates: Certificates) -> None:
        """Go by these, and show when the first one ends."""
        self.certificates = certificates
        self.site.set_certificate_ends(certificates.first_ends)

    def reload_certificates(self) -> None:
        """Go by the certificate files as they now are, without ending a connection.

        What cannot be used is said, and the old certificate stays in use there.
        """
        lives: list[ListenerTls | BrokerLink] = [each.tls for each in self.listening.servers if each.tls]
        try:
            for each in (*lives, self._link):
                each.reload()
            self.front.reload_certificate()
        except (CannotListen, CannotServe, TlsProblem) as error:
            log.warning("certificates not renewed", reason=str(error))
            return
        self.certificates.read()
        self.site.set_certificate_ends(self.certificates.first_ends)
        if self.certificates.first_ends is not None:
            log.info("certificates read anew")

    def _link_to(self, broker: Broker, configuration: Configuration) -> BrokerLink:
        topics = [envelope.topic for envelope in configuration.declared.envelopes]
        return BrokerLink(broker, topics, self._take, self._broker_state)

    def _listeners_state(self) -> None:
        lines = sum(1 << at for at, port in enumerate(self.listening.serial_ports) if not port.is_open)
        self.site.set_listeners_away(lines, networks=bool(self.listening.away))

    def _announce(self) -> None:
        declared = self.configuration.declared
        log.info(
            "started",
            version=__version__,
            site=declared.name,
            meters=len(declared.meters),
            units=[device.unit_id for device in declared.devices],
            map_fingerprint=f"{self.site.figures.fingerprint:08x}",
        )
        log.warning(CAUTION)
        if not self.clock.is_trusted():
            log.warning("clock not trustworthy", reason="the kernel says that nothing keeps it right")
        systemd.notify("READY=1")

    # The broker's side

    def _take(self, topic: str, payload: bytes, retained: bool, acknowledge: Callable[[], object]) -> None:
        now = self.clock.now()
        notes = self.site.receive(topic, payload, retained=retained, now=now)
        self.keeper.put(self.site.take_kept(), acknowledge)
        if notes:
            self._record.write(notes, now)

    def _put_on_record(self, notes: Iterable[Note]) -> None:
        self._record.write(notes, self.clock.now())

    def _broker_state(self, connected: bool) -> None:
        self.site.set_broker_connected(connected)

    # The clock's side

    async def _tick(self) -> None:
        while True:
            now = self.clock.now()
            self._look_at_the_clock(now)
            self.accounts.look(now)
            for event, facts in self.certificates.due(now):
                self.site.report(event, facts, now)
            self.site.set_client_contested(self._link.broker.client, contested=self._link.is_contested, now=now)
            self._record.write(self.site.tick(now), now)
            self._show_store()
            self._keep()
            self._record.tell_held(now)
            self.keeper.tick(now, clock_trusted=self.site.figures.clock_trusted)
            until_next = (self.site.next_look() - self.clock.now().monotonic) / self.clock.speed
            await asyncio.sleep(min(TICK, max(0.01, until_next)))

    def _show_store(self) -> None:
        store = self.keeper.store
        for facts in self.keeper.newly_set_aside():
            self.site.history_set_aside(facts, self.clock.now())
        self.site.set_stored(self.keeper.problem is None)
        self.site.set_store_queue(store.waiting, store.dropped)

    def _keep(self) -> None:
        """Put on record what ticks, Modbus clients and commands have brought about."""
        self._put_on_record(self.site.take_notes())
        self.keeper.put(self.site.take_kept())

    def _look_at_the_clock(self, now: Now) -> None:
        """Note when the wall clock was set. Ages do not move with it; what an untrusted one has dated does."""
        was_trusted, trusted = self.site.figures.clock_trusted, self.clock.is_trusted()
        if trusted and self.clock.goes_on:
            self.clock.go_by_machine()
            now = self.clock.now()
        since, moved = self._dating, offset_of(now) - offset_of(self._dating)
        if abs(moved) < STEP:
            self.site.set_clock_trusted(trusted)
            return
        if not was_trusted:
            self._keep()  # what was dated before stands before the correction
            # What has come since the clock was set and before this look is dated right: it is beyond this bound.
            until = since.utc + now.monotonic - since.monotonic
            self.keeper.clock_was_set(since.utc, until, moved, trusted=trusted)
        self._dating = now if trusted else Now(since.monotonic, since.utc + moved)  # all of it may be moved once more
        self.site.set_clock_trusted(trusted)
        self.site.clock_was_set(moved, now)

    async def _watchdog(self) -> None:
        """Signs of life for the service manager, each only after a poll of our own has been answered.

        A site that is served along serial lines only cannot be polled from here: then that this runs has to do.
        """
        interval = systemd.watchdog_interval()
        if interval is None:
            return
        while True:
            if not self.listening.servers or await self.listening.servers[0].answers_itself(interval / 4):
                systemd.notify("WATCHDOG=1")
            await asyncio.sleep(interval / 2)


def _told_of(port: SerialPort) -> dict[str, object]:
    """How a serial line is, for whoever asks: `trouble` is None while it can be used."""
    server = port.server
    return {"port": str(port.settings), "trouble": port.trouble, "requests": server.requests, "errors": server.errors}
