"""The servers that polls are measured against, each a process: `python -m tests.bench.servers KIND FOLDER [PORT]`.

All run on the same kind of event loop, hold the same registers and print their port once they listen:

    ours      the register server around a site loaded from the folder, every meter of which has been seen; accounts are
              kept, and the right to read comes from the network that the client is in
    library   the server of the Modbus library, with a copy of those registers
    echo      no registers at all: every 12 bytes are answered with 259, of which only the transaction is looked at

With the path of a serial PORT the first two serve that instead, and print its path.
    ours-tls, echo-tls  the same over TLS, both ends showing certificates

`write_tables` writes those registers for the server in C on libmodbus, which is not of this module.
"""

from __future__ import annotations

import asyncio
import ipaddress
import ssl
import sys
from pathlib import Path
from typing import cast

import uvloop
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from aggregator import logs
from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.access import EVERYTHING, Access, Party, Right, Roles, Rule
from aggregator.core.account import Accounts
from aggregator.core.functions import Tables
from aggregator.core.serial_server import SerialServer
from aggregator.core.site import Site
from aggregator.modbus_server import ClientLimits, ListenerTls, ModbusServer, TlsFiles
from aggregator.serial_port import PortSettings, SerialPort
from tests.bench.load import ANSWER_SIZE, MARK_SIZE, REQUEST_SIZE, answer_head
from tests.bench.processes import LOOPBACK, free_port
from tests.bench.sites import EVERY, FIRST, GATEWAY_BLOCK, topic, uplink
from tests.certificates import Signer, utf8_string

UNIT = 1
ROLE = "viewer"
BAUD = 115200
MOST = 125
MOST_CLIENTS = 2200
NETWORKS = [
    Rule(ipaddress.ip_network(network), may)
    for network, may in (("127.0.0.0/8", Right.READ), ("10.20.0.0/24", EVERYTHING), ("10.20.1.17", Right.READ))
]


def seen_site(folder: Path, clock: Clock) -> Site:
    """A site whose every meter has sent one uplink, meter m with the volume m."""
    site = Site(load(folder).declared, clock.now())
    for meter in range(len(site.states)):
        if list(site.receive(topic(meter), uplink(meter, 1, volume=meter), retained=False, now=clock.now())):
            raise SystemExit(f"the site did not take the uplink of meter {meter}")
    return site


async def ours_on_a_line(folder: Path, path: str) -> None:
    clock = Clock()
    site, settings = seen_site(folder, clock), PortSettings(path, BAUD, "none", 2)
    account = Accounts(site.refusals).open(path, "line", clock.now())
    server = SerialServer(site.on_serial_line(), Party("line", Right.READ), account, settings.wire)
    port = SerialPort(settings, server, clock.now, lambda: print(path, flush=True))
    await port.run()


async def library_on_a_line(folder: Path, path: str) -> None:
    server = ModbusSerialServer(
        library_devices(folder), framer=FramerType.RTU, port=path, baudrate=BAUD, parity="N", stopbits=2
    )
    await server.listen()
    print(path, flush=True)
    await asyncio.Event().wait()


async def ours(folder: Path) -> None:
    await serve(folder, None)


async def ours_over_tls(folder: Path) -> None:
    await serve(folder, ListenerTls(files_of(folder), Roles({ROLE: Right.READ})))


def certificates(folder: Path) -> ssl.SSLContext:
    """Have certificates for the servers over TLS signed; what the clients show and trust."""
    signer = Signer(folder / "tls")
    signer.sign("listener", host=LOOPBACK)
    return signer.client(signer.sign("client", role=utf8_string(ROLE)))


def files_of(folder: Path) -> TlsFiles:
    made = folder / "tls"
    return TlsFiles(str(made / "listener.pem"), str(made / "listener.key"), str(made / "ca.pem"))


async def serve(folder: Path, tls: ListenerTls | None) -> None:
    clock = Clock()
    site, limits = seen_site(folder, clock), ClientLimits(MOST_CLIENTS, per_host=MOST_CLIENTS)
    access, accounts = Access(NETWORKS), Accounts(site.refusals)
    server = ModbusServer(site.units(), clock, limits, access, accounts, tls=tls)
    await server.start(LOOPBACK, 0)
    print(server.port, flush=True)
    await asyncio.Event().wait()


def input_registers(site: Site, clock: Clock) -> bytes:
    """Every input register of a device of the seen site."""
    image = cast("Tables", site.units()[UNIT])
    size = FIRST + EVERY * len(site.states)
    return b"".join(
        image.read_input_registers(at, 1, clock.now()) if at < GATEWAY_BLOCK or at >= FIRST else b"\0\0"
        for at in range(size)
    )


def write_tables(folder: Path) -> list[Path]:
    """The tables that the server on libmodbus holds, as its files: coils, discrete inputs, registers, readings."""
    clock = Clock()
    coils, bits, holding, inputs = (folder / name for name in ("coils", "bits", "holding", "inputs"))
    coils.write_bytes(bytes(8))
    bits.write_bytes(bytes(8))
    holding.write_bytes(bytes(2))
    inputs.write_bytes(input_registers(seen_site(folder, clock), clock))
    return [coils, bits, holding, inputs]


def units_of(site: Site) -> list[int]:
    """The unit ids that a site's devices answer to."""
    return [each for each, tables in enumerate(site.units()) if tables is not None]


def library_devices(folder: Path) -> list[SimDevice]:
    """The devices of the seen site, as the library's servers hold them."""
    clock = Clock()
    site = seen_site(folder, clock)
    held = input_registers(site, clock)
    registers = [int.from_bytes(held[at : at + 2], "big") for at in range(0, len(held), 2)]
    return [library_device(unit, registers) for unit in units_of(site)]


def library_device(unit: int, registers: list[int]) -> SimDevice:
    """A device that has input registers, and next to nothing in its other tables."""
    bits = [SimData(0, values=False, count=8, datatype=DataType.BITS)]
    holding = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
    inputs = [SimData(0, values=list(registers), datatype=DataType.REGISTERS)]
    return SimDevice(unit, simdata=(bits, bits, holding, inputs))


async def library(folder: Path) -> None:
    port = free_port()
    server = ModbusTcpServer(library_devices(folder), address=(LOOPBACK, port))
    await server.listen()
    print(port, flush=True)
    await asyncio.Event().wait()


class Echo(asyncio.Protocol):
    """Answers of the right size with as little work as the loop allows."""

    RESTS = tuple(answer_head(unit) + bytes(ANSWER_SIZE - MARK_SIZE) for unit in range(256))

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        if len(data) == REQUEST_SIZE:
            self._transport.write(data[:2] + self.RESTS[data[6]])
        else:
            starts = range(0, len(data), REQUEST_SIZE)
            self._transport.write(b"".join([data[at : at + 2] + self.RESTS[data[at + 6]] for at in starts]))


async def echo(_folder: Path) -> None:
    await echo_back(None)


async def echo_over_tls(folder: Path) -> None:
    await echo_back(files_of(folder).context())


async def echo_back(tls: ssl.SSLContext | None) -> None:
    server = await asyncio.get_running_loop().create_server(Echo, LOOPBACK, 0, ssl=tls)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.Event().wait()


KINDS = {"ours": ours, "library": library, "echo": echo, "ours-tls": ours_over_tls, "echo-tls": echo_over_tls}
ON_A_LINE = {"ours": ours_on_a_line, "library": library_on_a_line}

if __name__ == "__main__":
    logs.configure("warning", for_people=False)  # nobody reads on past the port, and a full pipe would hold the server
    kind, site_folder, *line = sys.argv[1:]
    uvloop.run(ON_A_LINE[kind](Path(site_folder), *line) if line else KINDS[kind](Path(site_folder)))
