"""The servers that polls are measured against, each run as a process: `python -m tests.bench.servers KIND FOLDER`.

All run on the same kind of event loop, hold the same registers and print their port once they listen:

    ours      the register server around a site loaded from the folder, every meter of which has been seen
    library   the server of the Modbus library, with a copy of those registers
    echo      no registers at all: every 12 bytes are answered with 259, of which only the transaction is looked at
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from typing import cast

import uvloop
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from aggregator.clock import Clock
from aggregator.config import load
from aggregator.core.modbus import Tables
from aggregator.core.site import Site
from aggregator.modbus_server import ClientLimits, ModbusServer
from tests.bench.load import ANSWER_HEAD, ANSWER_SIZE, REQUEST_SIZE
from tests.bench.processes import LOOPBACK, free_port
from tests.bench.sites import EVERY, FIRST, topic, uplink

UNIT = 1
MOST = 125


def seen_site(folder: Path, clock: Clock) -> Site:
    """A site whose every meter has sent one uplink, meter m with the volume m."""
    site = Site(load(folder).declared, clock.now())
    for meter in range(len(site.states)):
        if list(site.receive(topic(meter), uplink(meter, 1, volume=meter), retained=False, now=clock.now())):
            raise SystemExit(f"the site did not take the uplink of meter {meter}")
    return site


async def ours(folder: Path) -> None:
    clock = Clock()
    server = ModbusServer(seen_site(folder, clock).units(), clock.now, ClientLimits(clients=256))
    await server.start(LOOPBACK, 0)
    print(server.port, flush=True)
    await asyncio.Event().wait()


async def library(folder: Path) -> None:
    clock = Clock()
    site = seen_site(folder, clock)
    image = cast("Tables", site.units()[UNIT])
    size = FIRST + EVERY * len(site.states)
    blank = b"".join(
        image.read_input_registers(at, 1, clock.now()) if at < 40 or at >= FIRST else b"\0\0" for at in range(size)
    )
    registers = [int.from_bytes(blank[at : at + 2], "big") for at in range(0, len(blank), 2)]
    bits = [SimData(0, values=False, count=8, datatype=DataType.BITS)]
    holding = [SimData(0, values=[0], datatype=DataType.REGISTERS)]
    inputs = [SimData(0, values=list(registers), datatype=DataType.REGISTERS)]
    port = free_port()
    server = ModbusTcpServer(SimDevice(UNIT, simdata=(bits, bits, holding, inputs)), address=(LOOPBACK, port))
    await server.listen()
    print(port, flush=True)
    await asyncio.Event().wait()


class Echo(asyncio.Protocol):
    """Answers of the right size with as little work as the loop allows."""

    REST = ANSWER_HEAD + bytes(ANSWER_SIZE - 2 - len(ANSWER_HEAD))

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def data_received(self, data: bytes) -> None:
        if len(data) == REQUEST_SIZE:
            self._transport.write(data[:2] + self.REST)
        else:
            starts = range(0, len(data), REQUEST_SIZE)
            self._transport.write(b"".join([data[at : at + 2] + self.REST for at in starts]))


async def echo(_folder: Path) -> None:
    server = await asyncio.get_running_loop().create_server(Echo, LOOPBACK, 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await asyncio.Event().wait()


KINDS = {"ours": ours, "library": library, "echo": echo}

if __name__ == "__main__":
    uvloop.run(KINDS[sys.argv[1]](Path(sys.argv[2])))
