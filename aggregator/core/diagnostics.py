"""What a server on a serial line counts and remembers of it, and the functions that ask for that.

    08  | sub-function u16 | data              |   diagnostics [6.8]
    0B  |                                          answer: | status u16 | events u16 |                          [6.9]
    0C  |                                          answer: | n | status u16 | events u16 | messages u16 | log |  [6.10]

An entry of the log, one byte, the newest first:

    1 . L B O . E .      received: L in listen-only mode, B broadcast, O character overrun, E communication error
    0 1 L . N b a r      sent: r exception 1-3, a exception 4, b exception 5-6, N exception 7 (or nothing, and no bit)
    0 0 0 0 0 1 0 0      listen-only mode entered
    0 0 0 0 0 0 0 0      communications restarted

These functions are served on serial lines only. Sources: MODBUS Application Protocol Specification V1.1b3 (sections in
brackets); what each counter takes in: MODBUS over Serial Line V1.02, appendix on the management of diagnostic counters,
from memory.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable
from enum import IntEnum, IntFlag
from typing import Final

from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.functions import READ_WRITE_REGISTERS, WRITES, exception

DIAGNOSTICS: Final = 8
GET_EVENT_COUNTER: Final = 11
GET_EVENT_LOG: Final = 12
SERIAL_ONLY: Final = (DIAGNOSTICS, GET_EVENT_COUNTER, GET_EVENT_LOG)
TOLD_TO_ALL: Final = frozenset(WRITES) - {READ_WRITE_REGISTERS}  # which asks as well
READY: Final = 0x0000  # of the two states [6.9] the one in which nothing is still being carried out
CLEARS_LOG: Final = 0xFF00
MOST_EVENTS: Final = 64
WRAP: Final = 0x10000
EXCEPTION: Final = 0x80


class Sub(IntEnum):
    """Sub-functions of function 08 that are served [6.8.1]."""

    RETURN_QUERY_DATA = 0x00
    RESTART = 0x01
    DIAGNOSTIC_REGISTER = 0x02
    FORCE_LISTEN_ONLY = 0x04
    CLEAR_COUNTERS = 0x0A
    BUS_MESSAGES = 0x0B
    BUS_ERRORS = 0x0C
    EXCEPTIONS = 0x0D
    SERVER_MESSAGES = 0x0E
    NO_RESPONSES = 0x0F
    NAKS = 0x10
    BUSY = 0x11
    OVERRUNS = 0x12
    CLEAR_OVERRUNS = 0x14


_SUBS: Final = {int(sub): sub for sub in Sub}
COUNTERS: Final = tuple(Sub(number) for number in range(Sub.BUS_MESSAGES, Sub.OVERRUNS + 1))


class Trouble(IntFlag):
    """Bits of the diagnostic register: what has happened since it was cleared."""

    NONE = 0
    COMMUNICATION_ERROR = 1
    OVERRUN = 2
    EXCEPTION_ANSWERED = 4
    PORT_REOPENED = 8


RECEIVED: Final = 0x80
RECEIVED_ERROR: Final = RECEIVED | 0x02
RECEIVED_OVERRUN: Final = RECEIVED | 0x10
RECEIVED_BROADCAST: Final = RECEIVED | 0x40
SENT: Final = 0x40
LISTENING: Final = 0x20  # on top of the ones above
ENTERED_LISTEN_ONLY: Final = 0x04
RESTARTED: Final = 0x00
_SENT_WITH: Final = {1: 0x01, 2: 0x01, 3: 0x01, 4: 0x02, 5: 0x04, 6: 0x04, 7: 0x08}  # exception code -> bit
_COUNTED_WITH: Final = {6: Sub.BUSY, 7: Sub.NAKS}


class Diagnostics:
    """One unit id on one serial line. `can_be_silenced`: whether a client may put it into listen-only mode."""

    def __init__(self, *, can_be_silenced: bool = True) -> None:
        self.can_be_silenced = can_be_silenced
        self.listens_only = False
        self.trouble = Trouble.NONE
        self.events = 0  # requests carried out with success [6.9]
        self.log: deque[int] = deque(maxlen=MOST_EVENTS)  # the newest first
        self.counts = dict.fromkeys(COUNTERS, 0)

    def note_message(self) -> None:
        """A sound frame was heard, whoever's it is."""
        self._count(Sub.BUS_MESSAGES)

    def note_error(self) -> None:
        """Something was heard that is no frame."""
        self._count(Sub.BUS_ERRORS)
        self.trouble |= Trouble.COMMUNICATION_ERROR
        self._note(RECEIVED_ERROR)

    def note_overruns(self, characters: int) -> None:
        """The port lost characters because they came faster than they were taken."""
        self._count(Sub.OVERRUNS, characters)
        self.trouble |= Trouble.OVERRUN
        self._note(RECEIVED_OVERRUN)

    def note_overtaken(self) -> None:
        """A request to us was given up by its client before it was carried out."""
        self._count(Sub.NO_RESPONSES)

    def note_reopened(self) -> None:
        """The port was away and is back."""
        self.trouble |= Trouble.PORT_REOPENED

    def serve(self, pdu: bytes, carry_out: Callable[[bytes], bytes], *, broadcast: bool) -> bytes:
        """The answer to a request, empty where none is due. What is not asked of us here, `carry_out` answers."""
        self._note(RECEIVED_BROADCAST if broadcast else RECEIVED)
        if self.listens_only:
            return self._listen(pdu)
        self._count(Sub.SERVER_MESSAGES)
        answer = self._answer(pdu, carry_out, broadcast=broadcast)
        code = answer[1] if answer and answer[0] & EXCEPTION else 0
        if code:
            self._note_exception(code)
        elif answer and pdu[0] != GET_EVENT_COUNTER:
            self.events = (self.events + 1) % WRAP
        self._note(SENT | (0 if broadcast else _SENT_WITH.get(code, 0)))
        silent = broadcast or self._goes_silent(pdu, code)
        if silent:
            self._count(Sub.NO_RESPONSES)
        return b"" if silent else answer

    def _answer(self, pdu: bytes, carry_out: Callable[[bytes], bytes], *, broadcast: bool) -> bytes:
        if broadcast and pdu[0] not in TOLD_TO_ALL:
            return b""  # everybody can be told, but nobody can be asked (V1.02 section 2.1)
        serve = {DIAGNOSTICS: self._diagnose, GET_EVENT_COUNTER: self._counter, GET_EVENT_LOG: self._events}.get(pdu[0])
        try:
            return serve(pdu) if serve else carry_out(pdu)
        except ModbusError as error:
            return exception(pdu[0], error.code)

    def _listen(self, pdu: bytes) -> bytes:
        """Nothing is carried out and nothing answered, until communications are restarted."""
        self._count(Sub.NO_RESPONSES)
        self._note(SENT)
        if pdu[0] == DIAGNOSTICS and _sub_function(pdu) is Sub.RESTART and _is_right(Sub.RESTART, pdu[3:]):
            self.listens_only = False
            self._restart(pdu)
        return b""

    def _goes_silent(self, pdu: bytes, code: int) -> bool:
        """Do what follows a request that has been served. Returns whether it is not answered."""
        sub = _sub_function(pdu) if pdu[0] == DIAGNOSTICS and not code else None
        if sub is Sub.RESTART:
            self._restart(pdu)
        elif sub is Sub.CLEAR_COUNTERS:
            self._clear()
        elif sub is Sub.CLEAR_OVERRUNS:
            self.counts[Sub.OVERRUNS] = 0
            self.trouble &= ~Trouble.OVERRUN
        elif sub is Sub.FORCE_LISTEN_ONLY:
            self.listens_only = True
            self.log.appendleft(ENTERED_LISTEN_ONLY)
        return sub is Sub.FORCE_LISTEN_ONLY

    def _restart(self, pdu: bytes) -> None:
        self._clear()
        if int.from_bytes(pdu[3:5], "big") == CLEARS_LOG:
            self.log.clear()
        self.log.appendleft(RESTARTED)

    def _clear(self) -> None:
        self.trouble = Trouble.NONE
        self.events = 0
        self.counts = dict.fromkeys(COUNTERS, 0)

    def _diagnose(self, pdu: bytes) -> bytes:
        sub = _sub_function(pdu)
        if sub is None or (sub is Sub.FORCE_LISTEN_ONLY and not self.can_be_silenced):
            raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)
        if not _is_right(sub, pdu[3:]):
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
        if sub is Sub.DIAGNOSTIC_REGISTER:
            return struct.pack(">BHH", DIAGNOSTICS, sub, self.trouble)
        return struct.pack(">BHH", DIAGNOSTICS, sub, self.counts[sub]) if sub in COUNTERS else pdu

    def _counter(self, pdu: bytes) -> bytes:
        _expect_nothing_after(pdu)
        return struct.pack(">BHH", GET_EVENT_COUNTER, READY, self.events)

    def _events(self, pdu: bytes) -> bytes:
        _expect_nothing_after(pdu)
        head = struct.pack(
            ">BBHHH", GET_EVENT_LOG, 6 + len(self.log), READY, self.events, self.counts[Sub.BUS_MESSAGES]
        )
        return head + bytes(self.log)

    def _note_exception(self, code: int) -> None:
        self._count(Sub.EXCEPTIONS)
        self.trouble |= Trouble.EXCEPTION_ANSWERED
        if counter := _COUNTED_WITH.get(code):
            self._count(counter)

    def _count(self, counter: Sub, by: int = 1) -> None:
        self.counts[counter] = (self.counts[counter] + by) % WRAP

    def _note(self, event: int) -> None:
        self.log.appendleft(event | (LISTENING if self.listens_only else 0))


def _sub_function(pdu: bytes) -> Sub | None:
    return _SUBS.get(int.from_bytes(pdu[1:3], "big")) if len(pdu) >= 3 else None


def _is_right(sub: Sub, data: bytes) -> bool:
    """Whether a sub-function may have this data field [6.8.1]."""
    match sub:
        case Sub.RETURN_QUERY_DATA:
            return bool(data) and len(data) % 2 == 0
        case Sub.RESTART:
            return data in (b"\x00\x00", b"\xff\x00")
        case _:
            return data == b"\x00\x00"


def _expect_nothing_after(pdu: bytes) -> None:
    if len(pdu) != 1:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
