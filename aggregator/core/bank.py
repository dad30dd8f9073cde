"""One table of a virtual device as bytes, written when something changes and read by slicing.

    registers   two bytes each, as they go on the wire        bits   one character each, '0' or '1'

Ages and the gateway's own figures change by themselves. They are worked out when they are read, and only on the page
that is read, so that thousands of silent meters cost nothing.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable

from aggregator.core.address_map import TABLE_SIZE, Block
from aggregator.core.encoding import ItemCodec
from aggregator.core.reading import Now, Value

PAGE = 128  # registers that are brought up to date together; a little more than the longest read
ON, OFF = ord("1"), ord("0")


class Bank:
    """One table's bytes and how far a read may run from each address."""

    __slots__ = ("data", "fresh", "live", "reach", "refused", "refusing", "view")

    def __init__(self, blocks: Iterable[Block], *, bits: bool) -> None:
        self.data = bytearray(b"0" * TABLE_SIZE) if bits else bytearray(2 * TABLE_SIZE)
        self.view = memoryview(self.data)  # slices of it are copied once, those of the bytes twice
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

    def put(self, address: int, data: bytes) -> None:
        """Write an item's registers."""
        self.data[2 * address : 2 * address + len(data)] = data

    def put_bit(self, address: int, on: object) -> None:
        """Write a bit: on for everything true."""
        self.data[address] = ON if on else OFF

    def show(self, address: int, codec: ItemCodec | None, value: Value | None) -> None:
        """Write a value as its codec has it, or as a bit where it has none."""
        if codec is None:
            self.put_bit(address, value)
        else:
            self.put(address, codec.encode(value)[0])

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
