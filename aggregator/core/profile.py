"""A profile: what a meter model measures, its own register list, and how its node's payloads read.

Three ways a value can come in, all ending as `(field index, value)` pairs:

    decoded          the network server has decoded it: a JSON object, one pointer a field
    binary           bytes laid out by the node's maker:          | status u8 | flow u16 | bits ... |
    response         the node hands on what the meter answered on its serial port, a Modbus response:

        | address | function | count n | n bytes: registers of the meter | CRC lo hi |
        |---------|----------|---------|---------------------------------|-----------|
          u8 (*)     u8 (*)     u8 (*)    high byte first                   u16 (*)      (*) each if declared

    MODBUS V1.1b3 sections 6.3, 6.4 (function, count, registers); MODBUS over Serial Line V1.02 section 2.5.1
    (address, CRC). The request is not in the uplink, so where the registers start is declared in the profile.

A payload decodes whole or not at all: no meter is ever half updated. One that carries several readings, each with its
time, is a batch of such pairs (core/records.py).
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from reprlib import repr as brief

from aggregator.core.alarm import Alarm
from aggregator.core.computed import Computed
from aggregator.core.crc import crc16
from aggregator.core.encoding import IDENTITY, Encoding, ItemCodec, Scale
from aggregator.core.errors import DecodeError, Place, Refusal
from aggregator.core.functions import MOST_REGISTERS_READ
from aggregator.core.pointer import Pointer
from aggregator.core.reading import NO_VALUE, Fault, Value
from aggregator.core.records import Batch, DecodedRecords, Pairs, Record, Records, batch_of
from aggregator.core.total import Counting

LARGEST = sys.float_info.max
BATTERY = "battery"  # the name of the field that tells that of the node

Faults = Mapping[float, str]
"""Raw numbers, before any scale, that are no measurement but a code of the meter's, and what each means."""


@dataclass(frozen=True, slots=True)
class Field:
    """One quantity that a meter model measures. All figures are in `unit`; rates are a second.

    `low` and `high` bound what it can measure, `can_show` what it can show at all, `fastest` how quickly it can change,
    `stuck_after` (s) how long it can stand still. Below `low_below` a battery is low. `counting` is that of a counter,
    `computed` that of a field which no meter sends. `gas` is what it measures the concentration of, `lel` the %vol that
    its 100 %LEL stands for. A reading no further than `agrees_within` from the meter's own display agrees with it.
    """

    name: str
    unit: str
    label: str
    low: float = -math.inf
    high: float = math.inf
    decimals: int = 2
    optional: bool = False
    stale_after: float | None = None
    place: Place = field(default=Place(""), compare=False)
    can_show: tuple[float, float] | None = None
    fastest: float | None = None
    stuck_after: float | None = None
    low_below: float | None = None
    counting: Counting | None = None
    computed: Computed | None = None
    gas: str | None = None
    lel: float | None = None
    agrees_within: float | None = None


@dataclass(frozen=True, slots=True)
class DecodedField:
    """Where the network server's decoder put a field, and the line from its unit to the field's."""

    index: int
    pointer: Pointer
    scale: Scale
    faults: Faults = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class BinaryItem:
    """One value in a binary payload: an integer or float at a byte, or a run of bits of an unsigned integer.

    `size` is in bytes; bit 0 of `bits` is the lowest of that integer.
    """

    index: int
    at: int
    size: int
    kind: str
    order: str
    bits: tuple[int, int] | None
    scale: Scale
    faults: Faults = field(default_factory=dict)

    @property
    def end(self) -> int:
        return self.at + self.size

    def read(self, payload: bytes) -> Value | Fault:
        """The value in `payload`, which must be long enough."""
        part = payload[self.at : self.end]
        if self.kind == "float":
            encoding = Encoding.number("float32" if self.size == 4 else "float64")
            raw = encoding.unpack(part if self.order == "big" else part[::-1])
            assert not isinstance(raw, str)
            return scaled(raw, self.scale, self.faults)
        number = int.from_bytes(part, "big" if self.order == "big" else "little", signed=self.kind == "int")
        if self.bits is not None:
            low, high = self.bits
            number = (number >> low) & ((1 << (high - low + 1)) - 1)
        return scaled(number, self.scale, self.faults)


@dataclass(frozen=True, slots=True)
class Binary:
    """A payload laid out byte by byte. Bytes after the last item are left alone."""

    items: tuple[BinaryItem, ...]

    def decode(self, payload: bytes) -> Pairs:
        """Every item's value. Raises DecodeError where the payload is too short for one."""
        need = max(item.end for item in self.items)
        if len(payload) < need:
            raise DecodeError(Refusal.BAD_PAYLOAD, f"{len(payload)} bytes where {need} are declared")
        return [(item.index, item.read(payload)) for item in self.items]


@dataclass(frozen=True, slots=True)
class Constant:
    """A number that a meter has in its own register list and that never changes, as it stands in the registers."""

    function: int
    address: int
    encoding: Encoding
    raw: int | float
    place: Place = field(default=Place(""), compare=False)

    @property
    def end(self) -> int:
        return self.address + self.encoding.registers

    @property
    def data(self) -> bytes:
        return self.encoding.pack(self.raw)


@dataclass(frozen=True, slots=True)
class RegisterItem:
    """One value in the meter's own register list, at a 0-based address of its function's table."""

    index: int
    function: int
    address: int
    encoding: Encoding
    scale: Scale = IDENTITY
    bits: tuple[int, int] | None = None
    faults: Faults = field(default_factory=dict)
    place: Place = field(default=Place(""), compare=False)

    @property
    def end(self) -> int:
        return self.address + self.encoding.registers

    @property
    def mask(self) -> bytes:
        """Its registers with ones in the bits that are its own."""
        if self.bits is None:
            return b"\xff\xff" * self.encoding.registers
        low, high = self.bits
        return self.encoding.pack((1 << high + 1) - (1 << low))

    def write(self, value: float) -> bytes:
        """The registers as the meter would have them for a value; what does not fit is the nearest that does."""
        return self.write_raw(self.scale.raw(value))

    def write_raw(self, raw: float) -> bytes:
        """The registers for a number before any scale, with zeros in the bits that are not its own."""
        if self.bits is not None:
            low, high = self.bits
            return self.encoding.pack(min(max(round(raw), 0), (1 << high - low + 1) - 1) << low)
        return ItemCodec(self.encoding, filler=self._never).encode(raw)[0]

    @property
    def _never(self) -> float:
        return math.nan if self.encoding.is_float else 0

    def read(self, registers: bytes, start: int) -> Value | Fault:
        """The value in a run of registers that starts at the meter's address `start`."""
        at = 2 * (self.address - start)
        raw = self.encoding.unpack(registers[at : at + 2 * self.encoding.registers])
        if isinstance(raw, str):
            return raw
        if self.bits is not None:
            low, high = self.bits
            raw = (int(raw) >> low) & ((1 << (high - low + 1)) - 1)
        return scaled(raw, self.scale, self.faults)


@dataclass(frozen=True, slots=True)
class Window:
    """One Modbus read that a node repeats: the function it asks with and the meter's address it starts at.

    `count` is how many registers it asks for, None where that is not declared.
    """

    function: int
    start: int
    count: int | None = None


@dataclass(frozen=True, slots=True)
class Response:
    """A payload that carries one or more Modbus responses, one after the other."""

    windows: tuple[Window, ...]
    parts: frozenset[str]
    registers: tuple[RegisterItem, ...]

    def decode(self, payload: bytes) -> Pairs:
        """Every listed value inside the responses' registers.

        Raises DecodeError for a wrong function, count or CRC, a short or overlong payload, and a meter's exception.
        """
        return [pair for window, data in self.runs(payload) for pair in self._values(data, window)]

    def runs(self, payload: bytes) -> Iterator[tuple[Window, bytes]]:
        """The registers that each read was answered with. Raises DecodeError as `decode` does."""
        at = 0
        for window in self.windows:
            data, at = self._one(payload, at, window)
            if window.count not in (None, len(data) // 2):
                what = f"{len(data) // 2} registers from {window.start} on where {window.count} are declared"
                raise DecodeError(Refusal.BAD_PAYLOAD, what)
            yield window, data
        if at != len(payload):
            raise DecodeError(Refusal.BAD_PAYLOAD, f"{len(payload) - at} bytes after the response")

    def covered(self, window: Window) -> list[RegisterItem]:
        """The listed registers of a read: up to where the next read of its function begins, one request long."""
        if window.count is not None:
            return self._between(window, window.start + window.count)
        starts = (each.start for each in self.windows if each.function == window.function and each.start > window.start)
        end = min((window.start + MOST_REGISTERS_READ, *starts))
        return self._between(window, end)

    def within(self, window: Window, data: bytes) -> list[RegisterItem]:
        """The listed registers in a run that starts where the window does."""
        return self._between(window, window.start + len(data) // 2)

    def _between(self, window: Window, end: int) -> list[RegisterItem]:
        function, start = window.function, window.start
        return [
            item for item in self.registers if item.function == function and start <= item.address and item.end <= end
        ]

    def _one(self, payload: bytes, begin: int, window: Window) -> tuple[bytes, int]:
        """The registers of the response that begins at `begin`, and where it ends."""
        at = begin + ("address" in self.parts)
        check = 2 if "crc" in self.parts else 0
        if "function" in self.parts:
            got = self._byte(payload, at)
            at += 1
            if got == window.function | 0x80:
                self._check_crc(payload[begin : at + 1 + check])
                raise DecodeError(Refusal.METER_EXCEPTION, f"exception {self._byte(payload, at):02d}")
            if got != window.function:
                raise DecodeError(Refusal.BAD_PAYLOAD, f"function {got} where {window.function} is declared")
        count = len(payload) - at - check
        if "count" in self.parts:
            count = self._byte(payload, at)
            at += 1
        end = at + count
        if end + check > len(payload):
            raise DecodeError(Refusal.BAD_PAYLOAD, f"{len(payload)} bytes where the response needs {end + check}")
        if count % 2 or count <= 0:
            raise DecodeError(Refusal.BAD_PAYLOAD, f"{count} bytes are not a number of registers")
        self._check_crc(payload[begin : end + check])
        return payload[at:end], end + check

    def _values(self, data: bytes, window: Window) -> Iterator[tuple[int, Value | Fault]]:
        items = self.within(window, data)
        if not items:
            last = window.start + len(data) // 2 - 1
            what = f"registers {window.start}-{last} hold nothing of the meter's register list"
            raise DecodeError(Refusal.BAD_PAYLOAD, what)
        for item in items:
            yield item.index, item.read(data, window.start)

    def _check_crc(self, frame: bytes) -> None:
        if "crc" in self.parts and (len(frame) < 3 or crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little")):
            raise DecodeError(Refusal.BAD_PAYLOAD, "the response's CRC does not match")

    @staticmethod
    def _byte(payload: bytes, at: int) -> int:
        if at >= len(payload):
            raise DecodeError(Refusal.BAD_PAYLOAD, f"the response ends after {len(payload)} bytes")
        return payload[at]


def scaled(raw: float, scale: Scale, faults: Faults) -> Value | Fault:
    """The value of a raw number; a code of the meter's, a NaN or an infinity is none."""
    if faults and raw in faults:
        return Fault(faults[raw])
    value = scale.value(raw)
    return value if math.isfinite(value) else NO_VALUE


@dataclass(frozen=True, slots=True)
class Profile:
    """A meter model. `payloads` and `records` are by the uplink's port; what is at None serves every other port.

    `wired` and `constants` are what the meter showed to those who read it by wire; where there is nothing, `registers`.
    """

    name: str
    title: str
    fields: tuple[Field, ...]
    decoded: tuple[DecodedField, ...] = ()
    payloads: dict[int | None, Binary | Response] = field(default_factory=dict)
    registers: tuple[RegisterItem, ...] = ()
    place: Place = field(default=Place(""), compare=False)
    alarms: tuple[Alarm, ...] = ()  # the usual ones; a meter has them once they are confirmed for it
    records: dict[int | None, Records] = field(default_factory=dict)
    decoded_records: DecodedRecords | None = None
    wired: tuple[RegisterItem, ...] = ()
    constants: tuple[Constant, ...] = ()
    sends_batches: bool = field(init=False)  # whether one uplink may carry several timed readings

    def __post_init__(self) -> None:
        """Say once what is asked at every uplink."""
        object.__setattr__(self, "sends_batches", bool(self.records) or self.decoded_records is not None)

    @property
    def battery(self) -> int | None:
        """The position of the field that tells the node's battery, None where there is none.

        It is the one that says when it is low, else the one called `battery`.
        """
        judged = (index for index, each in enumerate(self.fields) if each.low_below is not None)
        return next(judged, self.index_of(BATTERY))

    def index_of(self, name: str) -> int | None:
        """The position of a field, None where the model does not measure it."""
        return next((index for index, each in enumerate(self.fields) if each.name == name), None)

    def payload_of(self, port: int | None) -> Binary | Response | None:
        """How a payload on a port reads, None where nobody has said."""
        return self.payloads.get(port) or self.payloads.get(None)

    def decode_payload(self, port: int | None, payload: bytes) -> Pairs:
        """The values in a raw payload, or what the meter says in place of one.

        Raises DecodeError, also for a port that no payload is declared for.
        """
        layout = self.payload_of(port)
        if layout is None:
            raise DecodeError(Refusal.BAD_PAYLOAD, f"profile {self.name} declares no payload for port {port}")
        return layout.decode(payload)

    def decode_batch(self, port: int | None, payload: bytes | None, decoded: object) -> Batch | None:
        """The timed readings in an uplink, None where it carries those of one moment only. Raises DecodeError."""
        listed = self.decoded_records
        found = None if listed is None else listed.split(decoded)
        if listed is not None and found is not None:
            return batch_of((Record(when, self.decode_fields(each)) for when, each in found), listed.step)
        if not payload or port == 0 or port in self.payloads:
            return None
        layout = self.records.get(port) or self.records.get(None)
        return None if layout is None else layout.decode(payload)

    def decode_fields(self, decoded: object) -> Pairs:
        """The values in a network server's decoded object.

        Fields that are absent are left out; a value that is there but no finite number, and an object with none of the
        fields, raise DecodeError.
        """
        pairs: Pairs = []
        for item in self.decoded:
            value = item.pointer.find(decoded)
            if value is None:
                continue
            if type(value) is not float and type(value) is not int:  # true and false are none
                raise DecodeError(Refusal.WRONG_TYPE, f"{self.fields[item.index].name} is {brief(value)}, not a number")
            if item.faults and value in item.faults:
                pairs.append((item.index, Fault(item.faults[value])))
                continue
            result = item.scale.value(value) if -LARGEST <= value <= LARGEST else math.inf
            if not -LARGEST <= result <= LARGEST:
                raise DecodeError(
                    Refusal.WRONG_TYPE, f"{self.fields[item.index].name} is {brief(value)}, more than a number holds"
                )
            pairs.append((item.index, result))
        if not pairs:
            raise DecodeError(Refusal.MISSING, f"none of the fields of profile {self.name} is there")
        return pairs
