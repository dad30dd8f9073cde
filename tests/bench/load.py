"""The load: many connections to one register server, driven by one process, every answer checked.

request   | transaction u16 | 0 u16 | 6 u16 | unit u8 | 04 | start u16 | 125 u16 |                      12 bytes
answer    | transaction u16 | 0 u16 | 253 u16 | unit u8 | 04 | 250 | 250 bytes |                        259 bytes
"""

from __future__ import annotations

import asyncio
import ssl
import struct
import time
from dataclasses import dataclass
from functools import partial
from typing import cast

from tests.bench.processes import LOOPBACK, BenchError
from tests.bench.sites import FIRST

COUNT = 125
REQUEST_SIZE = 12
ANSWER_SIZE = 259
TRANSACTIONS = 4096  # different ones before they come round; far more than are ever in flight
MARK_SIZE = 9  # bytes of an answer before its registers
FINISH_WITHIN = 5.0  # s for the last answers once the load has ended


def answer_head(unit: int) -> bytes:
    """What follows the transaction in every answer of a unit."""
    return struct.pack(">HHBBB", 0, 253, unit, 4, 2 * COUNT)


class Script:
    """What is asked of a unit, by transaction, and how each answer must begin."""

    def __init__(self, unit: int) -> None:
        head = answer_head(unit)
        self.requests = [struct.pack(">HHHBBHH", each, 0, 6, unit, 4, FIRST, COUNT) for each in range(TRANSACTIONS)]
        self.marks = [request[:2] + head for request in self.requests]


@dataclass(frozen=True, slots=True)
class Served:
    """What came of a load: answers, seconds from first request to last answer, each answer's latency in ns."""

    answers: int
    seconds: float
    latencies: list[int]


class Client(asyncio.Protocol):
    """One connection that keeps a number of requests in flight until it is told to stop.

    It rests so many seconds after an answer before it asks again.
    """

    def __init__(self, script: Script, in_flight: int, rest: float) -> None:
        self._pause = rest
        self._requests, self._marks = script.requests, script.marks
        self.in_flight = in_flight
        self.latencies: list[int] = []
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self.going = True
        self._transport: asyncio.Transport
        self._rest = b""
        self._sent = 0  # requests sent
        self._heard = 0  # answers heard, always in the order of the requests
        self._times = [0] * TRANSACTIONS

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)

    def begin(self) -> None:
        self._send(self.in_flight)

    def _send(self, count: int) -> None:
        now = time.perf_counter_ns()
        if count == 1:
            at = self._sent % TRANSACTIONS
            self._times[at] = now
            self._transport.write(self._requests[at])
        else:
            places = [(self._sent + each) % TRANSACTIONS for each in range(count)]
            for at in places:
                self._times[at] = now
            self._transport.write(b"".join([self._requests[at] for at in places]))
        self._sent += count

    def data_received(self, data: bytes) -> None:
        if self._rest:
            data = self._rest + data
        now = time.perf_counter_ns()
        at, size = 0, len(data)
        while size - at >= ANSWER_SIZE:
            transaction = self._heard % TRANSACTIONS
            if data[at : at + MARK_SIZE] != self._marks[transaction]:
                self._fail(f"the answer to request {transaction} begins with {data[at : at + MARK_SIZE].hex()}")
                return
            self.latencies.append(now - self._times[transaction])
            self._heard += 1
            at += ANSWER_SIZE
        self._rest = data[at:]
        if self._heard > self._sent or (self._heard == self._sent and self._rest):
            self._fail("more bytes came than were asked for")
        elif self.going and at and not self._pause:
            self._send(at // ANSWER_SIZE)
        elif self.going and at:
            asyncio.get_running_loop().call_later(self._pause, self._ask_again, at // ANSWER_SIZE)
        else:
            self._end()

    def _ask_again(self, count: int) -> None:
        if self.going:
            self._send(count)

    def finish(self) -> None:
        """Ask nothing more; `ended` is set once the last answer has come."""
        self.going = False
        self._end()

    def _end(self) -> None:
        if not self.going and self._heard == self._sent and not self.ended.done():
            self.ended.set_result(None)

    def _fail(self, why: str) -> None:
        if not self.ended.done():
            self.ended.set_exception(BenchError(why))
        self._transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        if not self.ended.done():
            self.ended.set_exception(BenchError(f"the server closed the connection: {exc}"))

    def close(self) -> None:
        self._transport.close()


async def drive(
    port: int,
    clients: int,
    in_flight: int,
    seconds: float,
    tls: ssl.SSLContext | None = None,
    units: int = 1,
    rest: float = 0.0,
) -> Served:
    """Load a server for so long, over TLS if given, its units from 1 on each by some of the clients.

    A client rests for `rest` seconds after an answer before it asks again.

    Raises BenchError for a wrong, a lost or a superfluous answer.
    """
    loop = asyncio.get_running_loop()
    scripts, guests = [Script(1 + each) for each in range(units)], []
    for at in range(clients):
        script = scripts[at % units]
        _, guest = await loop.create_connection(partial(Client, script, in_flight, rest), LOOPBACK, port, ssl=tls)
        guests.append(guest)
    began = time.perf_counter()
    for guest in guests:
        guest.begin()
    await asyncio.sleep(seconds)
    for guest in guests:
        guest.finish()
    try:
        async with asyncio.timeout(FINISH_WITHIN):
            await asyncio.gather(*(guest.ended for guest in guests))
    except TimeoutError:
        raise BenchError(f"answers were still missing {FINISH_WITHIN:.0f} s after the last request") from None
    taken = time.perf_counter() - began
    for guest in guests:
        guest.close()
    latencies = [each for guest in guests for each in guest.latencies]
    return Served(len(latencies), taken, latencies)
