"""A stand-in: a unit id that answers as one meter did when it was wired, so that its old software goes on unchanged.

    meter's register list            0        1        2        3        4        5        6
    what the node reads          |  flow, float32  |  volume, uint32 |  not listed  |  temperature  |
                                   field            field             as answered     field

A register that the node has handed on is shown to the bit as the meter answered it, listed or not, and its fault codes
with it. What came another way is put into the registers as the meter's own list has it. The old software knows no
status word, so a meter that is silent or cannot measure does not answer (0B), as a broken cable would not. There are no
gaps here that read as zero: what the meter has not, or nobody reads from it, answers 02, or the number declared for it;
a function that the meter's list has nothing of answers 01, and so does every write.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

from aggregator.core.access import Party
from aggregator.core.address_map import Block, Device, Item, Layout, Shows, StandsIn, Table, WhenStale
from aggregator.core.encoding import ItemCodec
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.identity import Identity, identity_of
from aggregator.core.meter import MeterState
from aggregator.core.profile import Constant, Profile, RegisterItem, Response, Window
from aggregator.core.reading import BAD, NO_VALUE, Now, Reading, Reason
from aggregator.core.substitute import SUBSTITUTED
from aggregator.core.wired import Wired

TABLES = {3: Table.HOLDING, 4: Table.INPUT}  # by the function that reads them
STALE = int(Reason.STALE)

Register = tuple[int, int]
"""A function and an address."""
Cells = dict[Register, bytes | None]
"""What registers answer; None for one that does not answer now."""


class StandIn:
    """One meter's own registers. Implements `functions.Tables`."""

    def __init__(
        self, device: Device, stands_in: StandsIn, state: MeterState, identity: Identity | None = None
    ) -> None:
        self.device = device
        self.identity = identity or identity_of()
        self._stands_in = stands_in
        self._state = state
        state.wired = state.wired or Wired(state.meter.profile)
        profile = state.meter.profile
        self._fields, self._constants = profile.wired or profile.registers, profile.constants
        self._carried = carried(profile)
        self._functions = {each.function for each in _lines(profile)}
        self._between = list(_between(profile)) if stands_in.unread is not None else []
        self._reads = list(_reads(profile))
        self.changes = 0
        self._cells: Cells = {}
        self._worked_out = -1  # how many changes were behind it when the cells were worked out

    @property
    def _wired(self) -> Wired:
        """What the meter answered; that of the site before, once this one has taken over from it."""
        assert self._state.wired is not None
        return self._state.wired

    def note_change(self, _tag: str) -> None:
        """The meter's state is no longer what it was."""
        self.changes += 1

    def read_coils(self, start: int, count: int, now: Now) -> bytes:  # noqa: ARG002
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)

    def read_discrete_inputs(self, start: int, count: int, now: Now) -> bytes:  # noqa: ARG002
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:  # noqa: ARG002
        return self._read(3, start, count)

    def read_input_registers(self, start: int, count: int, now: Now) -> bytes:  # noqa: ARG002
        return self._read(4, start, count)

    def write_coils(self, start: int, values: list[bool], who: Party, now: Now) -> None:  # noqa: ARG002
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)

    def write_registers(self, start: int, data: bytes, who: Party, now: Now) -> None:  # noqa: ARG002
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)

    def mask_register(self, address: int, keep: int, put: int, who: Party, now: Now) -> None:  # noqa: ARG002
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)

    def _read(self, function: int, start: int, count: int) -> bytes:
        if function not in self._functions:
            raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)
        if self._worked_out != self.changes:
            self._worked_out = self.changes
            self._cells = self._answers()
        try:
            run = [self._cells[function, address] for address in range(start, start + count)]
        except KeyError:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS) from None
        data = b"".join(register for register in run if register is not None)
        if len(data) < 2 * count:
            raise ModbusError(ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
        return data

    # What the registers answer, worked out when they are read after a change

    def _answers(self) -> Cells:
        """Every register that is there, with what it answers now."""
        self._wired.catch_up()
        unread = (self._stands_in.unread or 0).to_bytes(2, "big")
        cells: Cells = dict.fromkeys(self._between, unread)
        answered: dict[Register, bytes] = {}
        for read in self._reads:
            run = dict(_split(read.function, read.start, self._wired.runs.get(read.window, b"")))
            answered |= run
            # Where the node has not handed on an answer yet, nobody knows what stands between the listed registers.
            known: Cells = {**run} or {register: cells.get(register) for register in read.registers}
            silent = any(self._is_silent(self._state.shown[index]) for index in read.fields)
            cells |= dict.fromkeys(known) if silent else known
        for constant in self._constants:
            cells |= dict(_split(constant.function, constant.address, constant.data))
        self._put_fields(cells, answered)
        return cells

    def _put_fields(self, cells: Cells, answered: Mapping[Register, bytes]) -> None:
        """Put each field's value where the meter has it; one that cannot be told takes its registers' answer away."""
        silent: list[Register] = []
        put: dict[Register, bytes] = {}
        for item in self._fields:
            reading = self._state.shown[item.index]
            registers = [(item.function, item.address + at) for at in range(item.encoding.registers)]
            if reading.times is None and self._is_unread(item):
                continue
            data = None if self._is_silent(reading) else self._data(item, reading, registers, answered)
            if data is None:
                silent += registers
                continue
            for each, part, mask in zip(registers, _pairs(data), _pairs(item.mask), strict=True):
                put[each] = _merged(put.get(each) or answered.get(each, bytes(2)), part, mask)
        cells |= put
        cells |= dict.fromkeys(silent)

    def _data(
        self, item: RegisterItem, reading: Reading, registers: list[Register], answered: Mapping[Register, bytes]
    ) -> bytes | None:
        """A field's registers: as the meter answered them where its node has handed that on, else made of the value."""
        if reading.times is None:
            return None
        entered = reading.reasons & SUBSTITUTED
        if not entered and not self._wired.is_superseded(item.index) and all(each in answered for each in registers):
            return b"".join(answered[each] for each in registers)
        return self._encoded(item, reading)

    def _is_unread(self, item: RegisterItem) -> bool:
        """Whether nobody reads a register from the meter, as far as declared or seen: no read of it has brought it."""
        covering = [read for read in self._reads if item.index in read.fields]
        return item.index not in self._carried or any(read.window in self._wired.runs for read in covering)

    def _is_silent(self, reading: Reading) -> bool:
        """Whether the meter would not answer for this: it has not been heard for too long, or refuses itself."""
        if reading.reasons & SUBSTITUTED:
            return False
        return bool(self._state.common & BAD or (self._stands_in.refuses_stale and reading.reasons & STALE))

    def _encoded(self, item: RegisterItem, reading: Reading) -> bytes | None:
        """A value in the meter's own registers, or the code that it has for a fault; None where neither is known."""
        if reading.value is not None:
            return None if isinstance(reading.value, str) else item.write(reading.value)
        words = self._wired.faults.get(item.index)
        code = next((raw for raw, said in item.faults.items() if said == words), None)
        if code is None and words == NO_VALUE.words and item.encoding.is_float:
            code = float("nan")
        return None if code is None else item.write_raw(code)


def carried(profile: Profile) -> set[int]:
    """The fields that an uplink of the profile's can carry."""
    if not profile.payloads:
        return {item.index for item in profile.decoded}
    found: set[int] = set()
    for payload in profile.payloads.values():
        if isinstance(payload, Response):
            found |= {item.index for window in payload.windows for item in payload.covered(window)}
        else:
            found |= {item.index for item in payload.items}
    return found


class _Read(NamedTuple):
    """One read that a node repeats: its registers, as far as any of them is listed, and the fields in them."""

    window: Window
    registers: list[Register]
    fields: set[int]

    @property
    def function(self) -> int:
        return self.window.function

    @property
    def start(self) -> int:
        return self.window.start


def _reads(profile: Profile) -> Iterator[_Read]:
    for payload in profile.payloads.values():
        if isinstance(payload, Response):
            for window in payload.windows:
                items = payload.covered(window)
                end = max((item.end for item in items), default=window.start)
                registers = [(window.function, address) for address in range(window.start, end)]
                yield _Read(window, registers, {item.index for item in items})


def _between(profile: Profile) -> Iterator[Register]:
    """Every register from the first to the last of the meter's list, function by function."""
    everything = _lines(profile)
    for function in {each.function for each in everything}:
        mine = [each for each in everything if each.function == function]
        for address in range(min(each.address for each in mine), max(each.end for each in mine)):
            yield function, address


def _lines(profile: Profile) -> list[RegisterItem | Constant]:
    return [*(profile.wired or profile.registers), *profile.constants]


def _split(function: int, address: int, data: bytes) -> Iterator[tuple[Register, bytes]]:
    for at, register in enumerate(_pairs(data)):
        yield (function, address + at), register


def _pairs(data: bytes) -> list[bytes]:
    return [data[at : at + 2] for at in range(0, len(data), 2)]


def _merged(register: bytes, part: bytes, mask: bytes) -> bytes:
    """The register with the bits of a part in place of its own, where the mask has ones."""
    return bytes(old & ~own | new & own for old, new, own in zip(register, part, mask, strict=True))


# What is said of it in register lists


def blocks_of(stands_in: StandsIn, profile: Profile) -> tuple[Block, ...]:
    """The stand-in as blocks of a device: each run of registers that always answers is one."""
    items = list(_items(stands_in, profile))
    there = {(table, item.offset + at) for table, item in items for at in range(item.size)}
    if stands_in.unread is not None:
        there |= {(TABLES[function], address) for function, address in _between(profile)}
    runs: dict[Table, list[list[int]]] = defaultdict(list)
    for table, address in sorted(there, key=lambda each: (each[0].key, each[1])):
        if runs[table] and address == runs[table][-1][1]:
            runs[table][-1][1] += 1
        else:
            runs[table].append([address, address + 1])
    return tuple(
        _block(stands_in, profile, table, start, end, items) for table, each in runs.items() for start, end in each
    )


def _block(
    stands_in: StandsIn, profile: Profile, table: Table, start: int, end: int, items: list[tuple[Table, Item]]
) -> Block:
    inside = tuple(
        replace(item, offset=item.offset - start) for on, item in items if on is table and start <= item.offset < end
    )
    layout = Layout(profile.name, inside, profile.place)
    return Block(table, start, end - start, layout, stands_in.tag, stands_in.tag, profile.place)


def _items(stands_in: StandsIn, profile: Profile) -> Iterator[tuple[Table, Item]]:
    """The lines of the meter's own list that something is known of, at their addresses."""
    when_stale = WhenStale.REFUSE if stands_in.refuses_stale else WhenStale.HOLD
    known = carried(profile)
    for each in profile.wired or profile.registers:
        if each.index in known:
            field = profile.fields[each.index]
            shows, note = Shows.VALUE, ""
            if each.bits is not None:
                low, high = each.bits
                shows, note = Shows.WIRED, f"bit {low}" if low == high else f"bits {low}-{high}"
            codec = ItemCodec(each.encoding, each.scale)
            table = TABLES[each.function]
            item = Item(table, each.address, shows, field.name, codec, field.unit, when_stale, note, each.place)
            yield table, item
    for constant in profile.constants:
        codec, table = ItemCodec(constant.encoding), TABLES[constant.function]
        item = Item(table, constant.address, Shows.CONSTANT, str(constant.raw), codec, place=constant.place)
        yield table, item
