"""The image: one virtual device's registers as they now stand.

Four tables of bytes, written when something changes and read by slicing:

    registers   two bytes each, as they go on the wire        bits   one character each, '0' or '1'

A read is one synchronous step over one image. Nothing here awaits, so a value's registers, its status and its flags
always belong together: a poll sees a meter before an uplink or after it, never in between.

Ages and the gateway's own figures change by themselves. They are worked out when they are read, and only on the page
that is read, so that thousands of silent meters cost nothing.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from aggregator.core.address_map import TABLE_SIZE, Block, Device, Item, Layout, Shows, Table, WhenStale
from aggregator.core.encoding import ItemCodec
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.meter import STALE, UNDER_TEST, MeterState
from aggregator.core.reading import BAD, UNCERTAIN, Now, Reason, Value, status_word

PAGE = 128  # registers that are brought up to date together; a little more than the longest read
CLAMPED = int(Reason.CLAMPED)
ON, OFF = ord("1"), ord("0")

Figure = Callable[[str, Now], Value | None]
"""A figure of the gateway itself by name, for instance `uptime`."""

FLAGS: dict[str, int] = {reason.name.lower(): int(reason) for reason in Reason if reason and reason.name}
GRADES = ("good", "uncertain", "bad")
FLAG_NAMES = (*GRADES, *FLAGS)


class Write(NamedTuple):
    """One whole item that a client wrote: which, whose, and the value it asks for."""

    item: Item
    tag: str | None
    value: Value | bool | None
    who: str


class Bank:
    """One table's bytes and how far a read may run from each address."""

    __slots__ = ("data", "fresh", "live", "reach", "refused", "refusing")

    def __init__(self, blocks: Iterable[Block], *, bits: bool) -> None:
        self.data = bytearray(b"0" * TABLE_SIZE) if bits else bytearray(2 * TABLE_SIZE)
        self.reach = reach_of((block.start, block.end) for block in blocks)
        self.live: dict[int, list[Callable[[Now], None]]] = {}  # page -> what to work out when it is read
        self.fresh = [-1] * (TABLE_SIZE // PAGE)  # by page, the second for which it was worked out last
        self.refused = bytearray(TABLE_SIZE)  # 1 where a stale value is declared to refuse
        self.refusing = 0  # how many registers refuse now; 0 spares the look

    def add_live(self, address: int, size: int, paint: Callable[[Now], None]) -> range:
        """Have `paint` called when an item is read. Returns the pages that the item touches."""
        pages = range(address // PAGE, (address + size - 1) // PAGE + 1)
        for page in pages:
            self.live.setdefault(page, []).append(paint)
        return pages

    def bring_up_to_date(self, start: int, count: int, now: Now) -> None:
        """Work out what changes by itself, on the pages of a read, once a second."""
        second = int(now.monotonic)
        for page in range(start // PAGE, (start + count - 1) // PAGE + 1):
            if self.fresh[page] != second:
                self.fresh[page] = second
                for paint in self.live.get(page, ()):
                    paint(now)

    def refuse(self, address: int, size: int, on: bool) -> None:
        """Make a value's registers answer with an exception, or stop them from it."""
        if bool(self.refused[address]) != on:
            self.refused[address : address + size] = bytes([on]) * size
            self.refusing += size if on else -size


def reach_of(runs: Iterable[tuple[int, int]]) -> array[int]:
    """For each address, how many mapped addresses there are from it on without a break."""
    mapped = bytearray(TABLE_SIZE)
    for start, end in runs:
        mapped[start:end] = b"\1" * (end - start)
    reach = array("I", bytes(4 * TABLE_SIZE))
    length = 0
    for address in range(TABLE_SIZE - 1, -1, -1):
        length = length + 1 if mapped[address] else 0
        if length:
            reach[address] = length
    return reach


class Painter:
    """Keeps one meter's items of one layout up to date, in whichever tables they stand."""

    __slots__ = ("ages", "image", "plan", "starts", "state")

    def __init__(self, image: Image, state: MeterState, layout: Layout, starts: Mapping[Table, int]) -> None:
        self.image = image
        self.state = state
        self.starts = dict(starts)
        self.plan = image.plan_of(layout, state)
        self.ages: list[tuple[list[int], int]] = []  # where to note that an age has to be worked out anew
        for item in layout.items:
            if item.table in starts and item.codec is not None:
                self._prepare(item, item.codec, starts[item.table] + item.offset)

    def paint(self) -> None:
        """Write everything that follows from the meter's present state."""
        state, clamped = self.state, 0
        for paint, table, offset, item, index in self.plan:
            start = self.starts.get(table)
            if start is not None:
                clamped |= paint(self.image, start + offset, item, index, state, clamped)
        for fresh, page in self.ages:
            fresh[page] = -1

    def _prepare(self, item: Item, codec: ItemCodec, address: int) -> None:
        """What is written once, or when it is read."""
        state = self.state
        if item.shows is Shows.TEXT:
            text = {"tag": state.meter.tag, "name": state.meter.name, "area": state.meter.area}
            self.image.put(item.table, address, codec.encode(text[item.of])[0])
        elif item.shows is Shows.AGE:
            index = state.meter.profile.index_of(item.of) if item.of else None

            def show_age(now: Now) -> None:
                age = state.age(now.monotonic, index)
                self.image.put(item.table, address, codec.encode(None if age is None else int(age))[0])

            bank = self.image.banks[item.table]
            self.ages += [(bank.fresh, page) for page in bank.add_live(address, item.size, show_age)]


Paint = Callable[["Image", int, Item, int, MeterState, int], int]
"""Writes one item at an address; returns the bit of the field that had to be clamped, if any."""


Plan = tuple[tuple[Paint, Table, int, Item, int], ...]


def _paint_value(image: Image, address: int, item: Item, index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    value, reasons, _ = state.readings[index]
    reasons |= state.common
    if reasons & BAD or (reasons & STALE and item.when_stale is WhenStale.FILLER):
        value = None
    data, clamped = item.codec.encode(value)
    image.put(item.table, address, data)
    if item.when_stale is WhenStale.REFUSE:
        image.banks[item.table].refuse(address, item.size, bool(reasons & STALE))
    return 1 << index if clamped else 0


def _paint_status(image: Image, address: int, item: Item, index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    if index < 0:
        reasons = state.reasons | (CLAMPED if clamped else 0)
    else:
        reasons = state.readings[index].reasons | state.common | (CLAMPED if clamped >> index & 1 else 0)
    image.put(item.table, address, item.codec.encode(status_word(reasons))[0])
    return 0


def _paint_radio(image: Image, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    figure: float | None = getattr(state.radio, item.of)
    image.put(item.table, address, item.codec.encode(figure)[0])
    return 0


def _paint_counter(image: Image, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    assert item.codec is not None
    image.put(item.table, address, item.codec.encode(state.counter)[0])
    return 0


def flag(name: str, reasons: int, clamped: int) -> bool:
    """Whether a flag stands, given a meter's reasons and the fields that are clamped in this layout."""
    if name == "good":
        return not reasons & (BAD | UNCERTAIN) and not clamped
    if name == "uncertain":
        return not reasons & BAD and bool(reasons & UNCERTAIN or clamped)
    if name == "bad":
        return bool(reasons & BAD)
    return bool((reasons | (CLAMPED if clamped else 0)) & FLAGS[name])


def _paint_flag(image: Image, address: int, item: Item, _index: int, state: MeterState, clamped: int) -> int:
    image.banks[item.table].data[address] = ON if flag(item.of, state.reasons, clamped) else OFF
    return 0


def _paint_flags(image: Image, address: int, item: Item, _index: int, state: MeterState, clamped: int) -> int:
    assert item.codec is not None
    word = 0
    for bit, name in enumerate(item.of.split(",")):
        word |= flag(name, state.reasons, clamped) << bit
    image.put(item.table, address, item.codec.encode(word)[0])
    return 0


def _paint_test(image: Image, address: int, item: Item, _index: int, state: MeterState, _clamped: int) -> int:
    image.banks[item.table].data[address] = ON if state.common & UNDER_TEST else OFF
    return 0


PAINTS: dict[Shows, Paint] = {
    Shows.VALUE: _paint_value,
    Shows.STATUS: _paint_status,
    Shows.RADIO: _paint_radio,
    Shows.COUNTER: _paint_counter,
    Shows.FLAG: _paint_flag,
    Shows.FLAGS: _paint_flags,
    Shows.UNDER_TEST: _paint_test,
}


class Image:
    """One virtual device, ready to be read and written. Implements `modbus.Tables`.

    `figure` answers for the gateway block, `accept` takes what clients write once it is known to be whole and in place.
    """

    def __init__(
        self,
        device: Device,
        states: Mapping[str, MeterState],
        figure: Figure,
        accept: Callable[[list[Write], Now], None],
    ) -> None:
        self.device = device
        self.banks = {table: Bank(device.in_table(table), bits=table.is_bits) for table in Table}
        self._input = self.banks[Table.INPUT]
        self._holding = self.banks[Table.HOLDING]
        self._accept = accept
        self._writable: dict[tuple[Table, int], tuple[Item, str | None]] = {}
        self._painters: dict[str, list[Painter]] = {}
        self._scratch: dict[str, list[tuple[Table, int, Item]]] = {}  # one name is one scratch, wherever it stands
        self._plans: dict[int, Plan] = {}
        self._gateway: list[tuple[list[int], int]] = []
        self._place_meters(states)
        for entry in device.entries():
            self._place_item(entry.item, entry.address, entry.tag, figure)
        # Function 03 reads the input registers too, wherever no holding block stands (design of the map, README).
        holding = [(block.start, block.end) for block in device.in_table(Table.HOLDING)]
        inputs = [(block.start, block.end) for block in device.in_table(Table.INPUT)]
        self._seen_by_03 = reach_of(inputs + holding) if holding else self._input.reach

    def _place_meters(self, states: Mapping[str, MeterState]) -> None:
        """One painter for each meter and layout, whatever tables that layout reaches into."""
        starts: dict[tuple[str, int], tuple[Layout, dict[Table, int]]] = {}
        for block in self.device.blocks:
            if block.tag is not None:
                starts.setdefault((block.tag, id(block.layout)), (block.layout, {}))[1][block.table] = block.start
        for (tag, _), (layout, tables) in starts.items():
            painter = Painter(self, states[tag], layout, tables)
            painter.paint()
            self._painters.setdefault(tag, []).append(painter)

    def _place_item(self, item: Item, address: int, tag: str | None, figure: Figure) -> None:
        if item.table.is_writable:
            self._writable[item.table, address] = (item, tag)
        if item.shows is Shows.SCRATCH:
            self._scratch.setdefault(item.of, []).append((item.table, address, item))
        codec = item.codec
        if item.shows is Shows.CONSTANT and codec is None:
            self.banks[item.table].data[address] = ON if item.of == "1" else OFF
        elif item.shows is Shows.CONSTANT and codec:
            constant: Value = item.of if codec.encoding.is_text else _number(item.of)
            self.put(item.table, address, codec.encode(constant)[0])
        elif item.shows is Shows.GATEWAY:
            bank = self.banks[item.table]

            def show(now: Now) -> None:
                value = figure(item.of, now)
                if codec is None:
                    bank.data[address] = ON if value else OFF
                else:
                    self.put(item.table, address, codec.encode(value)[0])

            self._gateway += [(bank.fresh, page) for page in bank.add_live(address, item.size, show)]

    def plan_of(self, layout: Layout, state: MeterState) -> Plan:
        """The items that follow a meter's state, values before the status words that speak of them."""
        plan = self._plans.get(id(layout))
        if plan is None:
            steps = []
            for item in layout.items:
                paint = PAINTS.get(item.shows)
                if paint is not None:
                    named = item.shows in (Shows.VALUE, Shows.STATUS) and item.of
                    index = state.meter.profile.index_of(item.of) if named else None
                    if named and index is None:  # loading sees to it; -1 would show another field's value
                        raise ValueError(f"{state.meter.tag} measures no {item.of}")
                    steps.append((paint, item.table, item.offset, item, -1 if index is None else index))
            plan = tuple(sorted(steps, key=lambda step: step[3].shows is not Shows.VALUE))
            self._plans[id(layout)] = plan
        return plan

    def gateway_changed(self) -> None:
        """The gateway's figures are no longer what they were; work them out when next read."""
        for fresh, page in self._gateway:
            fresh[page] = -1

    def put(self, table: Table, address: int, data: bytes) -> None:
        """Write an item's registers."""
        self.banks[table].data[2 * address : 2 * address + len(data)] = data

    def paint(self, tag: str) -> None:
        """Show a meter's present state wherever this device has it."""
        for painter in self._painters.get(tag, ()):
            painter.paint()

    def write_scratch(self, name: str, value: Value | bool | None) -> None:
        """Show what was written into a scratch item, at each place that has its name."""
        for table, address, item in self._scratch.get(name, ()):
            if item.codec is None:
                self.banks[table].data[address] = ON if value else OFF
            else:
                self.put(table, address, item.codec.encode(value)[0])

    # Reading

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        return self._read_bits(self.banks[Table.COIL], start, count, now)

    def read_discrete_inputs(self, start: int, count: int, now: Now) -> bytes:
        return self._read_bits(self.banks[Table.DISCRETE], start, count, now)

    def read_input_registers(self, start: int, count: int, now: Now) -> bytes:
        bank = self._input
        if bank.reach[start] < count:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        return self._read(bank, start, count, now)

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:
        if self._seen_by_03[start] < count:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        reach = self._holding.reach
        if self._seen_by_03 is self._input.reach:
            return self._read(self._input, start, count, now)
        parts = []
        while count:
            held = reach[start]
            if held:
                taken = min(held, count)
                parts.append(self._read(self._holding, start, taken, now))
            else:
                taken = 1
                while taken < count and not reach[start + taken]:
                    taken += 1
                parts.append(self._read(self._input, start, taken, now))
            start += taken
            count -= taken
        return b"".join(parts)

    @staticmethod
    def _read(bank: Bank, start: int, count: int, now: Now) -> bytes:
        if bank.refusing and 1 in bank.refused[start : start + count]:
            raise ModbusError(ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
        second = int(now.monotonic)
        if bank.fresh[start // PAGE] != second or bank.fresh[(start + count - 1) // PAGE] != second:
            bank.bring_up_to_date(start, count, now)
        return bytes(bank.data[2 * start : 2 * (start + count)])

    @staticmethod
    def _read_bits(bank: Bank, start: int, count: int, now: Now) -> bytes:
        if bank.reach[start] < count:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        bank.bring_up_to_date(start, count, now)
        # The first bit goes into the lowest place, so the run of '0' and '1' is read backwards as one binary number.
        return int(bank.data[start : start + count][::-1], 2).to_bytes((count + 7) // 8, "little")

    # Writing

    def write_coils(self, start: int, values: list[bool], who: str, now: Now) -> None:
        writes = []
        for at, value in enumerate(values):
            found = self._writable.get((Table.COIL, start + at))
            if found is None:
                raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
            writes.append(Write(found[0], found[1], value, who))
        self._accept(writes, now)

    def write_registers(self, start: int, data: bytes, who: str, now: Now) -> None:
        """A value of several registers is written whole or refused (03): half a setpoint is another setpoint."""
        end = start + len(data) // 2
        if self._holding.reach[start] < end - start:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        writes = []
        at = start
        while at < end:
            found = self._writable.get((Table.HOLDING, at))
            if found is None:
                inside = self._inside_an_item(at)
                raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE if inside else ExceptionCode.ILLEGAL_DATA_ADDRESS)
            item, tag = found
            if at + item.size > end:
                raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE)
            assert item.codec is not None
            value = item.codec.decode(data[2 * (at - start) : 2 * (at - start + item.size)])
            writes.append(Write(item, tag, value, who))
            at += item.size
        self._accept(writes, now)

    def _inside_an_item(self, address: int) -> bool:
        for back in range(1, min(address, 64) + 1):
            found = self._writable.get((Table.HOLDING, address - back))
            if found is not None:
                return found[0].size > back
        return False


def _number(text: str) -> int | float:
    return float(text) if any(sign in text for sign in ".eE") else int(text)
