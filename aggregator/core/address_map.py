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
from bisect import bisect_left, bisect_right
from collections.abc import Collection, Iterable, Iterator
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
    GRADE = "grade"
    GRADES = "grades"
    REASONS = "reasons"
    TIME = "time"
    NODE = "node"
    WIRED = "wired"
    TEXT = "text"
    CONSTANT = "constant"
    GATEWAY = "gateway"
    SCRATCH = "scratch"
    SETTING = "setting"
    UNDER_TEST = "under test"
    ALARMS = "active"
    UNACKNOWLEDGED = "unacknowledged"
    ALARM_STATE = "alarm state"
    ALARM_SEQUENCE = "alarm sequence"
    ALARM_PEAK = "alarm peak"
    ALARM_PRIORITY = "alarm priority"
    SETPOINT = "setpoint"
    SUMMARY = "summary"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SILENCE = "silence"
    SUPPRESSION = "suppression"
    SHELVE = "shelve"


OF_A_FIELD = (Shows.VALUE, Shows.TOTAL, Shows.STATUS, Shows.AGE, Shows.GRADE, Shows.REASONS)
"""What has the name of its field in `of`."""
OF_ONE_ALARM = (Shows.ALARM_STATE, Shows.ALARM_SEQUENCE, Shows.ALARM_PEAK, Shows.SETPOINT, Shows.SHELVE)
"""What has the name of its alarm in `of`."""
OF_ALARMS = (*OF_ONE_ALARM, Shows.ALARMS, Shows.UNACKNOWLEDGED)
"""What has the names of alarms in `of`; active and unacknowledged mean any of the meter where it is empty."""
COMMANDS = (Shows.ACKNOWLEDGE, Shows.RESET, Shows.SILENCE)
"""What is written and always reads back as zero: its effect is visible elsewhere."""

SWITCHES = (Shows.UNDER_TEST, Shows.RESET, Shows.SILENCE, Shows.SUPPRESSION)
"""What a register takes as a coil does: 1 or 0, and nothing else."""


class WhenStale(StrEnum):
    """What a value's registers show once it is stale."""

    HOLD = "hold"
    FILLER = "filler"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Item:
    """One thing at one place in a layout. `offset` counts registers or bits from the start of the block.

    `of` holds the field, figure, flag or time (several, comma separated, where they are packed); a constant's value or
    a scratch item's name. `about` is the one field that a flag or a time speaks of, empty for the whole meter. Items of
    bit tables have no codec. In a block of alarms `about` is the group, empty for the whole site.
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
    about: str = ""

    @property
    def fields(self) -> tuple[str, ...]:
        """The fields that the item speaks of, empty where it speaks of the whole meter or of none."""
        if self.shows is Shows.GRADES:
            return tuple(self.of.split(","))
        if self.shows is Shows.SUMMARY or self.shows in COMMANDS:
            return ()
        named = self.of if self.shows in OF_A_FIELD else self.about
        return (named,) if named else ()

    @property
    def alarms(self) -> tuple[str, ...]:
        """The names of the alarms that the item speaks of, empty where it speaks of none or of any."""
        return tuple(self.of.split(",")) if self.shows in OF_ALARMS and self.of else ()

    @property
    def size(self) -> int:
        """Registers or bits taken."""
        return self.codec.encoding.registers if self.codec else 1

    @property
    def title(self) -> str:
        """The item in a few words, as register lists and messages name it."""
        match self.shows:
            case Shows.VALUE | Shows.WIRED | Shows.FLAG | Shows.TEXT | Shows.GATEWAY | Shows.SCRATCH:
                return f"{self.about} {self.of}".strip()
            case Shows.STATUS | Shows.AGE | Shows.TOTAL | Shows.GRADE | Shows.REASONS:
                return f"{self.of} {self.shows}".strip()
            case Shows.FLAGS | Shows.GRADES:
                return f"{self.about} {self.shows} ({self.of})".strip()
            case Shows.SETTING:
                return f"{self.of} {'to set' if self.table is Table.HOLDING else 'in force'}"
            case Shows.TIME:
                return f"{self.about} {self.shows} {self.of}".strip()
            case Shows.RADIO | Shows.CONSTANT:
                return f"{self.shows} {self.of}"
            case _:
                return self._title_of_alarms

    @property
    def _title_of_alarms(self) -> str:
        match self.shows:
            case Shows.ALARMS | Shows.UNACKNOWLEDGED:
                named = f"({self.of})" if "," in self.of else self.of
                return f"{'alarms' if ',' in self.of else 'alarm'} {self.shows} {named}".strip()
            case Shows.SETPOINT:
                return f"{self.of} setpoint {'to set' if self.table is Table.HOLDING else 'in force'}"
            case Shows.ALARM_STATE | Shows.ALARM_SEQUENCE | Shows.ALARM_PEAK:
                return f"{self.of} {self.shows.removeprefix('alarm ')}"
            case Shows.SUMMARY:
                return self.of
            case Shows.SHELVE:
                return f"{self.of} minutes shelved"
            case Shows.SUPPRESSION:
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
    """A run of addresses of one table that one slot owns. `tag` is None for a spare slot and for gateway blocks.

    Blocks that were placed by one line have its place as their `row`.
    """

    table: Table
    start: int
    size: int
    layout: Layout
    tag: str | None
    owner: str
    place: Place = field(compare=False)
    row: Place | None = field(default=None, compare=False)

    @property
    def end(self) -> int:
        return self.start + self.size

    @property
    def declared(self) -> Place:
        """Where its addresses are declared: its row, else its own place."""
        return self.row or self.place

    def __str__(self) -> str:
        return self.table.span(self.start, self.size)

    def entries(self, unit_id: int) -> Iterator[Entry]:
        """Every item of the block at its address in a device."""
        for item in self.layout.in_table(self.table):
            address = self.start + item.offset
            yield Entry(unit_id, self.table, address, item, self.tag, self.owner, self.layout.name, self.place)


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
class StandsIn:
    """Which meter a device stands in for, in the meter's own registers.

    A stale value refuses to be read, or is held. `unread` stands where nobody reads the meter; None answers 02 there.
    """

    tag: str
    refuses_stale: bool = True
    unread: int | None = None


@dataclass(frozen=True, slots=True)
class Device:
    """One virtual device: a unit id and the blocks behind it.

    Its name, by default the unit id, is how listeners and people call it; plant software never sees it. One that stands
    in for a meter has the meter's own registers and nothing else; its blocks say so to register lists.
    """

    unit_id: int
    blocks: tuple[Block, ...]
    answers_all_units: bool = False
    place: Place = field(default=Place(""), compare=False)
    name: str = ""
    stands_in: StandsIn | None = None
    _by_table: dict[Table, list[Block]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Name it after its unit id where it has no name, and sort its blocks once: there are thousands."""
        object.__setattr__(self, "name", self.name or str(self.unit_id))
        ordered = sorted(self.blocks, key=lambda block: block.start)
        by_table = {table: [block for block in ordered if block.table is table] for table in Table}
        object.__setattr__(self, "_by_table", by_table)

    def tags(self) -> frozenset[str]:
        """The meters that it shows."""
        return frozenset(block.tag for block in self.blocks if block.tag is not None)

    def in_table(self, table: Table) -> list[Block]:
        """The blocks of one table, by address."""
        return list(self._by_table[table])

    def within(self, table: Table, start: int, end: int) -> list[Block]:
        """The blocks of one table that have an address from `start` up to `end`, by address."""
        blocks = self._by_table[table]
        first = max(0, bisect_right(blocks, start, key=_start_of) - 1)
        return [block for block in blocks[first : bisect_left(blocks, end, key=_start_of)] if block.end > start]

    def entries(self) -> Iterator[Entry]:
        """Every item at its address, table by table, lowest address first."""
        for table in Table:
            for block in self.in_table(table):
                yield from self.entries_of(block)

    def entries_of(self, block: Block) -> Iterator[Entry]:
        """Every item of one block at its address; a spare slot has none."""
        if block.owner == "spare":
            return
        owner = (block.tag, block.owner, block.layout.name, block.place)
        for item in block.layout.in_table(block.table):
            yield Entry(self.unit_id, block.table, block.start + item.offset, item, *owner)


def _start_of(block: Block) -> int:
    return block.start


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
    meaning = (str(item.shows), item.of, item.unit, str(item.when_stale), *([item.about] if item.about else []))
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
    """What is wrong with where a device's blocks stand: past the end of a table, or on top of each other.

    Where a whole row stands wrong, that is one problem and not one a meter.
    """
    tables = [(table, device.in_table(table)) for table in Table]
    return [problem for table, blocks in tables for problem in (*_past_the_end(blocks), *_clashes(table, blocks))]


def _past_the_end(blocks: Iterable[Block]) -> list[Problem]:
    rows: dict[Place, list[Block]] = {}
    for block in blocks:
        if block.end > TABLE_SIZE:
            rows.setdefault(block.declared, []).append(block)
    cure = "Start lower or give each meter fewer addresses"
    return [
        Problem(
            first.place, f"{first.owner} needs {first}, but the last address is {TABLE_SIZE - 1}{_likewise(more)}", cure
        )
        for first, *more in rows.values()
    ]


def _clashes(table: Table, blocks: list[Block]) -> list[Problem]:
    rows: dict[frozenset[Place], list[tuple[Block, Block]]] = {}
    previous: Block | None = None
    for block in blocks:
        if previous is not None and block.start < previous.end:
            rows.setdefault(frozenset((block.declared, previous.declared)), []).append((block, previous))
        if previous is None or block.end > previous.end:
            previous = block
    return [_clash(table, blocks, clashing) for clashing in rows.values()]


def _clash(table: Table, blocks: list[Block], clashing: list[tuple[Block, Block]]) -> Problem:
    block, previous = clashing[0]
    more = {id(each) for pair in clashing for each in pair if each.declared == block.declared and each is not block}
    taken = min(previous.end, block.end) - block.start
    what = (
        f"{block.owner} needs {block}, but {table.span(block.start, taken)} "
        f"{'is' if taken == 1 else 'are'} taken by {previous.owner} ({previous.place.short}){_likewise(more)}"
    )
    mine = [each for each in blocks if each is block or (more and each.declared == block.declared)]
    return Problem(block.place, what, _free_advice(table, blocks, mine))


def _likewise(more: Collection[object]) -> str:
    """How many more blocks of a row stand as wrong as the first."""
    return f", and {len(more)} more of its row {'stands' if len(more) == 1 else 'stand'} likewise" if more else ""


def _free_advice(table: Table, blocks: list[Block], mine: list[Block]) -> str:
    """Where blocks that stand together could go."""
    moved = set(map(id, mine))
    others = [each for each in blocks if id(each) not in moved and each.end <= TABLE_SIZE]
    start = min(each.start for each in mine)
    size = max(each.end for each in mine) - start
    runs = free_runs(others, size, start)
    if not runs:
        return f"No run of {size} free addresses is left; free some"
    begin, end = runs[0]
    return f"Move one of them; {table.span(begin, end - begin)} {'is' if end - begin == 1 else 'are'} free"


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


def areas(blocks: Iterable[Block]) -> list[tuple[int, int]]:
    """The unbroken runs that blocks of one table make together, as (start, end): what one read may run over."""
    runs: list[tuple[int, int]] = []
    for block in sorted(blocks, key=lambda block: block.start):
        if runs and block.start <= runs[-1][1]:
            runs[-1] = (runs[-1][0], max(runs[-1][1], block.end))
        else:
            runs.append((block.start, block.end))
    return runs
