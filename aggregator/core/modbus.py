"""Modbus on the wire: frames, and one client's stream of them. What a request means is in functions.py.

    MODBUS/TCP      | transaction | protocol 0 | length n | unit | function | data        |    n counts unit to end
                    |     u16     |    u16     |   u16    |  u8  |    u8    | n - 2 bytes |    and is 2 to 254

Sources: MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3, MODBUS Application Protocol Specification
V1.1b3 (sections in brackets below).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from aggregator.core.access import Party
from aggregator.core.account import KEY_SIZE, Account, Onlooker, Poll
from aggregator.core.errors import AggregatorError, ExceptionCode, ModbusError
from aggregator.core.functions import (
    WRITES,
    Tables,
    exception,
    respond,
)
from aggregator.core.identity import LONGEST_PDU
from aggregator.core.reading import Now

MBAP: Final = struct.Struct(">HHHB")
POLL_SIZE: Final = 2 + KEY_SIZE  # a whole read request, with its transaction number
SHORTEST_LENGTH: Final = 2  # of the MBAP length field: unit and function
LONGEST_LENGTH: Final = LONGEST_PDU + 1


class Conversation:
    """One client's byte stream over TCP: requests in, answers out, in order, each exactly once.

    Bytes may come in any portions: several requests in one, or a request in several. `units` has 256 places, one a
    unit id: the tables that answer it, or None, which answers 0B (the unit behind this gateway does not respond).
    `account` is kept of what is asked; its polls, which have been answered before, are answered by the shortest way.
    """

    __slots__ = ("_polls", "_rest", "account", "requests", "units", "who", "wrote")

    def __init__(self, units: Sequence[Tables | None], who: Party, account: Account) -> None:
        self.units = units
        self.who = replace(who, witness=Onlooker(account, units))
        self.account = account
        self.requests = 0
        self.wrote = False  # whether a request asked to write; whoever acts on it puts it back
        self._polls = account.polls if who.reads else {}
        self._rest = b""

    @property
    def waits_for_more(self) -> bool:
        """Whether part of a request has come and the rest is still to come."""
        return bool(self._rest)

    def receive(self, data: bytes, now: Now) -> bytes:
        """The answers to all requests that `data` completes.

        Raises HeaderError where the stream cannot be a Modbus/TCP stream; the answers to the requests before that
        point travel in the error.
        """
        if self._rest:
            data, self._rest = self._rest + data, b""
        answers: list[bytes] = []
        at, size = 0, len(data)
        while size - at >= 7:
            poll = self._polls.get(data[at + 2 : at + POLL_SIZE])
            if poll is not None and (answer := self._poll(poll, now)):
                answers.append(data[at : at + 2] + answer)
                at += POLL_SIZE
                continue
            transaction, protocol, length, unit = MBAP.unpack_from(data, at)
            if protocol or not SHORTEST_LENGTH <= length <= LONGEST_LENGTH:
                raise HeaderError(protocol, length, b"".join(answers))
            end = at + 6 + length
            if end > size:
                break
            answer = self._answer(unit, data[at + 7 : end], now)
            answers.append(MBAP.pack(transaction, 0, len(answer) + 1, unit) + answer)
            at = end
        self._rest = data[at:]
        return answers[0] if len(answers) == 1 else b"".join(answers)

    def again(self, data: bytes, monotonic: float) -> bytes:
        """The answer to a read that was asked before and whose last answer still stands; empty to anything else.

        `data` is what has come, as for `receive`, which takes all that is not answered here. One call, for a poll costs
        little more than its way through the kernel.
        """
        poll = self._polls.get(data[2:])
        if poll is None or monotonic >= poll.until or self._rest:
            return b""
        tables = poll.tables
        if tables is not self.units[poll.unit] or tables.changes != poll.changes:
            return b""
        poll.asked += 1
        poll.last = monotonic
        self.requests += 1
        return data[:2] + poll.answer

    def _poll(self, poll: Poll, now: Now) -> bytes:
        """The answer to a read that is known to be sound, from its protocol field on; empty where it is no more."""
        tables = self.units[poll.unit]
        if tables is None:
            return b""
        moment = now.monotonic
        if moment >= poll.until or tables.changes != poll.changes or tables is not poll.tables:
            try:
                poll.read(tables, now)
            except ModbusError:
                return b""
        poll.asked += 1
        poll.last = moment
        self.requests += 1
        return poll.answer

    def _answer(self, unit: int, pdu: bytes, now: Now) -> bytes:
        """The answer to any request."""
        tables = self.units[unit]
        if tables is not None:
            self.wrote = self.wrote or pdu[0] in WRITES
            answer = respond(tables, pdu, self.who, now)
        else:
            answer = exception(pdu[0], ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
        self.requests += 1
        self.account.note(unit, pdu, answer, self.who.name, now)
        return answer


class HeaderError(AggregatorError):
    """An MBAP header that cannot be right: where the next request begins is lost, and with it the connection."""

    def __init__(self, protocol: int, length: int, answers: bytes) -> None:
        self.answers = answers
        what = f"protocol {protocol} where 0 is Modbus" if protocol else f"length {length} outside 2 to 254"
        super().__init__(f"the header has {what}")
