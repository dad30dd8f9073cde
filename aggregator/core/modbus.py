"""Modbus on the wire: frames, checks and the answer to each request.

    MODBUS/TCP      | transaction | protocol 0 | length n | unit | function | data        |    n counts unit to end
                    |     u16     |    u16     |   u16    |  u8  |    u8    | n - 2 bytes |    and is 2 to 254

    serial (RTU)    | address | function | data | CRC low | CRC high |

    exception       | function + 0x80 | code |

Sources: MODBUS Application Protocol Specification V1.1b3 (sections in brackets below), MODBUS Messaging on TCP/IP
Implementation Guide V1.0b section 3.1.3, MODBUS over Serial Line V1.02 section 2.5.1.

Checks run in the order of the specification's per-function state diagrams (Figures 11 to 22): function (01), then
quantity or value (03), then address (02), then execution (04). Its generic Figure 9 has 02 before 03; the two
contradict each other, and the per-function ones are what servers in the field follow.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import Final, Protocol

from aggregator.core.errors import AggregatorError, ExceptionCode, ModbusError
from aggregator.core.reading import Now

MBAP: Final = struct.Struct(">HHHB")
READ_REQUEST: Final = struct.Struct(">HHHBBHH")  # a whole request of function 03 or 04
READ_SIZE: Final = READ_REQUEST.size
READ_HEAD: Final = struct.Struct(">HHHBBB")  # its answer, up to the registers
TWO_WORDS: Final = struct.Struct(">HH")
LONGEST_PDU: Final = 253  # [4.1]
SHORTEST_LENGTH: Final = 2  # of the MBAP length field: unit and function
LONGEST_LENGTH: Final = LONGEST_PDU + 1

MOST_BITS_READ: Final = 2000  # [6.1, 6.2]
MOST_REGISTERS_READ: Final = 125  # [6.3, 6.4]
MOST_BITS_WRITTEN: Final = 1968  # [6.11]
MOST_REGISTERS_WRITTEN: Final = 123  # [6.12]
ON: Final = 0xFF00  # [6.5]
OFF: Final = 0x0000

READ_COILS: Final = 1
READ_DISCRETE_INPUTS: Final = 2
READ_HOLDING_REGISTERS: Final = 3
READ_INPUT_REGISTERS: Final = 4
WRITE_SINGLE_COIL: Final = 5
WRITE_SINGLE_REGISTER: Final = 6
WRITE_MULTIPLE_COILS: Final = 15
WRITE_MULTIPLE_REGISTERS: Final = 16
WRITES: Final = (WRITE_SINGLE_COIL, WRITE_SINGLE_REGISTER, WRITE_MULTIPLE_COILS, WRITE_MULTIPLE_REGISTERS)


class Tables(Protocol):
    """The four tables of one virtual device. Each method raises ModbusError; each is one step, never torn."""

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        """Coils packed eight a byte, the first in the lowest bit, the last byte padded with zeros."""

    def read_discrete_inputs(self, start: int, count: int, now: Now) -> bytes:
        """Discrete inputs, packed as coils are."""

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:
        """Registers, two bytes each, high byte first."""

    def read_input_registers(self, start: int, count: int, now: Now) -> bytes:
        """Registers, two bytes each, high byte first."""

    def write_coils(self, start: int, values: list[bool], who: str, now: Now) -> None:
        """All of the coils or, with ModbusError, none."""

    def write_registers(self, start: int, data: bytes, who: str, now: Now) -> None:
        """All of the registers or, with ModbusError, none."""


def _crc_table() -> tuple[int, ...]:
    table = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
        table.append(crc)
    return tuple(table)


_CRC: Final = _crc_table()


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS of `data` (V1.02 section 6.2.2); goes on the wire low byte first.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC[(crc ^ byte) & 0xFF]
    return crc


def exception(function: int, code: ExceptionCode) -> bytes:
    """The PDU that refuses a request [7]."""
    return bytes((function | 0x80, code))


def respond(tables: Tables, pdu: bytes, who: str, now: Now) -> bytes:
    """The answer to one request PDU of at least one byte: what was asked for, or an exception. Never raises.

    `who` names the client, for the record of writes.
    """
    function = pdu[0]
    serve = _SERVES.get(function)
    if serve is None:
        return exception(function & 0x7F, ExceptionCode.ILLEGAL_FUNCTION)
    try:
        return serve(tables, pdu, who, now)
    except ModbusError as error:
        return exception(function, error.code)


def _start_and_count(pdu: bytes, most: int) -> tuple[int, int]:
    """The two words that every multiple request begins with, the second within its limit."""
    if len(pdu) < 5:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    start, count = TWO_WORDS.unpack_from(pdu, 1)
    if not 1 <= count <= most:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    return start, count


def _exact_read(pdu: bytes, most: int) -> tuple[int, int]:
    """A read request's start and count; a read of another length than five bytes has no valid structure (03)."""
    if len(pdu) != 5:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    return _start_and_count(pdu, most)


def _read_coils(tables: Tables, pdu: bytes, _who: str, now: Now) -> bytes:  # [6.1]
    start, count = _exact_read(pdu, MOST_BITS_READ)
    data = tables.read_coils(start, count, now)
    return bytes((READ_COILS, len(data))) + data


def _read_discrete_inputs(tables: Tables, pdu: bytes, _who: str, now: Now) -> bytes:  # [6.2]
    start, count = _exact_read(pdu, MOST_BITS_READ)
    data = tables.read_discrete_inputs(start, count, now)
    return bytes((READ_DISCRETE_INPUTS, len(data))) + data


def _read_holding_registers(tables: Tables, pdu: bytes, _who: str, now: Now) -> bytes:  # [6.3]
    start, count = _exact_read(pdu, MOST_REGISTERS_READ)
    return bytes((READ_HOLDING_REGISTERS, 2 * count)) + tables.read_holding_registers(start, count, now)


def _read_input_registers(tables: Tables, pdu: bytes, _who: str, now: Now) -> bytes:  # [6.4]
    start, count = _exact_read(pdu, MOST_REGISTERS_READ)
    return bytes((READ_INPUT_REGISTERS, 2 * count)) + tables.read_input_registers(start, count, now)


def _single(pdu: bytes) -> tuple[int, int]:
    if len(pdu) != 5:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    address, value = TWO_WORDS.unpack_from(pdu, 1)
    return address, value


def _write_single_coil(tables: Tables, pdu: bytes, who: str, now: Now) -> bytes:  # [6.5]
    address, value = _single(pdu)
    if value not in (ON, OFF):
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    tables.write_coils(address, [value == ON], who, now)
    return pdu


def _write_single_register(tables: Tables, pdu: bytes, who: str, now: Now) -> bytes:  # [6.6]
    address, _ = _single(pdu)
    tables.write_registers(address, pdu[3:5], who, now)
    return pdu


def _write_multiple_coils(tables: Tables, pdu: bytes, who: str, now: Now) -> bytes:  # [6.11]
    start, count = _start_and_count(pdu, MOST_BITS_WRITTEN)
    size = (count + 7) // 8
    if len(pdu) != 6 + size or pdu[5] != size:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    bits = int.from_bytes(pdu[6:], "little")
    tables.write_coils(start, [bool(bits >> at & 1) for at in range(count)], who, now)
    return pdu[:5]


def _write_multiple_registers(tables: Tables, pdu: bytes, who: str, now: Now) -> bytes:  # [6.12]
    start, count = _start_and_count(pdu, MOST_REGISTERS_WRITTEN)
    if len(pdu) != 6 + 2 * count or pdu[5] != 2 * count:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    tables.write_registers(start, pdu[6:], who, now)
    return pdu[:5]


_SERVES: Final[dict[int, Callable[[Tables, bytes, str, Now], bytes]]] = {
    READ_COILS: _read_coils,
    READ_DISCRETE_INPUTS: _read_discrete_inputs,
    READ_HOLDING_REGISTERS: _read_holding_registers,
    READ_INPUT_REGISTERS: _read_input_registers,
    WRITE_SINGLE_COIL: _write_single_coil,
    WRITE_SINGLE_REGISTER: _write_single_register,
    WRITE_MULTIPLE_COILS: _write_multiple_coils,
    WRITE_MULTIPLE_REGISTERS: _write_multiple_registers,
}


class Conversation:
    """One client's byte stream over TCP: requests in, answers out, in order, each exactly once.

    Bytes may come in any portions: several requests in one, or a request in several. `units` has 256 places, one a
    unit id: the tables that answer it, or None, which answers 0B (the unit behind this gateway does not respond).
    """

    __slots__ = ("_rest", "requests", "units", "who", "wrote")

    def __init__(self, units: Sequence[Tables | None], who: str) -> None:
        self.units = units
        self.who = who
        self.requests = 0
        self.wrote = False  # whether a request asked to write; whoever acts on it puts it back
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
        if len(data) == READ_SIZE and not self._rest and (answer := self._read(data, now)):
            return answer
        if self._rest:
            data = self._rest + data
        answers: list[bytes] = []
        at, size = 0, len(data)
        while size - at >= 7:
            transaction, protocol, length, unit = MBAP.unpack_from(data, at)
            if protocol or not SHORTEST_LENGTH <= length <= LONGEST_LENGTH:
                self.requests += len(answers)
                raise HeaderError(protocol, length, b"".join(answers))
            end = at + 6 + length
            if end > size:
                break
            pdu = data[at + 7 : end]
            tables = self.units[unit]
            if tables is not None:
                self.wrote = self.wrote or pdu[0] in WRITES
                answer = respond(tables, pdu, self.who, now)
            else:
                answer = exception(pdu[0] & 0x7F, ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
            answers.append(MBAP.pack(transaction, 0, len(answer) + 1, unit) + answer)
            at = end
        self.requests += len(answers)
        self._rest = data[at:]
        return answers[0] if len(answers) == 1 else b"".join(answers)

    def _read(self, request: bytes, now: Now) -> bytes:
        """The answer to a single sound read of registers, which nearly every request is, by the shortest way.

        Empty for everything else, which then goes the long way and gives the same answer or the right exception.
        """
        transaction, protocol, length, unit, function, start, count = READ_REQUEST.unpack(request)
        tables: Tables | None = self.units[unit]
        if protocol or length != 6 or tables is None or not 1 <= count <= MOST_REGISTERS_READ:
            return b""
        try:
            if function == READ_INPUT_REGISTERS:
                registers = tables.read_input_registers(start, count, now)
            elif function == READ_HOLDING_REGISTERS:
                registers = tables.read_holding_registers(start, count, now)
            else:
                return b""
        except ModbusError:
            return b""
        self.requests += 1
        return READ_HEAD.pack(transaction, 0, 3 + 2 * count, unit, function, 2 * count) + registers


class HeaderError(AggregatorError):
    """An MBAP header that cannot be right: where the next request begins is lost, and with it the connection."""

    def __init__(self, protocol: int, length: int, answers: bytes) -> None:
        self.answers = answers
        what = f"protocol {protocol} where 0 is Modbus" if protocol else f"length {length} outside 2 to 254"
        super().__init__(f"the header has {what}")
