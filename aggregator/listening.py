"""Where plant software connects: the listeners of site.yaml, opened, changed while the service runs, and closed.

A listener is known by its address or its port. One whose keys stay the same keeps its socket and its clients when the
site's files are taken anew: what is behind each unit id is exchanged between two requests. One whose rights or limits
have changed is closed and opened again, so that they hold for everybody. One that cannot be opened then is tried again
until it can: the site serves meanwhile, and says that it is away.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import structlog

from aggregator.clock import Clock
from aggregator.config.files import ListenerKeys, ListenerTlsKeys, SerialKeys
from aggregator.config.listeners import access_of, clash, roles_of
from aggregator.core.access import Party, rights_named
from aggregator.core.account import Accounts
from aggregator.core.address_map import Device
from aggregator.core.functions import Tables
from aggregator.core.serial_server import SerialServer
from aggregator.core.site import Site
from aggregator.core.units import ALL_UNITS, served_by, who_answers
from aggregator.modbus_server import CannotListen, ClientLimits, ListenerTls, ModbusServer, TlsFiles
from aggregator.serial_port import PortSettings, SerialPort

TRY_FIRST, TRY_AT_MOST = 0.5, 10.0  # s between attempts at a listener that cannot be opened

log = structlog.get_logger("service")


def settings_of(keys: SerialKeys) -> PortSettings:
    """How a serial port is opened."""
    return PortSettings(keys.port, keys.baud, keys.parity, keys.stop_bits_sent, keys.rs485)


def tls_of(keys: ListenerTlsKeys) -> ListenerTls:
    """What a listener shows and asks for. Raises UnusableTls."""
    return ListenerTls(TlsFiles(keys.certificate, keys.key, keys.client_ca), roles_of(keys))


@dataclass(slots=True)
class Listener:
    """A server with its places for 256 unit ids, None until it is open; or a serial port.

    `task` serves the serial port, or tries to open the server; `trouble` is why that cannot be.
    """

    keys: ListenerKeys
    server: ModbusServer | None = None
    units: list[Tables | None] | None = None
    port: SerialPort | None = None
    task: asyncio.Task[None] | None = None
    trouble: str = ""

    @property
    def name(self) -> str:
        """As accounts and messages have it: its address and the port in use, or the serial port's path."""
        if self.server is not None:
            return self.server.name
        if self.port is not None:
            return self.port.settings.path
        assert self.keys.tcp
        return "{}:{}".format(*self.keys.tcp)

    @property
    def is_away(self) -> bool:
        """Whether it is one of a network that is not open."""
        return self.server is None and self.port is None


class Listening:
    """All listeners of one service. `on_state` is called when one goes or comes."""

    def __init__(
        self, clock: Clock, accounts: Accounts, keep: Callable[[], None], on_state: Callable[[], None]
    ) -> None:
        self._clock = clock
        self._accounts = accounts
        self._keep = keep
        self._on_state = on_state
        self._site: Site
        self._listeners: list[Listener] = []
        self._tasks: asyncio.TaskGroup | None = None

    @property
    def servers(self) -> list[ModbusServer]:
        return [each.server for each in self._listeners if each.server is not None]

    @property
    def serial_ports(self) -> list[SerialPort]:
        return [each.port for each in self._listeners if each.port is not None]

    @property
    def away(self) -> list[dict[str, str]]:
        """The listeners of a network that are not open, each with the reason."""
        return [{"listener": each.name, "reason": each.trouble} for each in self._listeners if each.is_away]

    @property
    def tasks(self) -> list[asyncio.Task[None]]:
        return [each.task for each in self._listeners if each.task is not None]

    async def open(self, listeners: Sequence[ListenerKeys], site: Site) -> None:
        """Open every listener, in order. Raises CannotListen."""
        self._site = site
        for keys in listeners:
            self._listeners.append(await self._open(keys, site))

    def live(self, tasks: asyncio.TaskGroup) -> None:
        """Serve the serial lines; what ends them ends the group."""
        self._tasks = tasks
        for each in self._listeners:
            self._run(each)

    async def open_new(self, listeners: Sequence[ListenerKeys]) -> list[Listener]:
        """Open those that are not open yet, with nobody behind them. Raises CannotListen, and none is open then.

        Where one is wanted at a port that another of ours has until then, that has to be closed first.
        """
        for keys in listeners:
            if keys.tls:
                tls_of(keys.tls)  # one that is to be opened again could not be taken back
        here, opened = {_where(each.keys) for each in self._listeners}, []
        try:
            for keys in (each for each in listeners if _where(each) not in here):
                fresh = Listener(keys) if self._has_port_of(keys) else await self._open(keys, None)
                opened.append(fresh)
        except CannotListen:
            for each in opened:
                await self._close(each)
            raise
        return opened

    def _has_port_of(self, keys: ListenerKeys) -> bool:
        ours = (each.keys.tcp for each in self._listeners if each.server is not None)
        return any(keys.tcp and tcp and clash(keys.tcp, tcp) for tcp in ours)

    def show(self, listeners: Sequence[ListenerKeys], opened: Sequence[Listener], site: Site) -> list[Listener]:
        """Put a site behind the listeners, in one step. Returns those that have to be closed (`settle`)."""
        self._site = site
        here = {_where(each.keys): each for each in (*self._listeners, *opened)}
        self._listeners, over = [], []
        for keys in listeners:
            each = here.pop(_where(keys))
            if not _show(each, keys, site):
                over.append(each)
                each = self._unopened(keys)
            each.keys = keys
            self._listeners.append(each)
        return [*over, *here.values()]

    def _unopened(self, keys: ListenerKeys) -> Listener:
        return Listener(keys, port=self._serial_port(keys, keys.serial, self._site)) if keys.serial else Listener(keys)

    async def settle(self, over: Sequence[Listener]) -> None:
        """Close what is no longer declared, and open what is declared otherwise: at once, or as soon as it can be."""
        for each in over:
            await self._close(each)
        for each in self._listeners:
            if each.is_away and each.task is None:
                await self._try(each)
            self._run(each)
        self._on_state()

    async def _try(self, each: Listener) -> None:
        """Open a listener, or have it say why it cannot be."""
        try:
            opened = await self._open(each.keys, None)
        except CannotListen as error:
            if each.trouble != str(error):
                each.trouble = str(error)
                log.warning("listener away", listener=each.name, reason=each.trouble)
            return
        each.server, each.units, each.trouble = opened.server, opened.units, ""
        _show(each, each.keys, self._site)
        self._on_state()

    async def _keep_trying(self, each: Listener) -> None:
        wait = TRY_FIRST
        while each.is_away:
            await asyncio.sleep(wait)
            wait = min(2 * wait, TRY_AT_MOST)
            await self._try(each)

    async def close(self) -> None:
        """Close them all."""
        for each in self._listeners:
            await self._close(each)

    def devices_at(self, listener: str, devices: Sequence[Device]) -> list[Device | None]:
        """Which of the devices answers each unit id at a listener, told by its address or its port."""
        each = next((each for each in self._listeners if each.name == listener), None)
        if each is None:  # there was one until the site's files were taken anew
            return [None] * ALL_UNITS
        return who_answers(served_by(devices, each.keys.devices), {device.name: device for device in devices})

    async def _open(self, keys: ListenerKeys, site: Site | None) -> Listener:
        if keys.serial:
            return Listener(keys, port=self._serial_port(keys, keys.serial, site))
        assert keys.tcp
        limits = ClientLimits(keys.clients, keys.idle, keys.clients_per_host, keys.requests_per_second)
        tls = tls_of(keys.tls) if keys.tls else None
        units: list[Tables | None] = [None] * ALL_UNITS if site is None else site.units(keys.devices)
        server = ModbusServer(units, self._clock, limits, access_of(keys), self._accounts, self._keep, tls)
        await server.start(*keys.tcp)
        log.info("listening", **{"modbus_tls" if tls else "modbus_tcp": f"{keys.tcp[0]}:{server.port}"})
        return Listener(keys, server, units)

    def _serial_port(self, keys: ListenerKeys, line: SerialKeys, site: Site | None) -> SerialPort:
        """A serial line that is served as soon as its port can be opened. A port that is away stops nothing else."""
        settings = settings_of(line)
        units = {} if site is None else site.on_serial_line(keys.devices)
        party = Party(f"serial {settings.path}", rights_named(line.may))
        account = self._accounts.open(settings.path, party.name, self._clock.now())
        server = SerialServer(units, party, account, settings.wire, line.turnaround or 0.0)
        return SerialPort(settings, server, self._clock.now, self._on_state, self._keep)

    def _run(self, each: Listener) -> None:
        if self._tasks is None or each.task is not None:
            return
        if each.port is not None:
            each.task = self._tasks.create_task(each.port.run(), name=f"serial {each.name}")
        elif each.is_away:
            each.task = self._tasks.create_task(self._keep_trying(each), name=f"listener {each.name}")

    @staticmethod
    async def _close(each: Listener) -> None:
        if each.task is not None:
            each.task.cancel()
            await asyncio.wait([each.task])
        if each.server is not None:
            await each.server.stop()


def _where(keys: ListenerKeys) -> object:
    return keys.tcp or (keys.serial.port if keys.serial else None)


def _show(each: Listener, keys: ListenerKeys, site: Site) -> bool:
    """Put a site behind a listener whose keys are the same but for the devices; whether that could be done."""
    same = each.keys.model_copy(update={"devices": None}) == keys.model_copy(update={"devices": None})
    if not same or each.is_away:
        return same  # one that is away is given the site once it is open
    if each.units is not None:
        each.units[:] = site.units(keys.devices)
        return True
    return each.port is not None and each.port.server.show(site.on_serial_line(keys.devices))
