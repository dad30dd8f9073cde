"""The map: which item of which meter stands at which address of a virtual device.

    layout "flow-point"          placed: input {from: 100, every: 24}, meters [FT-101, spare, FT-103]
    +0  status
    +1  age                      100           124           148           172
    +2  flow, float32            |  FT-101     |   (spare)   |  FT-103     |
    ...                          +--block------+--block------+--block------+

A block belongs to its slot whole: registers in it that no item uses read as zero, a spare slot keeps its block free,
and no other placement may reach into it. Addresses are PDU addresses, counted from 0; data numbers count from 1
(MODBUS V1.1b3 section 4.4).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import Enum, StrEnum

from aggregator.core.encoding import ItemCodec
from aggregator.core.errors import Place, Problem

TABLE_SIZE = 65536


class Table(Enum):
    """The four tables of a Modbus device [V1.1b3 4.3]: key in map.yaml, words, reading function, reference digit."""

    COIL = ("coil", "coil", 1, 0)
    DISCRETE = ("discrete", "discrete input", 2, 1)
    INPUT = ("input", "input register", 4, 3)
    HOLDING = ("holding", "holding register", 3, 4)

    __hash__ = object.__hash__  # by identity; an enumeration's own goes through its name each time

    def __init__(self, key: str, words: str, function: int, digit: int) -> None:
        self.key = key
        self.words = words
        self.function = function
        self.digit = digit

    @property
    def is_bits(self) -> bool:
        return self in (Table.COIL, Table.DISCRETE)

    @property
    def is_writable(self) -> bool:
        return self in (Table.COIL, Table.HOLDING)

    def span(self, start: int, count: int) -> str:
        """A run of addresses in words: `input registers 140-141`."""
        plural = "s" if count > 1 else ""
        return f"{self.words}{plural} {start}" + (f"-{start + count - 1}" if count > 1 else "")


class Shows(StrEnum):
    """What an item shows; `of` in the item says of which field, figure or flag."""

    VALUE = "value"
    TOTAL = "total"
    STATUS = "status"
    AGE = "age"
    RADIO = "radio"
    COUNTER = "counter"
    FLAG = "flag"
    FLAGS = "flags"
    TEXT = "text"
    CONSTANT = "constant"
    GATEWAY = "gateway"
    SCRATCH = "scratch"
    UNDER_TEST = "under test"


class WhenStale(StrEnum):
    """What a value's registers show once it is stale."""

    HOLD = "hold"
    FILLER = "filler"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing at one place in a layout. `offset` counts registers or bits from the start of the block.

    `of` holds the field, figure or flag (several, comma separated, for packed flags); a constant's value or a scratch
    item's name. Items of bit tables have no codec.
    """

    table: Table
    offset: int
    shows: Shows
    of: str = ""
    codec: ItemCodec | None = None
    unit: str = ""
    when_stale: WhenStale = WhenStale.HOLD
    note: str = ""
    place: Place = field(default=Place(""), compare=False)

    @property
    def size(self) -> int:
        """Registers or bits taken."""
        return self.codec.encoding.registers if self.codec else 1

    @property
    def title(self) -> str:
        """The item in a few words, as register lists and messages name it."""
        match self.shows:
            case Shows.VALUE | Shows.FLAG | Shows.TEXT | Shows.GATEWAY | Shows.SCRATCH:
                return self.of
            case Shows.STATUS | Shows.AGE | Shows.TOTAL:
                return f"{self.of} {self.shows}".strip()
            case Shows.FLAGS:
                return f"flags ({self.of})"
            case Shows.RADIO | Shows.CONSTANT:
                return f"{self.shows} {self.of}"
            case _:
                return str(self.shows)


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a meter's items sit inside its blocks, one block a table."""

    name: str
    items: tuple[Item, ...]
    place: Place = field(default=Place(""), compare=False)
    _by_table: dict[Table, tuple[Item, ...]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Sort the items once: thousands of meters share a layout."""
        ordered = sorted(self.items, key=lambda item: item.offset)
        by_table = {table: tuple(item for item in ordered if item.table is table) for table in Table}
        object.__setattr__(self, "_by_table", by_table)

    def in_table(self, table: Table) -> tuple[Item, ...]:
        """The items of one table, by offset."""
        return self._by_table[table]

    def size(self, table: Table) -> int:
        """Registers or bits from the start of the block to the end of its last item."""
        return max((item.offset + item.size for item in self.in_table(table)), default=0)


@dataclass(frozen=True, slots=True)
class Block:
    """A run of addresses of one table that one slot owns. `tag` is None for a spare slot and for gateway blocks."""

    table: Table
    start: int
    size: int
    layout: Layout
    tag: str | None
    owner: str
    place: Place = field(compare=False)

    @property
    def end(self) -> int:
        return self.start + self.size

    def __str__(self) -> str:
        return self.table.span(self.start, self.size)


@dataclass(frozen=True, slots=True)
class Entry:
    """One item at its final address in a device: a line of the register list."""

    unit_id: int
    table: Table
    address: int
    item: Item
    tag: str | None
    owner: str
    layout: str
    place: Place = field(compare=False)

    @property
    def end(self) -> int:
        return self.address + self.item.size


@dataclass(frozen=True, slots=True)
class Device:
    """One virtual device: a unit id and the blocks behind it."""

    unit_id: int
    blocks: tuple[Block, ...]
    answers_all_units: bool = False
    place: Place = field(default=Place(""), compare=False)

    def in_table(self, table: Table) -> list[Block]:
        """The blocks of one table, by address."""
        return sorted((block for block in self.blocks if block.table is table), key=lambda block: block.start)

    def entries(self) -> Iterator[Entry]:
        """Every item at its address, table by table, lowest address first."""
        for table in Table:
            for block in self.in_table(table):
                if block.owner == "spare":
                    continue
                for item in block.layout.in_table(table):
                    yield Entry(
                        self.unit_id,
                        table,
                        block.start + item.offset,
                        item,
                        block.tag,
                        block.owner,
                        block.layout.name,
                        block.place,
                    )


def fingerprint(devices: Iterable[Device]) -> int:
    """A 32-bit number that changes when any address, type, order, scale, unit or meaning does, and only then."""
    crc = 0
    for device in sorted(devices, key=lambda device: device.unit_id):
        for entry in device.entries():
            crc = zlib.crc32(repr(_meaning(entry)).encode(), crc)
    return crc


def _meaning(entry: Entry) -> tuple[object, ...]:
    """Plain texts and numbers only, so that a change of this program's own classes changes no fingerprint."""
    item = entry.item
    meaning = (str(item.shows), item.of, item.unit, str(item.when_stale))
    return (entry.unit_id, entry.table.key, entry.address, entry.tag, *meaning, *_manner(item.codec))


def _manner(codec: ItemCodec | None) -> tuple[object, ...]:
    if codec is None:
        return ()
    encoding, lines = codec.encoding, (codec.scale, codec.conversion)
    stands = (encoding.type, encoding.registers, str(encoding.word_order), str(encoding.byte_order))
    return (*stands, *(float(number) for line in lines for number in (line.factor, line.offset)), codec.filler)


def free_runs(blocks: Iterable[Block], wanted: int, near: int) -> list[tuple[int, int]]:
    """Free runs of at least `wanted` addresses between and after `blocks` of one table, nearest to `near` first."""
    runs = []
    at = 0
    for block in sorted(blocks, key=lambda block: block.start):
        if block.start - at >= wanted:
            runs.append((at, block.start))
        at = max(at, block.end)
    if TABLE_SIZE - at >= wanted:
        runs.append((at, TABLE_SIZE))
    return sorted(runs, key=lambda run: max(0, run[0] - near, near - run[1]))


def block_problems(device: Device) -> list[Problem]:
    """What is wrong with where a device's blocks stand: past the end of a table, or on top of each other."""
    problems = []
    for table in Table:
        blocks = device.in_table(table)
        free = [block for block in blocks if block.end <= TABLE_SIZE]
        previous: Block | None = None
        for block in blocks:
            if block.end > TABLE_SIZE:
                what = f"{block.owner} needs {block}, but the last address is {TABLE_SIZE - 1}"
                problems.append(Problem(block.place, what, "Start lower or give each meter fewer addresses"))
            if previous is not None and block.start < previous.end:
                taken = min(previous.end, block.end) - block.start
                what = (
                    f"{block.owner} needs {block}, but {table.span(block.start, taken)} "
                    f"{'is' if taken == 1 else 'are'} taken by {previous.owner} ({previous.place.short})"
                )
                problems.append(Problem(block.place, what, _free_advice(table, free, block)))
            if previous is None or block.end > previous.end:
                previous = block
    return problems


def _free_advice(table: Table, blocks: list[Block], block: Block) -> str:
    others = [each for each in blocks if each is not block]
    runs = free_runs(others, block.size, block.start)
    if not runs:
        return f"No run of {block.size} free addresses is left; free some"
    start, end = runs[0]
    return f"Move one of them; {table.span(start, end - start)} {'is' if end - start == 1 else 'are'} free"


def layout_problems(layout: Layout) -> list[Problem]:
    """Items of a layout that stand on top of each other."""
    problems = []
    for table in Table:
        previous: Item | None = None
        for item in layout.in_table(table):
            if previous is not None and item.offset < previous.offset + previous.size:
                what = (
                    f"layout {layout.name}: {item.title} at {table.key} offset {item.offset} overlaps "
                    f"{previous.title}, "
                    f"which takes {previous.offset}-{previous.offset + previous.size - 1} ({previous.place.short})"
                )
                cure = f"The next free offset is {layout.size(table)}"
                problems.append(Problem(item.place, what, cure))
            if previous is None or item.offset + item.size > previous.offset + previous.size:
                previous = item
    return problems


def shadow_problems(device: Device) -> list[Problem]:
    """Input items that a holding block would cut in two for readers of function 03."""
    problems: list[Problem] = []
    holdings = device.in_table(Table.HOLDING)
    if not holdings:
        return problems
    for entry in device.entries():
        if entry.table is not Table.INPUT or entry.item.size == 1:
            continue
        for block in holdings:
            covered = min(block.end, entry.end) - max(block.start, entry.address)
            if 0 < covered < entry.item.size:
                what = (
                    f"{block.owner} takes {block}, which hides part of {entry.owner} {entry.item.title} "
                    f"({entry.table.span(entry.address, entry.item.size)}, {entry.place.short}) "
                    "from readers of function 03"
                )
                problems.append(
                    Problem(block.place, what, "Move the holding block so that it covers whole items or none")
                )
    return problems


@dataclass(frozen=True, slots=True)
class Read:
    """One request of a poll plan: a function's table, where it starts and how many it asks for."""

    unit_id: int
    table: Table
    start: int
    count: int


def areas(blocks: Iterable[Block]) -> list[tuple[int, int]]:
    """The unbroken runs that blocks of one table make together, as (start, end): what one read may run over."""
    runs: list[tuple[int, int]] = []
    for block in sorted(blocks, key=lambda block: block.start):
        if runs and block.start <= runs[-1][1]:
            runs[-1] = (runs[-1][0], max(runs[-1][1], block.end))
        else:
            runs.append((block.start, block.end))
    return runs


def poll_plan(device: Device, entries: Iterable[Entry], most_registers: int = 125, most_bits: int = 2000) -> list[Read]:
    """The fewest reads that cover the entries of a device, none over the limits and none splitting a value.

    A read may run over gaps and spare slots, which answer zero, but not past the end of an area, which answers 02.
    Taking as much as fits from the first entry not yet covered is the fewest possible, as for any set of intervals.
    """
    ends = {table: areas(device.in_table(table)) for table in Table}
    reads: list[Read] = []
    for entry in sorted(entries, key=lambda each: (each.table.function, each.address)):
        most = most_bits if entry.table.is_bits else most_registers
        last = reads[-1] if reads and reads[-1].table is entry.table else None
        if last and entry.end - last.start <= most and _same_area(ends[entry.table], last.start, entry.address):
            reads[-1] = Read(last.unit_id, last.table, last.start, max(last.count, entry.end - last.start))
        else:
            reads.append(Read(entry.unit_id, entry.table, entry.address, entry.item.size))
    return reads


def _same_area(runs: list[tuple[int, int]], one: int, other: int) -> bool:
    return any(start <= one < end and start <= other < end for start, end in runs)
