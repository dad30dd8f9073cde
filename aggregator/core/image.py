"""The image: one virtual device's registers as they now stand.

A read is one synchronous step over one image. Nothing here awaits, so a value's registers, its status and its flags
always belong together: a poll sees a meter before an uplink or after it, never in between.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from aggregator.core.access import Party, Witness
from aggregator.core.address_map import SWITCHES, Device, Item, Layout, Shows, Table
from aggregator.core.alarm_painter import AlarmPainter, changes_with, figure_of, timed_of
from aggregator.core.annunciator import Annunciator
from aggregator.core.bank import ON, PAGE, Bank, reach_of
from aggregator.core.encoding import LONGEST_TEXT
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.identity import Identity, identity_of
from aggregator.core.meter import MeterState
from aggregator.core.painter import Painter, Plan, plan_of
from aggregator.core.reading import Now, Value
from aggregator.core.sight import Sight

Figure = Callable[[str, Now], Value | None]
"""A figure of the gateway itself by name, for instance `uptime`."""


class Write(NamedTuple):
    """One whole item that a client wrote: which, whose, the value asked for, who, where, what it held before.

    `witness` can tell what its author has read.
    """

    item: Item
    tag: str | None
    value: Value | bool | None
    who: str
    place: str = ""
    old: Value | bool | None = None
    witness: Witness | None = None


class Image:
    """One virtual device, ready to be read and written. Implements `functions.Tables`.

    `figure` answers for the gateway block, `accept` takes what clients write once it is known to be whole and in place.
    """

    def __init__(
        self,
        device: Device,
        states: Mapping[str, MeterState],
        figure: Figure,
        accept: Callable[[list[Write], Now], None],
        identity: Identity | None = None,
        alarms: Annunciator | None = None,
    ) -> None:
        self.device = device
        self.identity = identity or identity_of()
        self.banks = {table: Bank(device.in_table(table), bits=table.is_bits) for table in Table}
        self._input = self.banks[Table.INPUT]
        self._holding = self.banks[Table.HOLDING]
        self.changes = 0
        self._accept = accept
        self._writable: dict[tuple[Table, int], tuple[Item, str | None]] = {}
        self._painters: dict[str, list[Painter]] = {}
        self._scratch: dict[str, list[tuple[Item, int]]] = {}  # one name is one scratch, wherever it stands
        self._settings: dict[str, list[tuple[Item, int]]] = {}
        self._gateway: list[tuple[list[int], int]] = []
        self._alarm_painters: dict[str, list[AlarmPainter]] = {}
        self.sight = Sight(device)
        self._place_meters(states)
        if alarms is not None:
            self._place_alarms(alarms)
        for entry in device.entries():
            self._place_item(entry.item, entry.address, entry.tag, figure)
        # Function 03 reads the input registers too, wherever no holding block stands (design of the map, README).
        holding = [(block.start, block.end) for block in device.in_table(Table.HOLDING)]
        inputs = [(block.start, block.end) for block in device.in_table(Table.INPUT)]
        self._seen_by_03 = reach_of(inputs + holding) if holding else self._input.reach

    def let_go(self) -> None:
        """Fall apart, once nobody reads this any more: what is worked out when it is read refers to its own table."""
        for bank in self.banks.values():
            bank.live.clear()
        vars(self).clear()

    def _place_meters(self, states: Mapping[str, MeterState]) -> None:
        """One painter for each meter and layout, whatever tables that layout reaches into."""
        starts: dict[tuple[str, int], tuple[Layout, dict[Table, int]]] = {}
        for block in self.device.blocks:
            if block.tag is not None:
                starts.setdefault((block.tag, id(block.layout)), (block.layout, {}))[1][block.table] = block.start
        plans: dict[int, Plan] = {}  # a bound layout is one object, and all meters with it have one profile
        for (tag, _), (layout, tables) in starts.items():
            if id(layout) not in plans:
                plans[id(layout)] = plan_of(layout, states[tag])
            painter = Painter(self.banks, states[tag], layout, plans[id(layout)], tables)
            self._painters.setdefault(tag, []).append(painter)

    def _place_alarms(self, alarms: Annunciator) -> None:
        """One painter for each block that shows alarms, noted under whatever it changes with."""
        for block in self.device.blocks:
            steps, timed, with_ = [], [], set[str]()
            for item in block.layout.in_table(block.table):
                address = block.start + item.offset
                if (figure := figure_of(item, block.tag, alarms)) is not None:
                    steps.append((item, address, figure))
                elif (worked_out := timed_of(item, block.tag, alarms)) is not None:
                    timed.append((item, address, worked_out))
                else:
                    continue
                with_ |= changes_with(item, block.tag, alarms)
            painter = AlarmPainter(self.banks, steps, timed)
            for each in with_:
                self._alarm_painters.setdefault(each, []).append(painter)

    def _place_item(self, item: Item, address: int, tag: str | None, figure: Figure) -> None:
        bank, codec = self.banks[item.table], item.codec
        if item.table.is_writable:
            self._writable[item.table, address] = (item, tag)
        if item.shows is Shows.SCRATCH:
            self._scratch.setdefault(item.of, []).append((item, address))
        elif item.shows is Shows.SETTING:
            self._settings.setdefault(item.of, []).append((item, address))
        elif item.shows is Shows.CONSTANT:
            bank.show(address, codec, item.of if codec and codec.encoding.is_text else _number(item.of))
        elif item.shows is Shows.GATEWAY:
            pages = bank.add_live(address, item.size, lambda now: bank.show(address, codec, figure(item.of, now)))
            self._gateway += [(bank.fresh, page) for page in pages]

    def gateway_changed(self) -> None:
        """The gateway's figures are no longer what they were; work them out when next read."""
        self.changes += 1
        for fresh, page in self._gateway:
            fresh[page] = -1

    def note_change(self, tag: str) -> None:
        """A meter's state has changed: show it wherever this device has it, when that is next read."""
        self.changes += 1
        for painter in self._painters.get(tag, ()):
            painter.note_change()

    def note_alarms(self, tags: Iterable[str]) -> None:
        """Alarms of these meters and groups, or SITE, have changed: show them where this device has them."""
        self.changes += 1
        for tag in tags:
            for painter in self._alarm_painters.get(tag, ()):
                painter.note_change()

    def write_scratch(self, name: str, value: Value | bool | None) -> None:
        """Show what was written into a scratch item, at each place that has its name."""
        self.changes += 1
        for item, address in self._scratch.get(name, ()):
            self.banks[item.table].show(address, item.codec, value)

    def show_setting(self, name: str, requested: float, effective: float) -> None:
        """Show a setting at each place that has it: what was asked for where it is written, what holds elsewhere."""
        self.changes += 1
        for item, address in self._settings.get(name, ()):
            value = requested if item.table is Table.HOLDING else effective
            self.banks[item.table].show(address, item.codec, value)

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
        second = int(now.monotonic)
        if bank.fresh[start // PAGE] != second or bank.fresh[(start + count - 1) // PAGE] != second:
            bank.bring_up_to_date(start, count, now)
        if bank.refusing and 1 in bank.refused[start : start + count]:
            raise ModbusError(ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND)
        return bank.view[2 * start : 2 * (start + count)].tobytes()

    @staticmethod
    def _read_bits(bank: Bank, start: int, count: int, now: Now) -> bytes:
        if bank.reach[start] < count:
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
        bank.bring_up_to_date(start, count, now)
        # The first bit goes into the lowest place, so the run of '0' and '1' is read backwards as one binary number.
        return int(bank.data[start : start + count][::-1], 2).to_bytes((count + 7) // 8, "little")

    # Writing

    def write_coils(self, start: int, values: list[bool], who: Party, now: Now) -> None:
        writes = []
        for at, value in enumerate(values):
            found = self._writable.get((Table.COIL, start + at))
            if found is None:
                raise ModbusError(ExceptionCode.ILLEGAL_DATA_ADDRESS)
            _check_right(found[0], who)
            writes.append(self._write(start + at, *found, value, who, now))
        self._accept(writes, now)

    def write_registers(self, start: int, data: bytes, who: Party, now: Now) -> None:
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
            _check_right(item, who)
            assert item.codec is not None
            value = item.codec.decode(data[2 * (at - start) : 2 * (at - start + item.size)])
            writes.append(self._write(at, item, tag, value, who, now))
            at += item.size
        self._accept(writes, now)

    def mask_register(self, address: int, keep: int, put: int, who: Party, now: Now) -> None:
        """As a write of one register, so that one of several that make a value is refused (03)."""
        bank = self._holding
        bank.bring_up_to_date(address, 1, now)
        current = int.from_bytes(bank.data[2 * address : 2 * address + 2], "big")
        masked = current & keep | put & ~keep & 0xFFFF
        self.write_registers(address, masked.to_bytes(2, "big"), who, now)

    def _write(
        self, address: int, item: Item, tag: str | None, value: Value | bool | None, who: Party, now: Now
    ) -> Write:
        place = f"{self.device.name}: {item.table.span(address, item.size)}"
        return Write(item, tag, value, who.name, place, self.held(item, address, now), who.witness)

    def held(self, item: Item, address: int, now: Now) -> Value | bool | None:
        """The value that an item's registers or bit hold at an address; None for a filler."""
        bank = self.banks[item.table]
        bank.bring_up_to_date(address, item.size, now)
        if item.codec is None:
            return bank.data[address] == ON
        return item.codec.decode(bytes(bank.data[2 * address : 2 * (address + item.size)]))

    def _inside_an_item(self, address: int) -> bool:
        for back in range(1, min(address, LONGEST_TEXT) + 1):
            found = self._writable.get((Table.HOLDING, address - back))
            if found is not None:
                return found[0].size > back
        return False


def check_switches(writes: Iterable[Write]) -> None:
    """Raise ModbusError (03) where a register that switches something is to hold anything but 0 or 1."""
    for write in writes:
        if write.item.shows in SWITCHES and write.value not in (0, 1):
            raise ModbusError(ExceptionCode.ILLEGAL_DATA_VALUE, f"{write.item.title} takes 1 or 0")


def _check_right(item: Item, who: Party) -> None:
    if not who.may_write(item):
        raise ModbusError(ExceptionCode.ILLEGAL_FUNCTION)


def _number(text: str) -> int | float:
    return float(text) if any(sign in text for sign in ".eE") else int(text)
