"""Modbus TCP: bytes in, bytes out. What they mean is decided in core/modbus.py.

One connection is one conversation. Nothing a client sends can disturb another: a header that cannot be right closes
that connection alone, a client that does not read is not read from, one that sends thousands of requests at once gets
them answered turn by turn, and a full house costs the longest idle guest.
"""

from __future__ import annotations

import asyncio
import errno
import math
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import cast

import structlog

from aggregator.core.errors import AggregatorError
from aggregator.core.modbus import Conversation, HeaderError, Tables
from aggregator.core.reading import Now

BACKLOG = 128
HALF_A_REQUEST = 10.0  # s that a client may take to finish a request it has begun
LOOK_EVERY = 1.0  # s between looks for idle clients
A_TURN = 4096  # bytes of one client's requests that are answered before the others get their turn: a few milliseconds
QUIET_FOR = 60.0  # s between two lines about the connections of one host, so that a port scan floods no log
MOST_HOSTS = 1000  # hosts remembered for that

log = structlog.get_logger("modbus")


class CannotListen(AggregatorError):
    """The address cannot be listened on; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class ClientLimits:
    """How many clients at once, and after how many seconds of silence a connection is closed."""

    clients: int = 64
    idle: float = 600.0


class Client(asyncio.Protocol):
    """One connection of plant software."""

    def __init__(self, server: ModbusServer) -> None:
        self._server = server
        self._now = server.now
        self._time = server.time
        self._transport: asyncio.Transport
        self._receive: Callable[[bytes, Now], bytes]
        self.conversation: Conversation
        self.name = "?"  # address and port, set when the connection stands
        self.last_heard = 0.0  # loop time
        self._later = b""  # requests that wait for this client's next turn; nothing more is read meanwhile
        self._reads_answers = True
        self._begun = (-1, 0.0)  # requests answered, and the loop time, when a request was first seen unfinished

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        peer = transport.get_extra_info("peername") or ("?", 0)
        self.name = f"{peer[0]}:{peer[1]}"
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self.conversation = Conversation(self._server.units, self.name)
        self._receive = self.conversation.receive
        self.last_heard = self._server.time()
        self._server.admit(self)

    def data_received(self, data: bytes) -> None:
        self.last_heard = self._time()
        if len(data) <= A_TURN:
            self._answer(data)
            return
        self._transport.pause_reading()
        self._later = data
        self._next_turn()

    def _answer(self, data: bytes) -> None:
        try:
            answers = self._receive(data, self._now())
        except HeaderError as error:
            self._transport.write(error.answers)
            self._server.tell(self, "warning", str(error))
            self._transport.close()
            return
        except Exception:
            log.exception("request not answered, a defect of this program", client=self.name)
            self._transport.close()
            return
        if self.conversation.wrote:
            self.conversation.wrote = False
            self._server.on_write()
        if answers:
            self._transport.write(answers)

    def _next_turn(self) -> None:
        part, self._later = self._later[:A_TURN], self._later[A_TURN:]
        self._answer(part)
        self._go_on()

    def _go_on(self) -> None:
        if self._transport.is_closing() or not self._reads_answers:
            return
        if self._later:
            self._server.soon(self._next_turn)
        else:
            self._transport.resume_reading()

    def pause_writing(self) -> None:
        """It does not read its answers: do not read its requests."""
        self._reads_answers = False
        self._transport.pause_reading()

    def resume_writing(self) -> None:
        self._reads_answers = True
        self._go_on()

    def unfinished_for(self, time: float) -> float:
        """How long a request has been under way, in seconds, as far as this has been asked before; 0 where none is."""
        answered = self.conversation.requests
        if not self.conversation.waits_for_more or self._later or not self._reads_answers:
            self._begun = (-1, time)
        elif self._begun[0] != answered:
            self._begun = (answered, time)
        return time - self._begun[1]

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - the protocol's signature
        self._server.dismiss(self)

    def close(self, reason: str) -> None:
        """End the connection, saying why in the log."""
        self._server.tell(self, "info", reason)
        self._transport.abort()


class ModbusServer:
    """A listener and its clients. `units` has 256 places: the tables behind each unit id, None where there is none."""

    def __init__(
        self,
        units: Sequence[Tables | None],
        now: Callable[[], Now],
        limits: ClientLimits,
        on_write: Callable[[], None] = lambda: None,
    ) -> None:
        self.units = units
        self.on_write = on_write  # called after a client has written, before it has its answer
        self.now = now
        self.limits = limits
        loop = asyncio.get_running_loop()
        self.time: Callable[[], float] = loop.time
        self.soon: Callable[[Callable[[], None]], object] = loop.call_soon
        self.clients: dict[Client, None] = {}
        self.port = 0  # the port in use, once it listens
        self._told: dict[tuple[str, str], tuple[float, int]] = {}  # host and level -> (last line, held back since)
        self._server: asyncio.Server
        self._sweeper: asyncio.Task[None]

    async def start(self, host: str, port: int) -> None:
        """Begin to listen. Port 0 takes a free one. Raises CannotListen."""
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: Client(self), host, port, backlog=BACKLOG)
        except OSError as error:
            raise CannotListen(_why_not(host, port, error)) from error
        self.port = self._server.sockets[0].getsockname()[1]
        self._sweeper = asyncio.create_task(self._sweep(), name=f"modbus idle watch {self.port}")

    async def stop(self) -> None:
        """Stop listening and end every connection."""
        self._sweeper.cancel()
        self._server.close()
        for client in list(self.clients):
            client.close("the service stops")
        await self._server.wait_closed()

    def admit(self, client: Client) -> None:
        """Take a new connection, for the longest idle one where the house is full."""
        if len(self.clients) >= self.limits.clients:
            longest_idle = min(self.clients, key=lambda each: each.last_heard)
            longest_idle.close(f"more than {self.limits.clients} clients; this one was idle longest")
            self.clients.pop(longest_idle, None)
        self.clients[client] = None
        log.debug("client connected", client=client.name)

    def dismiss(self, client: Client) -> None:
        """Forget a connection that has ended."""
        self.clients.pop(client, None)

    def tell(self, client: Client, level: str, reason: str) -> None:
        """Say in the log why a connection ends: for each host one line a minute, with how many were held back."""
        source = (client.name.rpartition(":")[0], level)
        last, held = self._told.get(source, (-math.inf, 0))
        if self.time() - last < QUIET_FOR:
            self._told[source] = (last, held + 1)
            return
        if len(self._told) >= MOST_HOSTS:
            self._told.clear()
        self._told[source] = (self.time(), 0)
        write = log.warning if level == "warning" else log.info
        write("connection closed", client=client.name, reason=reason, **({"repeated": held} if held else {}))

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY)
            self.close_idle(self.time())

    def close_idle(self, time: float) -> None:
        """Close what has been silent for too long, or has left a request unfinished."""
        for client in list(self.clients):
            silent = time - client.last_heard
            unfinished = client.unfinished_for(time)
            if silent >= self.limits.idle:
                client.close(f"silent for {silent:.0f} s")
            elif unfinished >= HALF_A_REQUEST:
                client.close(f"a request stayed unfinished for {unfinished:.0f} s")


def _why_not(host: str, port: int, error: OSError) -> str:
    at = f"cannot listen on {host}:{port}"
    if error.errno == errno.EADDRINUSE:
        return (
            f"{at}: another program does. Stop it, or choose another port (`tcp:` in site.yaml, `--port` of the demo)."
        )
    if error.errno == errno.EACCES:
        return f"{at}: ports below 1024 need a right. deploy/README.md shows how the service gets it; or use 5020."
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{at}: this machine has no such address. Write 0.0.0.0 for all, or one that `ip address` lists."
    return f"{at}: {error.strerror or error}. Check `tcp:` under `listeners:` in site.yaml."
