"""Modbus TCP: bytes in, bytes out. What they mean is decided in core/modbus.py and core/functions.py.

One connection is one conversation. Nothing a client sends can disturb another: a header that cannot be right closes
that connection alone, a client that does not read is not read from, one that sends thousands of requests at once gets
them answered turn by turn, and a full house costs the longest idle guest.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, cast

import structlog

from aggregator.core.access import Access, Party, Right
from aggregator.core.account import Account, Accounts
from aggregator.core.certificate import UNREADABLE, Certificate, CertificateProblem
from aggregator.core.errors import why_no_port
from aggregator.core.functions import READ_INPUT_REGISTERS, Tables
from aggregator.core.modbus import MBAP, POLL_SIZE, Conversation, HeaderError
from aggregator.core.pace import Pace
from aggregator.core.reading import Now
from aggregator.core.refusals import Refused
from aggregator.core.repeats import Repeats
from aggregator.modbus_server.errors import CannotListen
from aggregator.modbus_server.handshake import Arrivals, Handshake
from aggregator.modbus_server.tls import ListenerTls

BACKLOG = 128
HALF_A_REQUEST = 10.0  # s that a client may take to finish a request it has begun
LOOK_EVERY = 1.0  # s between looks for idle clients
A_TURN = 4096  # bytes of one client's requests that are answered before the others get their turn: a few milliseconds
SHORTEST_WAIT = 0.1  # s that a client over its pace waits at a time, and how much it is answered in between
MOST_PACES = 1000  # hosts whose pace is remembered
SETTING = "`tcp:` under `listeners:` in site.yaml, or `--port` of the demo"
OWN_ADDRESS = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # noqa: S104 - where this machine reaches a listener on every network

log = structlog.get_logger("modbus")


@dataclass(frozen=True, slots=True)
class ClientLimits:
    """How many connections at once, and of one host; after how many seconds of silence one is closed.

    `rate` is how many requests a second one host gets answered, None where it does not matter.
    """

    clients: int = 64
    idle: float = 600.0
    per_host: int = 16
    rate: float | None = None


class Client(asyncio.Protocol):
    """One connection of plant software."""

    def __init__(self, server: ModbusServer) -> None:
        self._server = server
        self._now = server.now
        self._time = server.time
        self._transport: asyncio.Transport
        self.account: Account | None = None  # none for this program's own poll, and where it may not connect
        self._again: Callable[[bytes, float], bytes]
        self._receive: Callable[[bytes, Now], bytes]
        self.conversation: Conversation
        self.host = "?"  # its address, set when the connection stands
        self.who = "?"  # the same, after what its certificate says where it has one
        self.name = "?"  # the same with its port
        self.certificate: Certificate | None = None  # over TLS
        self.is_own = False  # this program polls itself: no plant software
        self.last_heard = 0.0  # the server's time
        self._later = b""  # requests that wait for this client's next turn; nothing more is read meanwhile
        self._reads_answers = True
        self._waits = False  # for its pace
        self._begun = (-1, 0.0)  # requests answered, and the time, when a request was first seen unfinished

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        peer = transport.get_extra_info("peername") or ("?", 0)
        self.host = peer[0]
        self.is_own = self._server.is_own(transport)
        self.certificate = certificate_shown_on(transport)
        self.who = f"{self.certificate.shown} at {self.host}" if self.certificate else self.host
        self.name = f"{self.who}:{peer[1]}"
        party = self._server.party_of(self)
        if party is None:
            self._server.refuse(Refused.NETWORK, self)
            self.close("its network may not connect", "warning")
            return
        connection = transport.get_extra_info("socket")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        self.account = self._server.account_of(self)
        self.conversation = Conversation(self._server.units, party, self.account)
        self._again, self._receive = self.conversation.again, self.conversation.receive
        self.last_heard = self._server.time()
        self._server.admit(self)
        if not party.may:
            self._server.refuse(Refused.ROLE, self, "its role is given no right here")

    def data_received(self, data: bytes) -> None:
        now = self.last_heard = self._time()
        if answer := self._again(data, now):  # nearly all that plant software ever asks
            self._transport.write(answer)
            return
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
            self._server.refuse(Refused.HEADER, self, str(error))
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
        if self._transport.is_closing() or not self._reads_answers or self._waits:
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
        if not self.conversation.waits_for_more or self._later or self._waits or not self._reads_answers:
            self._begun = (-1, time)
        elif self._begun[0] != answered:
            self._begun = (answered, time)
        return time - self._begun[1]

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002 - the protocol's signature
        self._server.dismiss(self)

    def close(self, reason: str, level: str = "info") -> None:
        """End the connection, saying why in the log."""
        self._server.tell(self, level, reason)
        self._transport.abort()


class PacedClient(Client):
    """One connection of a host that has so many requests a second answered, and waits for the others."""

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._pace = self._server.pace_of(transport)
        self._turn = min(A_TURN, max(POLL_SIZE, int(POLL_SIZE * self._pace.rate * SHORTEST_WAIT)))
        super().connection_made(transport)

    def data_received(self, data: bytes) -> None:
        self.last_heard = self._time()
        self._transport.pause_reading()
        self._later = data
        self._next_turn()

    def _next_turn(self) -> None:
        part, self._later = self._later[: self._turn], self._later[self._turn :]
        before = self.conversation.requests
        self._answer(part)
        wait = self._pace.wait_after(self.conversation.requests - before, self._server.seconds())
        if wait:
            self._waits = True
            self._server.refuse(Refused.PACE, self)
            self._server.later(wait, self._waited)
        else:
            self._go_on()

    def _waited(self) -> None:
        self._waits = False
        self._go_on()


def certificate_shown_on(transport: asyncio.BaseTransport) -> Certificate | None:
    """The certificate of the other end of a TLS connection. Its chain has been verified by then."""
    connection = transport.get_extra_info("ssl_object")
    if connection is None:
        return None
    try:
        return Certificate.of(connection.getpeercert(binary_form=True))
    except CertificateProblem:
        return Certificate("somebody", UNREADABLE, 0.0)


class TellsTime(Protocol):
    """What tells the present: all of it or, for a repeated poll, only the part that never jumps."""

    speed: float
    """How many of its seconds pass in one."""
    monotonic: Callable[[], float]
    """The monotonic seconds of `now` alone, in a third of the time."""

    def now(self) -> Now:
        """The present moment."""


class ModbusServer:
    """A listener and its clients. `units` has 256 places: the tables behind each unit id, None where there is none.

    `access` says who may connect, and what for; over TLS a client's role has to give it too. `accounts` keep what each
    client asks.
    """

    def __init__(
        self,
        units: Sequence[Tables | None],
        clock: TellsTime,
        limits: ClientLimits,
        access: Access,
        accounts: Accounts,
        on_write: Callable[[], None] = lambda: None,
        tls: ListenerTls | None = None,
    ) -> None:
        self.units = units
        self.on_write = on_write  # called after a client has written, before it has its answer
        self.now = clock.now
        self.time = clock.monotonic  # s, which pass `speed` times as fast as those of the clients
        self.speed = clock.speed
        self.limits = limits
        self.access = access
        self.accounts = accounts
        self.tls = tls
        self.arrivals = Arrivals(
            limits.clients,
            limits.per_host,
            lambda host: access.rights_of(host) is not None,
            self.is_own,
            self._new_client,
            self._turn_away,
        )
        self.own: tuple[str, int] | None = None  # where this program's own poll comes from; it takes nobody's place
        loop = asyncio.get_running_loop()
        self.later: Callable[[float, Callable[[], None]], object] = loop.call_later
        self.soon: Callable[[Callable[[], None]], object] = loop.call_soon
        self.clients: dict[Client, None] = {}
        self.port = 0  # the port in use, once it listens
        self.name = "?"  # its address and that port
        self._told: Repeats[None] = Repeats()
        self._paces: dict[str, Pace] = {}
        self._server: asyncio.Server
        self._sweeper: asyncio.Task[None]

    def seconds(self) -> float:
        """Seconds as they pass for the clients."""
        return self.time() / self.speed

    async def start(self, host: str, port: int) -> None:
        """Begin to listen. Port 0 takes a free one. Raises CannotListen."""
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(self._protocol, host, port, backlog=BACKLOG)
        except OSError as error:
            raise CannotListen(
                why_no_port(f"cannot listen on {host}:{port}", error, SETTING, unprivileged=5020)
            ) from error
        self.port = self._server.sockets[0].getsockname()[1]
        self.name = f"{host}:{self.port}"
        self._sweeper = asyncio.create_task(self._sweep(), name=f"modbus idle watch {self.port}")

    def _protocol(self) -> asyncio.Protocol:
        if self.tls is None:
            return self._new_client()
        return Handshake(self.arrivals, self.tls.context)

    def _new_client(self) -> Client:
        return Client(self) if self.limits.rate is None else PacedClient(self)

    async def answers_itself(self, within: float) -> bool:
        """Whether a read over TCP is answered within so many seconds, as plant software would see it.

        It goes without TLS, being known by its address.
        """
        request = MBAP.pack(1, 0, 6, 0) + struct.pack(">BHH", READ_INPUT_REGISTERS, 0, 1)
        try:
            async with asyncio.timeout(within):
                reader, writer = await self._connect_to_itself()
                writer.write(request)
                answer = await reader.readexactly(MBAP.size + 2)
                writer.close()
        except (OSError, TimeoutError, asyncio.IncompleteReadError) as error:
            log.warning("own poll not answered", reason=str(error) or type(error).__name__)
            return False
        finally:
            self.own = None  # from here on that port may be anybody's
        return answer[:2] == request[:2]

    async def _connect_to_itself(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        """A connection whose own address the server knows beforehand: whom it lets in is another matter."""
        listener = self._server.sockets[0]
        host = listener.getsockname()[0]
        host = OWN_ADDRESS.get(host, host)
        own = socket.socket(listener.family, socket.SOCK_STREAM)
        own.setblocking(False)
        try:
            own.bind((host, 0))
            self.own = own.getsockname()[:2]
            await asyncio.get_running_loop().sock_connect(own, (host, self.port))
        except BaseException:
            own.close()
            raise
        return await asyncio.open_connection(sock=own)

    async def stop(self) -> None:
        """Stop listening and end every connection."""
        self._sweeper.cancel()
        self._server.close()
        self.arrivals.close()
        for client in list(self.clients):
            client.close("the service stops")
        await self._server.wait_closed()

    def is_own(self, transport: asyncio.BaseTransport) -> bool:
        """Whether a connection is this program's own poll."""
        return (transport.get_extra_info("peername") or ())[:2] == self.own

    def party_of(self, client: Client) -> Party | None:
        """Who a new connection is and what it may do; None where it may not connect."""
        may = Right.READ if client.is_own else self.access.rights_of(client.host)
        if may is not None and self.tls is not None and client.certificate is not None:
            may &= self.tls.roles.rights_of(client.certificate.role)
        return None if may is None else Party(client.name, may)

    def account_of(self, client: Client) -> Account:
        """Where it is kept what a new connection asks."""
        if client.is_own:
            return Account(self.name, client.host, self.now(), self.accounts.refusals)
        return self.accounts.open(self.name, client.who, self.now())

    def pace_of(self, transport: asyncio.BaseTransport) -> Pace:
        """The pace of the host at the other end, which all of its connections share."""
        assert self.limits.rate is not None
        host = (transport.get_extra_info("peername") or ("?",))[0]
        if host not in self._paces and len(self._paces) >= MOST_PACES:
            self._paces.clear()
        return self._paces.setdefault(host, Pace(self.limits.rate))

    def refuse(self, refused: Refused, client: Client, reason: str = "") -> None:
        """Put on record what a client was refused."""
        self._refuse(refused, client.who, client.name, reason)

    def _turn_away(self, refused: Refused, host: str, name: str, reason: str) -> None:
        """Put on record who was not let in, and why."""
        self._refuse(refused, host, name, reason)
        self._tell(host, name, "warning", reason)

    def _refuse(self, refused: Refused, who: str, name: str, reason: str) -> None:
        facts = {"listener": self.name, "client": name, **({"reason": reason} if reason else {})}
        self.accounts.refusals.refuse(refused, who, facts, self.now())

    def admit(self, client: Client) -> None:
        """Take a new connection, for the longest idle one where the house is full or its host has enough.

        Those that have never asked anything go first: a crowd at the door drives out nobody who polls.
        """
        guests = [each for each in self.clients if not each.is_own]
        of_host = [each for each in guests if each.host == client.host]
        if not client.is_own and len(of_host) >= self.limits.per_host:
            self._make_room(of_host, f"more than {self.limits.per_host} connections of this host")
        elif not client.is_own and len(guests) >= self.limits.clients:
            self._make_room(guests, f"more than {self.limits.clients} clients")
        self.clients[client] = None
        log.debug("client connected", client=client.name)

    def _make_room(self, among: list[Client], reason: str) -> None:
        longest_idle = min(among, key=lambda each: (each.conversation.requests > 0, each.last_heard))
        self.refuse(Refused.CROWD, longest_idle, reason)
        longest_idle.close(f"{reason}; this one was idle longest")
        self.clients.pop(longest_idle, None)

    def dismiss(self, client: Client) -> None:
        """Forget a connection that has ended."""
        self.clients.pop(client, None)
        if client.account is not None and not client.is_own:
            self.accounts.close(client.account, self.now())
            client.account = None

    def tell(self, client: Client, level: str, reason: str) -> None:
        """Say in the log why a connection ends: for each host one line a minute, with how many were held back."""
        self._tell(client.host, client.name, level, reason)

    def _tell(self, host: str, name: str, level: str, reason: str) -> None:
        repeated = self._told.tell((host, level), None, self.seconds())
        if repeated is None:
            return
        write = log.warning if level == "warning" else log.info
        write("connection closed", client=name, reason=reason, **({"repeated": repeated} if repeated else {}))

    async def _sweep(self) -> None:
        while True:
            await asyncio.sleep(LOOK_EVERY)
            self.close_idle(self.time())

    def close_idle(self, time: float) -> None:
        """Close what has been silent for too long, or has left a request unfinished."""
        for client in list(self.clients):
            silent = (time - client.last_heard) / self.speed
            unfinished = client.unfinished_for(time) / self.speed
            if silent >= self.limits.idle:
                client.close(f"silent for {silent:.0f} s")
            elif unfinished >= HALF_A_REQUEST:
                self.refuse(Refused.UNFINISHED, client)
                client.close(f"a request stayed unfinished for {unfinished:.0f} s")
