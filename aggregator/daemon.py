"""The running service: the site in the middle, its listeners, its broker link and its ticks around it.

One task group holds everything that must live; if one of them ends, the service ends and says why. A broker that is
away is not such an end: the registers are served all the same, and say so.
"""

from __future__ import annotations

import asyncio
import gc
import os
import signal
import struct
from collections.abc import Callable, Iterable
from pathlib import Path

import structlog

from aggregator import __version__, systemd
from aggregator.clock import Clock
from aggregator.commands import Commands
from aggregator.config import Configuration
from aggregator.config.files import BrokerKeys, SecretKeys, StorageKeys
from aggregator.control import ControlServer
from aggregator.core.errors import AggregatorError
from aggregator.core.modbus import MBAP, READ_INPUT_REGISTERS
from aggregator.core.outbox import Note
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.keeper import Keeper
from aggregator.logs import Record
from aggregator.modbus_server import ClientLimits, ModbusServer
from aggregator.mqtt import Broker, BrokerLink, Secret, Tls
from aggregator.store import Limits

DAY = 86400.0
GARBAGE = 100_000  # new objects before the collector looks; a backlog of uplinks is many objects and none is garbage
STEP = 2.0  # s by which the wall clock must be off to have been set, rather than slewed
TICK = 1.0  # s between ticks at most, so that figures that follow the clock are never further behind
CAUTION = "Monitoring, not a safety function: it replaces no certified gas detection, local alarm or entry test."

log = structlog.get_logger("service")


class CannotStart(AggregatorError):
    """Something outside the site's files keeps the service from starting; the message says what to do."""


def broker_of(keys: BrokerKeys) -> Broker:
    """How to reach the broker, with its password fetched. Raises CannotStart."""
    return Broker(
        host=keys.host,
        port=keys.port,
        version=keys.version,
        client=keys.client,
        user=keys.user,
        password=_secret(keys.password) if keys.password else None,
        tls=Tls(keys.tls.ca, keys.tls.certificate, keys.tls.key) if keys.tls else None,
        keepalive=keys.keepalive,
        keeps=keys.keeps,
    )


def _secret(keys: SecretKeys) -> Secret:
    if keys.file:
        try:
            return Secret(Path(keys.file).read_text(encoding="utf-8").rstrip("\r\n"))
        except (OSError, UnicodeDecodeError) as error:
            raise CannotStart(f"the broker's password cannot be read from {keys.file}: {error}") from error
    value = os.environ.get(keys.environment or "")
    if value is None:
        raise CannotStart(
            f"the environment variable {keys.environment} is not set; it must hold the broker's password "
            "(`password:` in site.yaml)"
        )
    return Secret(value)


def data_folder(configuration: Configuration) -> Path:
    """Where the site's data stand: as declared, else where the service manager says, else in the site's folder."""
    declared = configuration.service.storage.folder
    given = os.environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return configuration.folder / declared if declared else Path(given) if given else configuration.folder / "data"


def limits_of(keys: StorageKeys) -> Limits:
    """How much the store may keep."""
    return Limits(
        keep_days=keys.keep / DAY,
        keep_journal_days=keys.keep_journal / DAY,
        most_bytes=keys.most,
        most_aside=keys.set_aside,
        hold_back=keys.hold_back or 0.0,
    )


def offset_of(now: Now) -> float:
    """How far the wall clock stands over the steady one, in seconds."""
    return now.utc - now.monotonic


class Service:
    """One site, served until it is told to stop."""

    def __init__(self, configuration: Configuration, broker: Broker, clock: Clock, data: Path) -> None:
        self.configuration = configuration
        self.clock = clock
        self.keeper = Keeper(data, limits_of(configuration.service.storage))
        self._wall_offset = offset_of(clock.now())  # changes when somebody sets the wall clock
        self._dated_since = clock.now().utc  # from when on this run has dated things by an untrusted clock
        self.site = Site(configuration.declared, clock.now())
        self.servers: list[ModbusServer] = []
        self._record = Record(log)
        self._stop = asyncio.Event()
        topics = [envelope.topic for envelope in configuration.declared.envelopes]
        self._link = BrokerLink(broker, topics, self._take, self._broker_state)
        commands = Commands(
            self.site, self.keeper, clock.now, self._put_on_record, self._keep, lambda: self._link.trouble
        )
        self._control = ControlServer(data, commands.table())

    def stop(self) -> None:
        """Ask the service to end; `run` returns once it has."""
        self._stop.set()

    async def run(self, started: Callable[[], None] | None = None) -> None:
        """Serve until `stop`. Calls `started` once every port is open. Raises AggregatorError where one cannot be."""
        try:
            remembered = await self.keeper.open()
            self.site.restore(remembered, self.clock.now(), await self.keeper.last_heard(remembered))
            self.site.set_stored(self.keeper.problem is None)
            await self._control.start()
            await self._open_listeners()
            gc.set_threshold(GARBAGE)
            gc.collect()
            gc.freeze()  # what stands now stays; the collector need not walk it again while clients wait
            self._announce()
            if started:
                started()
            async with asyncio.TaskGroup() as tasks:
                living = [
                    tasks.create_task(self._link.run(), name="broker link"),
                    tasks.create_task(self._tick(), name="ticks"),
                    tasks.create_task(self._watchdog(), name="watchdog"),
                ]
                await self._stop.wait()
                systemd.notify("STOPPING=1")
                await self.keeper.settle()  # else the broker would send again what has been taken
                for task in living:
                    task.cancel()
        finally:
            await self._control.stop()
            for server in self.servers:
                await server.stop()
            await self.keeper.close()
            log.info("stopped")

    def stop_on_signals(self) -> None:
        """End cleanly on SIGTERM and on Ctrl-C."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop)

    async def _open_listeners(self) -> None:
        for keys in self.configuration.service.listeners:
            # The watchdog polls the first listener. It has a seat of its own, so that it costs no client its place.
            own_seat = not self.servers and systemd.watchdog_interval() is not None
            server = ModbusServer(
                self.site.units(), self.clock.now, ClientLimits(keys.clients + own_seat, keys.idle), self._keep
            )
            await server.start(*keys.tcp)
            self.servers.append(server)
            log.info("listening", modbus_tcp=f"{keys.tcp[0]}:{server.port}")

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
            self._record.write(self.site.tick(now), now)
            self._keep()
            self._record.tell_held(now)
            self.keeper.tick(now, clock_trusted=self.site.figures.clock_trusted)
            self.site.set_stored(self.keeper.problem is None)
            until_next = (self.site.next_look() - self.clock.now().monotonic) / self.clock.speed
            await asyncio.sleep(min(TICK, max(0.01, until_next)))

    def _keep(self) -> None:
        """Put on record what ticks, Modbus clients and commands have brought about."""
        self._put_on_record(self.site.take_notes())
        self.keeper.put(self.site.take_kept())

    def _look_at_the_clock(self, now: Now) -> None:
        """Note when the wall clock was set. Ages do not move with it; what an untrusted one has dated does."""
        moved = offset_of(now) - self._wall_offset
        if abs(moved) >= STEP:
            log.warning("the clock was set", by=f"{moved:+.1f} s")
            if not self.site.figures.clock_trusted:
                self.keeper.clock_was_set(self._dated_since, moved)
            self._wall_offset += moved
            self._dated_since = now.utc
        self.site.set_clock_trusted(self.clock.is_trusted())

    async def _watchdog(self) -> None:
        """Signs of life for the service manager, each only after a poll of our own has been answered."""
        interval = systemd.watchdog_interval()
        if interval is None:
            return
        while True:
            if await self._answers_itself(interval / 4):
                systemd.notify("WATCHDOG=1")
            await asyncio.sleep(interval / 2)

    async def _answers_itself(self, within: float) -> bool:
        """Whether a read over TCP of the first listener is answered, as plant software would see it."""
        host = self.configuration.service.listeners[0].own_host
        request = MBAP.pack(1, 0, 6, 0) + struct.pack(">BHH", READ_INPUT_REGISTERS, 0, 1)
        try:
            async with asyncio.timeout(within):
                reader, writer = await asyncio.open_connection(host, self.servers[0].port)
                writer.write(request)
                answer = await reader.readexactly(MBAP.size + 2)
                writer.close()
        except (OSError, TimeoutError, asyncio.IncompleteReadError) as error:
            log.warning("own poll not answered", reason=str(error) or type(error).__name__)
            return False
        return answer[:2] == request[:2]
