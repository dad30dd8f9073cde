"""The functions of a Modbus device: the limits, checks and answer of each request, once it is out of its frame.

    request    | function | data: at most 252 bytes |        answer  | function        | data |
                                                             or      | function + 0x80 | exception code |

Source: MODBUS Application Protocol Specification V1.1b3, sections in brackets below.

Checks run in the order of the specification's per-function state diagrams (Figures 11 to 28): function (01), then
quantity or value (03), then address (02), then execution (04). Function 22 alone has its address before its masks, of
which none is wrong. The generic Figure 9 has 02 before 03; the two contradict each other, and the per-function ones are
what servers in the field follow. A request of a length that its function cannot have is a value fault (03), by the
text of that code in section 7.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from typing import Final, Protocol

from aggregator.core.access import Party
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.identity import ENCAPSULATED, READ_DEVICE_IDENTIFICATION, REPORT_SERVER_ID, Identity
from aggregator.core.reading import Now

TWO_WORDS: Final = struct.Struct(">HH")
MASK_WRITE: Final = struct.Struct(">BHHH")  # a whole request of function 22: address, AND mask, OR mask
READ_AND_WRITE: Final = struct.Struct(">BHHHHB")  # the head of one of function 23: read, write, byte count

MOST_BITS_READ: Final = 2000  # [6.1, 6.2]
MOST_REGISTERS_READ: Final = 125  # [6.3, 6.4, 6.17]
MOST_BITS_WRITTEN: Final = 1968  # [6.11]
MOST_REGISTERS_WRITTEN: Final = 123  # [6.12]
MOST_REGISTERS_WRITTEN_AND_READ: Final = 121  # [6.17]
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
MASK_WRITE_REGISTER: Final = 22
READ_WRITE_REGISTERS: Final = 23
WRITES: Final = (
    WRITE_SINGLE_COIL,
    WRITE_SINGLE_REGISTER,
    WRITE_MULTIPLE_COILS,
    WRITE_MULTIPLE_REGISTERS,
    MASK_WRITE_REGISTER,
    READ_WRITE_REGISTERS,
)


class Tables(Protocol):
    """The four tables of one virtual device. Each method raises ModbusError; each is one step, never torn."""

    changes: int
    """Counts on with whatever is shown. Between equal counts, within a monotonic second, a read gives what it gave."""

    @property
    def identity(self) -> Identity:
        """What the device says of itself."""

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        """Coils packed eight a byte, the first in the lowest bit, the last byte padded with zeros."""

    def read_discrete_inputs(self, start: int, count: int, now: Now) -> bytes:
        """Discrete inputs, packed as coils are."""

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:
        """Registers, two bytes each, high byte first."""

    def read_input_registers(self, start: int, count: int, now: Now) -> bytes:
        """Registers, two bytes each, high byte first."""

    def write_coils(self, start: int, values: list[bool], who: Party, now: Now) -> None:
        """All of the coils or, with ModbusError, none."""

    def write_registers(self, start: int, data: bytes, who: Party, now: Now) -> None:
        """All of the registers or, with ModbusError, none."""

    def mask_register(self, address: int, keep: int, put: int, who: Party, now: Now) -> None:
        """Write a register of its own: the bits of `keep` stay, the others become those of `put`."""


Serve = Callable[[Tables, bytes, Party, Now], bytes]
"""What answers the requests of one function: tables, PDU, who asks, now. Raises ModbusError."""


def exception(function: int, code: ExceptionCode) -> bytes:
    """The PDU that refuses a request [7]."""
    return bytes((function | 0x80, code))


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


def _read_coils(tables: Tables, pdu: bytes, _who: Party, now: Now) -> bytes:  # [6.1]
    start, count = _exact_read(pdu, MOST_BITS_READ)
    data = tables.read_coils(start, count, now)
    return bytes((READ_COILS, len(data))) + data


def _read_discrete_inputs(tables: Tables, pdu: bytes, _who: Party, now: Now) -> bytes:  # [6.2]
    start, count = _exact_read(pdu, MOST_BITS_READ)
    data = tables.read_discrete_inputs(start, count, now)
    return bytes((READ_DISCRETE_INPUTS, len(data))) + data


def _read_holding_registers(tables: Tables, pdu: bytes, _who: Party, now: Now) -> bytes:  # [6.3]
    start, count = _exact_read(pdu, MOST_REGISTERS_READ)
    return bytes((READ_HOLDING_REGISTERS, 2 * count)) + tables.read_holding_registers(start, count, now)


def _read_input_registers(tables: Tables, pdu: bytes, _who: Party, now: Now) -> bytes:  # [6.4]
    start, count = _exact_read(pdu, MOST_REGISTERS_READ)
    return bytes((READ_INPUT_REGISTERS, 2 * count)) + tables.read_input_registers(start, count, now)


def _single(pdu: bytes) -> tuple[int, int]:
    if len(pdu) != 5:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    address, value = TWO_WORDS.unpack_from(pdu, 1)
    return address, value


def _write_single_coil(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.5]
    address, value = _single(pdu)
    if value not in (ON, OFF):
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    tables.write_coils(address, [value == ON], who, now)
    return pdu


def _write_single_register(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.6]
    address, _ = _single(pdu)
    tables.write_registers(address, pdu[3:5], who, now)
    return pdu


def _write_multiple_coils(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.11]
    start, count = _start_and_count(pdu, MOST_BITS_WRITTEN)
    size = (count + 7) // 8
    if len(pdu) != 6 + size or pdu[5] != size:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    bits = int.from_bytes(pdu[6:], "little")
    tables.write_coils(start, [bool(bits >> at & 1) for at in range(count)], who, now)
    return pdu[:5]


def _write_multiple_registers(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.12]
    start, count = _start_and_count(pdu, MOST_REGISTERS_WRITTEN)
    if len(pdu) != 6 + 2 * count or pdu[5] != 2 * count:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    tables.write_registers(start, pdu[6:], who, now)
    return pdu[:5]


def _mask_write_register(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.16]
    if len(pdu) != MASK_WRITE.size:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    _, address, keep, put = MASK_WRITE.unpack(pdu)
    tables.mask_register(address, keep, put, who, now)
    return pdu


def _read_write_registers(tables: Tables, pdu: bytes, who: Party, now: Now) -> bytes:  # [6.17]
    """Write, then read. What can't be read is found before anything is written: all of it is done, or nothing."""
    if len(pdu) < READ_AND_WRITE.size:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    _, start, count, into, written, size = READ_AND_WRITE.unpack_from(pdu)
    data = pdu[READ_AND_WRITE.size :]
    if not (1 <= count <= MOST_REGISTERS_READ and 1 <= written <= MOST_REGISTERS_WRITTEN_AND_READ):
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    if not size == len(data) == 2 * written:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    tables.read_holding_registers(start, count, now)
    tables.write_registers(into, data, who, now)
    return bytes((READ_WRITE_REGISTERS, 2 * count)) + tables.read_holding_registers(start, count, now)


def _report_server_id(tables: Tables, pdu: bytes, _who: Party, _now: Now) -> bytes:  # [6.13]
    if len(pdu) != 1:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    return tables.identity.report()


def _encapsulated(tables: Tables, pdu: bytes, _who: Party, _now: Now) -> bytes:  # [6.19, 6.21]
    """Function 43 carries other protocols by their MEI type, of which this device knows one."""
    if len(pdu) > 1 and pdu[1] != READ_DEVICE_IDENTIFICATION:
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)
    if len(pdu) != 4:
        raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
    return tables.identity.read(pdu[2], pdu[3])


SERVES: Final[Mapping[int, Serve]] = {
    READ_COILS: _read_coils,
    READ_DISCRETE_INPUTS: _read_discrete_inputs,
    READ_HOLDING_REGISTERS: _read_holding_registers,
    READ_INPUT_REGISTERS: _read_input_registers,
    WRITE_SINGLE_COIL: _write_single_coil,
    WRITE_SINGLE_REGISTER: _write_single_register,
    WRITE_MULTIPLE_COILS: _write_multiple_coils,
    WRITE_MULTIPLE_REGISTERS: _write_multiple_registers,
    REPORT_SERVER_ID: _report_server_id,
    MASK_WRITE_REGISTER: _mask_write_register,
    READ_WRITE_REGISTERS: _read_write_registers,
    ENCAPSULATED: _encapsulated,
}
"""What every device serves, on any line; a line of its own kind may hand `respond` these and more."""


def respond(tables: Tables, pdu: bytes, who: Party, now: Now, serves: Mapping[int, Serve] = SERVES) -> bytes:
    """The answer to one request PDU of at least one byte: what was asked for, or an exception. Never raises.

    `who` asks: without the right to, they are answered as for a function that is not there (access.py).
    """
    function = pdu[0]
    serve = serves.get(function)
    if serve is None or not (who.writes if function in WRITES else who.reads):
        return exception(function, ExceptionCode.ILLEGAL_FUNCTION)
    try:
        return serve(tables, pdu, who, now)
    except ModbusError as error:
        return exception(function, error.code)
