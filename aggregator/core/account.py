"""What one host has asked of one listener: requests, the reads it repeats, the addresses it covers, what went wrong.

Plant software repeats a few reads for years. Each is known by the ten bytes that follow its transaction number, and
costs one look into a table, which also says how to answer it: keeping account makes no poll slower.

    | protocol 0 | length 6 | unit | function | start | count |
    |    u16     |   u16    |  u8  |    u8    |  u16  |  u16  |
"""

from __future__ import annotations

import math
import struct
from collections import Counter, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from aggregator.core.access import Look
from aggregator.core.errors import ExceptionCode
from aggregator.core.functions import (
    READ_COILS,
    READ_DISCRETE_INPUTS,
    READ_HOLDING_REGISTERS,
    READ_INPUT_REGISTERS,
    READ_WRITE_REGISTERS,
    WRITE_SINGLE_COIL,
    WRITE_SINGLE_REGISTER,
    WRITES,
    Tables,
)
from aggregator.core.reading import Now
from aggregator.core.refusals import Refusals, Refused

POLL: Final = struct.Struct(">HHBBHH")
KEY_SIZE: Final = POLL.size
HEAD: Final = struct.Struct(">HHBBB")  # of its answer, from the protocol to the byte count
TWO_WORDS: Final = struct.Struct(">HH")
MOST_POLLS: Final = 256  # different reads known at once; then they are put together and counted anew
MOST_ACCOUNTS: Final = 64
MOST_RUNS: Final = 32  # runs of addresses, a unit and function; then those next to each other become one
MOST_WRONG: Final = 16  # different requests that went wrong; the one that was sent longest ago goes
NEVER: Final = -math.inf
RATE_OVER: Final = 60.0  # s that the rate is taken over
RATE_STEP: Final = 10.0  # s between two marks of it
SINGLE: Final = (WRITE_SINGLE_COIL, WRITE_SINGLE_REGISTER)

Runs = list[tuple[int, int]]
"""Addresses as (start, end), the end not included, by start."""


class Poll:
    """One read that a client repeats, how often it was asked and when last (monotonic s).

    `answer` is its last one, from the protocol field on; it stands `until` the end of its second (monotonic) while
    `tables` still answer the unit and have as many `changes` behind them.
    """

    __slots__ = ("answer", "asked", "changes", "count", "function", "head", "last", "start", "tables", "unit", "until")

    def __init__(self, key: bytes) -> None:
        self.unit: int
        self.function: int
        self.start: int
        self.count: int
        _, _, self.unit, self.function, self.start, self.count = POLL.unpack(key)
        is_bits = self.function < READ_HOLDING_REGISTERS
        size = (self.count + 7) // 8 if is_bits else 2 * self.count
        self.head = HEAD.pack(0, 3 + size, self.unit, self.function, size)
        self.asked = 0
        self.last = NEVER
        self.answer = b""
        self.tables: Tables
        self.changes = 0
        self.until = NEVER

    def read(self, tables: Tables, now: Now) -> None:
        """Have the answer anew. Raises ModbusError where there is none any more."""
        if self.function == READ_INPUT_REGISTERS:
            data = tables.read_input_registers(self.start, self.count, now)
        elif self.function == READ_HOLDING_REGISTERS:
            data = tables.read_holding_registers(self.start, self.count, now)
        elif self.function == READ_DISCRETE_INPUTS:
            data = tables.read_discrete_inputs(self.start, self.count, now)
        else:
            data = tables.read_coils(self.start, self.count, now)
        self.answer = self.head + data
        self.tables, self.changes, self.until = tables, tables.changes, math.floor(now.monotonic) + 1.0


class Request(NamedTuple):
    """What a request asked for; `start` and `quantity` are None where its function has none, or it was too short."""

    unit: int
    function: int
    start: int | None
    quantity: int | None

    @classmethod
    def of(cls, unit: int, pdu: bytes) -> Request:
        """The request in a PDU."""
        if len(pdu) < 3 or pdu[0] not in (*range(READ_COILS, READ_INPUT_REGISTERS + 1), *WRITES):
            return cls(unit, pdu[0], None, None)
        start = int.from_bytes(pdu[1:3], "big")
        if pdu[0] in SINGLE or len(pdu) < 5:
            return cls(unit, pdu[0], start, 1)
        return cls(unit, pdu[0], start, int.from_bytes(pdu[3:5], "big"))


@dataclass(slots=True)
class Wrong:
    """A request that was answered with an exception: how often, and when last (UTC s)."""

    request: Request
    code: int
    times: int = 0
    last: float = 0.0


@dataclass(slots=True)
class Account:
    """One host at one listener. `since` and `last` are UTC seconds; `last` is right to the second of a look."""

    listener: str
    host: str
    since: Now
    refusals: Refusals
    polls: dict[bytes, Poll] = field(default_factory=dict)
    connections: int = 0  # now
    connected: int = 0  # ever
    exceptions: Counter[int] = field(default_factory=Counter)
    wrong: dict[tuple[Request, int], Wrong] = field(default_factory=dict)
    last: float = 0.0
    _before: tuple[Poll, ...] = ()  # those that were put together last
    _others: Counter[int] = field(default_factory=Counter)  # by unit, requests that stand in no poll
    _runs: dict[tuple[int, int], Runs] = field(default_factory=dict)
    _marks: deque[tuple[float, int]] = field(default_factory=deque)
    _seen: int = 0

    def __post_init__(self) -> None:
        """Begin where the first connection does."""
        self.last = self.since.utc
        self._marks.append((self.since.monotonic, 0))

    @property
    def requests(self) -> int:
        """All requests so far."""
        return self._others.total() + sum(poll.asked for poll in self.polls.values())

    @property
    def units(self) -> Counter[int]:
        """Requests by unit id."""
        units = Counter(self._others)
        for poll in self.polls.values():
            units[poll.unit] += poll.asked
        return units

    def note(self, unit: int, pdu: bytes, answer: bytes, who: str, now: Now) -> None:
        """Take a request that no poll has answered, with its answer."""
        if answer[0] & 0x80:
            self._others[unit] += 1
            self._note_wrong(Request.of(unit, pdu), answer[1], who, now)
        elif READ_COILS <= pdu[0] <= READ_INPUT_REGISTERS:
            self._note_read(unit, pdu[0], pdu, now)
        elif pdu[0] == READ_WRITE_REGISTERS:
            self._note_read(
                unit, READ_HOLDING_REGISTERS, pdu, now
            )  # what it reads, it reads as function 03 does [6.17]
        else:
            self._others[unit] += 1

    def _note_read(self, unit: int, function: int, pdu: bytes, now: Now) -> None:
        if len(self.polls) >= MOST_POLLS:
            self._put_together()
        key = POLL.pack(0, 6, unit, function, *TWO_WORDS.unpack_from(pdu, 1))
        poll = self.polls.setdefault(key, Poll(key))
        poll.asked += 1
        poll.last = now.monotonic

    def _note_wrong(self, request: Request, code: int, who: str, now: Now) -> None:
        self.exceptions[code] += 1
        key = (request, code)
        wrong = self.wrong.pop(key, None) or Wrong(request, code)
        wrong.times += 1
        wrong.last = now.utc
        if len(self.wrong) >= MOST_WRONG:
            del self.wrong[next(iter(self.wrong))]
        self.wrong[key] = wrong
        if request.function in WRITES:
            facts = {"client": who, **request._asdict(), "result": f"exception {ExceptionCode(code):02X}"}
            self.refusals.refuse(Refused.WRITE, self.host, facts, now)

    def look(self, now: Now) -> None:
        """Mark how far the count has come, for the rate and for when it was last heard. Call it each second or so."""
        requests = self.requests
        if requests != self._seen:
            self._seen, self.last = requests, now.utc
        if now.monotonic - self._marks[-1][0] >= RATE_STEP:
            self._marks.append((now.monotonic, requests))
        while len(self._marks) > 1 and now.monotonic - self._marks[1][0] >= RATE_OVER:
            self._marks.popleft()

    def rate(self, now: Now) -> float:
        """Requests a second over the last minute, or since the first connection."""
        since, before = self._marks[0]
        return (self.requests - before) / max(1.0, now.monotonic - since)

    def reads(self) -> Iterator[Poll]:
        """The reads that are known one by one: at least the last 256 different ones."""
        yield from self.polls.values()
        yield from self._before

    def runs(self) -> dict[tuple[int, int], Runs]:
        """The addresses read, as runs without a break, by unit and function."""
        return {key: merged(spans) for key, spans in self._spans().items()}

    def _put_together(self) -> None:
        """Make room among the polls: what they cover is kept as runs, how often each was asked is not."""
        self._runs = self.runs()
        self._before = tuple(self.polls.values())
        for poll in self.polls.values():
            self._others[poll.unit] += poll.asked
        self.polls.clear()

    def _spans(self) -> dict[tuple[int, int], Runs]:
        spans = {key: list(runs) for key, runs in self._runs.items()}
        for poll in self.polls.values():
            spans.setdefault((poll.unit, poll.function), []).append((poll.start, poll.start + poll.count))
        return spans


@dataclass(frozen=True, slots=True)
class Onlooker:
    """What the host of an account has read of some units. All of its connections are one onlooker."""

    account: Account
    units: Mapping[int, Tables] | Sequence[Tables | None]

    def looks(self) -> Iterator[Look]:
        """Every read that is known."""
        for poll in self.account.reads():
            yield Look(self.units[poll.unit], poll.function, poll.start, poll.count, poll.last)


def merged(spans: Iterable[tuple[int, int]]) -> Runs:
    """Runs that touch or overlap as one, and of too many those with the least between them."""
    runs: Runs = []
    for start, end in sorted(spans):
        if runs and start <= runs[-1][1]:
            runs[-1] = (runs[-1][0], max(runs[-1][1], end))
        else:
            runs.append((start, end))
    while len(runs) > MOST_RUNS:
        at = min(range(1, len(runs)), key=lambda at: runs[at][0] - runs[at - 1][1])
        runs[at - 1 : at + 1] = [(runs[at - 1][0], runs[at][1])]
    return runs


class Accounts:
    """The hosts of all listeners; of too many the one goes that has no connection and was heard longest ago."""

    def __init__(self, refusals: Refusals) -> None:
        self.refusals = refusals
        self._accounts: dict[tuple[str, str], Account] = {}

    def __iter__(self) -> Iterator[Account]:
        return iter(self._accounts.values())

    def open(self, listener: str, host: str, now: Now) -> Account:
        """The account that a new connection is for."""
        account = self._accounts.get((listener, host))
        if account is None:
            self._make_room(now)
            account = Account(listener, host, now, self.refusals)
            self._accounts[listener, host] = account
        account.connections += 1
        account.connected += 1
        account.last = now.utc
        return account

    def close(self, account: Account, now: Now) -> None:
        """A connection has ended."""
        account.look(now)
        account.connections -= 1

    def look(self, now: Now) -> None:
        """Have every account with a connection marked."""
        for account in self:
            if account.connections:
                account.look(now)

    def _make_room(self, now: Now) -> None:
        if len(self._accounts) < MOST_ACCOUNTS:
            return
        self.look(now)
        oldest = min(self, key=lambda each: (each.connections > 0, each.last))
        del self._accounts[oldest.listener, oldest.host]
