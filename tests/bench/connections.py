"""Memory of connections: what a server grows by with each of 1000 that have asked once and are then silent.

As many stand before these come, and fill what was free of the server's memory after its start.

What the kernel keeps of a connection is not in it: that is the same for every server.
"""

from __future__ import annotations

import asyncio
import contextlib
import resource
import ssl
import subprocess
from functools import partial
from pathlib import Path
from typing import cast

import uvloop

from tests.bench import report
from tests.bench.load import ANSWER_SIZE, Script
from tests.bench.processes import LOOPBACK, BenchError, free_port, line_of, python, resident_megabytes
from tests.bench.servers import certificates
from tests.bench.sites import write_site

METERS = 100
CONNECTIONS, FEW = 1000, 100
FILES = 4096  # open at once, here and in the servers
WITHIN = 10.0  # s for an answer, the handshake included
SHOWN = {
    "ours": "register server",
    "echo": "b: bare echo",
    "ours-tls": "register server, TLS",
    "echo-tls": "b: bare echo, TLS",
}


class Guest(asyncio.Protocol):
    """A connection that asks once and stays."""

    def __init__(self, script: Script) -> None:
        self._script = script
        self._answer = b""
        self.answered: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.Transport", transport)
        self.transport.write(self._script.requests[0])

    def data_received(self, data: bytes) -> None:
        self._answer += data
        if len(self._answer) == ANSWER_SIZE and self._answer.startswith(self._script.marks[0]):
            self.answered.set_result(None)

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.answered.done():
            self.answered.set_exception(BenchError(f"the server closed the connection: {exc}"))


def run(folder: Path, *, quick: bool) -> None:
    """Measure and print."""
    count = FEW if quick else CONNECTIONS
    allow_files()
    site = write_site(folder / "connections", METERS, modbus=free_port())
    tls = certificates(site.folder)
    grown = {}
    for kind in SHOWN:
        with python("tests.bench.servers", kind, site.folder, log=folder / f"connections-{kind}.log") as server:
            port = int(line_of(server, 20))
            grown[kind] = uvloop.run(growth(server, port, count, tls if kind.endswith("-tls") else None))
    rows = [[SHOWN[kind], f"{each:.1f}", f"{each / grown[baseline_of(kind)]:.2f}"] for kind, each in grown.items()]
    notes = (
        f"VmRSS of the server with {2 * count} silent connections less that with {count}, each; 1 kB is 1000 bytes",
    )
    report.table("Memory of connections", ("idle connections", "kB each", "to b"), rows, notes)


def baseline_of(kind: str) -> str:
    return "echo-tls" if kind.endswith("-tls") else "echo"


def allow_files() -> None:
    """Let this process, and those it starts, have as many files open as connections need (getrlimit(2))."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < FILES:
        if hard < FILES:
            raise BenchError(f"{FILES} open files are needed, {hard} are allowed: raise `ulimit -Hn`")
        resource.setrlimit(resource.RLIMIT_NOFILE, (FILES, hard))


async def growth(server: subprocess.Popen[str], port: int, count: int, tls: ssl.SSLContext | None) -> float:
    """By how many kB the server grows with each connection."""
    guests = await welcome(port, count, tls)
    before = resident_megabytes(server.pid)
    guests += await welcome(port, count, tls)
    after = resident_megabytes(server.pid)
    if any(guest.transport.is_closing() for guest in guests):
        raise BenchError("the server has not kept every connection")
    for guest in guests:
        guest.transport.abort()
    return (after - before) * 1000 / count


async def welcome(port: int, count: int, tls: ssl.SSLContext | None) -> list[Guest]:
    """So many connections, each answered once. One after another, as a server lets only so many in at a time."""
    loop, script, guests = asyncio.get_running_loop(), Script(1), []
    with contextlib.suppress(TimeoutError):
        for _ in range(count):
            async with asyncio.timeout(WITHIN):
                _, guest = await loop.create_connection(partial(Guest, script), LOOPBACK, port, ssl=tls)
                await guest.answered
            guests.append(guest)
    if len(guests) < count:
        raise BenchError(f"connection {len(guests) + 1} was not answered within {WITHIN:.0f} s")
    return guests
