"""What plant software can rely on: which item of whom stands at which address, and how.

    promise   a block of one table that belongs to one owner: a meter, the gateway block, the test block, a spare slot
    term      how one item of it stands: type, order, scale, unit, filler, meaning
    line      a term at its address: what plant software has built one of its own points on

Only what a client can notice is in a term. What a layout is called, in which unit the meter sends and what the
register list notes are not.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from aggregator.core.address_map import SWITCHES, Block, Device, Item, Shows, Table, areas
from aggregator.core.encoding import ItemCodec
from aggregator.core.errors import Place

SPARE = "spare"
NEVER_WITHOUT = (
    Shows.STATUS,
    Shows.FLAGS,
    Shows.GRADE,
    Shows.GRADES,
    Shows.REASONS,
    Shows.CONSTANT,
    Shows.SCRATCH,
    Shows.TEXT,
    Shows.ALARMS,
    Shows.UNACKNOWLEDGED,
    Shows.ALARM_STATE,
    Shows.ALARM_SEQUENCE,
    Shows.ALARM_PRIORITY,
    Shows.ACKNOWLEDGE,
    Shows.SUMMARY,
    Shows.SHELVE,
    *SWITCHES,
)
GOES_STALE = (Shows.VALUE, Shows.WIRED)
NOWHERE = Place("")
Where = tuple[str, int, str, int]
"""A device's name and unit id, the key of a table, an address."""


@dataclass(frozen=True, slots=True)
class Term:
    """How one item stands. Texts are empty where they say nothing: the order of words in a single register."""

    registers: int  # bits, in a table of bits
    shows: str
    item: str
    type: str = "bit"
    words: str = ""
    bytes: str = ""
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    no_value: str = ""
    when_stale: str = ""
    place: Place = field(default=NOWHERE, compare=False)

    @classmethod
    def of(cls, item: Item, *, stands_in: bool = False) -> Term:
        """The terms on which an item of a layout stands, or one of a stand-in, which has no filler of its own."""
        when_stale = str(item.when_stale) if item.shows in GOES_STALE else ""
        if item.codec is None:
            return cls(item.size, str(item.shows), item.title, unit=item.unit, place=item.place)
        # Several fields can share a register of a meter's own list; its note says which bits are whose.
        title = f"{item.title} {item.note}" if item.shows is Shows.WIRED else item.title
        encoding, scale = item.codec.encoding, item.codec.scale
        return cls(
            item.size,
            str(item.shows),
            title,
            encoding.type,
            str(encoding.word_order) if item.size > 1 and not encoding.is_text else "",
            str(encoding.byte_order),
            scale.factor,
            scale.offset,
            item.unit,
            "" if stands_in or item.shows in NEVER_WITHOUT else filler_text(item.codec),
            when_stale,
            item.place,
        )

    def __str__(self) -> str:
        """The terms in a few words: `uint32, scale 0.1, m3`."""
        parts = [self.type]
        if self.scale != 1:
            parts.append(f"scale {self.scale:g}")
        if self.offset:
            parts.append(f"offset {self.offset:g}")
        if self.unit:
            parts.append(self.unit)
        parts += [f"{what} {order}" for what, order in (("words", self.words), ("bytes", self.bytes)) if "low" in order]
        return ", ".join(parts)


def device_words(name: str, unit_id: int) -> str:
    """A device as messages name it: `unit 1`, or `device boilers` where it has a name of its own."""
    return f"unit {unit_id}" if name == str(unit_id) else f"device {name}"


def filler_text(codec: ItemCodec) -> str:
    """What a register holds where there is no value, as register lists say it."""
    if not isinstance(codec.filler, int | float) or not codec.encoding.is_float:
        return str(codec.filler)
    return "NaN" if math.isnan(codec.filler) else f"{codec.filler:.15g}"


Terms = tuple[tuple[int, Term], ...]
"""The terms of a block, each with its offset."""


@dataclass(frozen=True, slots=True)
class Line:
    """One item at its address. `device` is the device's name, by default its unit id.

    `hidden` is true where readers of function 03 find a holding register in the place of an input register.
    """

    device: str
    unit_id: int
    table: Table
    address: int
    owner: str
    term: Term
    hidden: bool = False
    place: Place = field(default=NOWHERE, compare=False)

    @property
    def end(self) -> int:
        return self.address + self.term.registers

    @property
    def where(self) -> Where:
        """Its address. Several lines have the same only where fields share a register."""
        return self.device, self.unit_id, self.table.key, self.address

    @property
    def who(self) -> tuple[str, str, str]:
        """Whose item it is, and what it shows."""
        return self.owner, self.term.shows, self.term.item

    @property
    def key(self) -> tuple[Where, tuple[str, str, str]]:
        """What no other line has."""
        return self.where, self.who

    @property
    def name(self) -> str:
        return f"{self.owner} {self.term.item}"

    @property
    def span(self) -> str:
        return self.table.span(self.address, self.term.registers)


@dataclass(frozen=True, slots=True)
class Promise:
    """A block of one owner and the terms in it, each with its offset.

    `hidden` are the offsets that function 03 does not read.
    """

    device: str
    unit_id: int
    table: Table
    start: int
    size: int
    owner: str
    terms: Terms
    hidden: frozenset[int] = frozenset()
    place: Place = field(default=NOWHERE, compare=False)
    layout: Place = field(default=NOWHERE, compare=False)
    kind: str = field(default="", compare=False)  # what its layout is called

    @property
    def end(self) -> int:
        return self.start + self.size

    @property
    def span(self) -> str:
        return self.table.span(self.start, self.size)

    @property
    def where(self) -> Where:
        """Where it begins; no two blocks begin at one address."""
        return self.device, self.unit_id, self.table.key, self.start

    def lines(self) -> Iterator[Line]:
        """The items at their addresses."""
        for offset, term in self.terms:
            hidden = offset in self.hidden
            yield Line(self.device, self.unit_id, self.table, self.start + offset, self.owner, term, hidden, self.place)


def promises_of(devices: Iterable[Device]) -> list[Promise]:
    """All that a map promises, by unit id, table and address. Spare slots promise only that they can be read over."""
    return [
        promise
        for device in sorted(devices, key=lambda each: (each.unit_id, each.name))
        for promise in _of_device(device)
    ]


def _of_device(device: Device) -> Iterator[Promise]:
    holdings = areas(device.in_table(Table.HOLDING))
    stands_in = device.stands_in is not None
    terms_of: dict[tuple[int, Table], Terms] = {}  # thousands of meters share a layout
    for table in Table:
        for block in device.in_table(table):
            layout = (id(block.layout), table)
            if layout not in terms_of:
                items = block.layout.in_table(table)
                terms_of[layout] = tuple((item.offset, Term.of(item, stands_in=stands_in)) for item in items)
            terms = () if block.owner == SPARE else terms_of[layout]
            hidden: frozenset[int] = frozenset()
            if table is Table.INPUT:  # a stand-in answers the function of each table and no other
                hidden = frozenset(at for at, _ in terms) if stands_in else _hidden(block, terms, holdings)
            where = (device.name, device.unit_id, table, block.start, block.size, block.owner)
            yield Promise(*where, terms, hidden, block.place, block.layout.place, block.layout.name)


def _hidden(block: Block, terms: Terms, holdings: list[tuple[int, int]]) -> frozenset[int]:
    """The offsets of the items that a holding block stands over."""
    if not meets(holdings, block.start, block.end):
        return frozenset()
    inside = ((offset, block.start + offset, block.start + offset + term.registers) for offset, term in terms)
    return frozenset(offset for offset, start, end in inside if meets(holdings, start, end))


def meets(runs: list[tuple[int, int]], start: int, end: int) -> bool:
    """Whether any of the runs, which lie apart and in order, has an address from `start` up to `end`."""
    at = bisect_right(runs, (start, math.inf)) - 1
    return (at >= 0 and runs[at][1] > start) or (at + 1 < len(runs) and runs[at + 1][0] < end)


def holds(runs: list[tuple[int, int]], start: int, end: int) -> bool:
    """Whether one of the runs, which lie apart and in order, has every address from `start` up to `end`."""
    at = bisect_right(runs, (start, math.inf)) - 1
    return at >= 0 and runs[at][1] >= end
