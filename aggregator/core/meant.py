"""What a request that was refused probably meant to ask: the slips that commissioning is made of.

Data numbers sent as addresses (one too many), references sent as they are written (40001), the wrong table or unit id,
a length that runs over the end: common practice, no source. The codes are those of MODBUS V1.1b3 section 7.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from aggregator.core.account import Request
from aggregator.core.address_map import Block, Device, Shows, Table, WhenStale, areas
from aggregator.core.errors import ExceptionCode
from aggregator.core.functions import (
    MOST_BITS_READ,
    MOST_BITS_WRITTEN,
    MOST_REGISTERS_READ,
    MOST_REGISTERS_WRITTEN,
    SERVES,
    WRITES,
)

TABLES: Final[Mapping[int, Table]] = {
    1: Table.COIL,
    2: Table.DISCRETE,
    3: Table.HOLDING,
    4: Table.INPUT,
    5: Table.COIL,
    6: Table.HOLDING,
    15: Table.COIL,
    16: Table.HOLDING,
    22: Table.HOLDING,
    23: Table.HOLDING,
}
MOST: Final[Mapping[int, int]] = {
    1: MOST_BITS_READ,
    2: MOST_BITS_READ,
    3: MOST_REGISTERS_READ,
    4: MOST_REGISTERS_READ,
    15: MOST_BITS_WRITTEN,
    16: MOST_REGISTERS_WRITTEN,
    23: MOST_REGISTERS_READ,
}
BIT_NOTATIONS: Final = ((10001, "10001"), (10000, "10000"))
NOTATIONS: Final = ((40001, "40001"), (40000, "40000"), (30001, "30001"), (30000, "30000"))
"""What to take away from a reference that was sent as an address, and how its first one is written."""

Span = tuple[int, int]


class Ground:
    """What can be asked of one listener: `units` has 256 places, one a unit id, with its device or None.

    Where a device's addresses run is worked out when it is first asked for, and then known.
    """

    def __init__(self, units: Sequence[Device | None]) -> None:
        self.units = units
        self._areas: dict[tuple[int, Table, bool], list[Span]] = {}

    def areas(self, device: Device, table: Table, *, write: bool) -> list[Span]:
        """What can be read of a table in one request, or written: function 03 sees the input registers as well."""
        key = (id(device), table, write)
        if key not in self._areas:
            self._areas[key] = _writable(device, table) if write else areas(_readable(device, table))
        return self._areas[key]

    def has(self, device: Device, table: Table, span: Span, *, write: bool) -> bool:
        """Whether a request for so many addresses would be answered."""
        return any(start <= span[0] and span[1] <= end for start, end in self.areas(device, table, write=write))


def probably_meant(ground: Ground, request: Request, code: int) -> str:
    """In one sentence what is wrong with a refused request, and what it was probably meant to be; empty if unknown."""
    units = ground.units
    device = units[request.unit]
    if device is None:
        return _other_unit(units, request)
    if code == ExceptionCode.ILLEGAL_FUNCTION:
        return _function(request)
    if request.start is None or request.quantity is None:
        return ""
    table = TABLES[request.function]
    span = (request.start, request.start + request.quantity)
    if code == ExceptionCode.ILLEGAL_DATA_VALUE:
        return _value(device, request, table, span)
    if code == ExceptionCode.ILLEGAL_DATA_ADDRESS:
        return next(_addresses(ground, device, request, table, span), "")
    if code == ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND:
        return _stale(device, table, span)
    return ""


def _other_unit(units: Sequence[Device | None], request: Request) -> str:
    known = sorted({device.unit_id for device in units if device is not None})
    listed = ", ".join(str(unit) for unit in known)
    return f"no device is unit {request.unit}; there {'is' if len(known) == 1 else 'are'} {listed}"


def _function(request: Request) -> str:
    if request.function in WRITES:
        return "this client may not write that: `allow` of the listener in site.yaml gives the right"
    if request.function in SERVES:
        return "this client may not read: `allow` of the listener in site.yaml gives the right"
    return f"function {request.function:02d} is not served"


def _value(device: Device, request: Request, table: Table, span: Span) -> str:
    most = MOST.get(request.function)
    if most is not None and not 1 <= span[1] - span[0] <= most:
        return f"one request takes 1 to {most} {table.words}s, and this one asks for {span[1] - span[0]}"
    if request.function in WRITES and not table.is_bits:
        for entry in device.entries():
            if entry.table is table and entry.address < span[1] and span[0] < entry.end:
                whole = table.span(entry.address, entry.item.size)
                if not (span[0] <= entry.address and entry.end <= span[1]):
                    return f"{entry.owner} {entry.item.title} is written whole: {whole} in one request"
    return ""


def _addresses(ground: Ground, device: Device, request: Request, table: Table, span: Span) -> Iterator[str]:
    """Every explanation of addresses that are not there, the likeliest first."""
    write = request.function in WRITES
    yield from _as_reference(ground, device, table, span, write=write)
    yield from _off_by_one(ground, device, table, span, write=write)
    yield from _over_the_end(ground, device, table, span, write=write)
    yield from _other_table(ground, device, table, span, write=write)
    for other in {id(each): each for each in ground.units}.values():
        if other is not None and other is not device and ground.has(other, table, span, write=write):
            yield f"unit {other.unit_id} has {table.span(span[0], span[1] - span[0])}, unit {request.unit} has not"
    yield from _nearest(ground, device, table, span, write=write)


def _as_reference(ground: Ground, device: Device, table: Table, span: Span, *, write: bool) -> Iterator[str]:
    for taken_away, written in NOTATIONS if table is not Table.DISCRETE else BIT_NOTATIONS:
        moved = (span[0] - taken_away, span[1] - taken_away)
        if moved[0] >= 0 and ground.has(device, table, moved, write=write):
            first = f"address {moved[0]}"
            yield f"a reference was sent as written: without {written} it is {first}, which is there"


def _off_by_one(ground: Ground, device: Device, table: Table, span: Span, *, write: bool) -> Iterator[str]:
    for step, words in ((-1, "a data number was sent as an address"), (1, "it begins one too low")):
        moved = (span[0] + step, span[1] + step)
        if moved[0] >= 0 and ground.has(device, table, moved, write=write):
            yield f"{words}: {table.span(moved[0], moved[1] - moved[0])} {'is' if _one(moved) else 'are'} there"


def _over_the_end(ground: Ground, device: Device, table: Table, span: Span, *, write: bool) -> Iterator[str]:
    for start, end in ground.areas(device, table, write=write):
        if start <= span[0] < end < span[1]:
            there = end - span[0]
            yield f"it runs over the end: from {span[0]} on there are {there}, and {span[1] - span[0]} were asked for"
        elif span[0] < start < span[1]:
            yield f"it begins before the first address, {start}"


def _other_table(ground: Ground, device: Device, table: Table, span: Span, *, write: bool) -> Iterator[str]:
    if write and table is Table.HOLDING and ground.has(device, Table.INPUT, span, write=False):
        yield f"{Table.INPUT.span(span[0], span[1] - span[0])} can only be read"
    for other in Table:
        if other is table or (write and not other.is_writable) or not ground.has(device, other, span, write=write):
            continue
        size = span[1] - span[0]
        asked = "written as" if write else f"read with function {other.function:02d} as"
        missing = f"{table.span(span[0], size)} {'is' if size == 1 else 'are'} not there"
        yield f"{missing}, but can be {asked} {other.span(span[0], size)}"


def _nearest(ground: Ground, device: Device, table: Table, span: Span, *, write: bool) -> Iterator[str]:
    runs = ground.areas(device, table, write=write)
    if not runs:
        what = "can be written" if write else "is there"
        yield f"no {table.words} {what} on unit {device.unit_id}"
        return
    start, end = min(runs, key=lambda run: max(run[0] - span[0], span[0] - run[1] + 1, 0))
    yield f"the nearest that are there: {table.span(start, end - start)}"


def _stale(device: Device, table: Table, span: Span) -> str:
    seen = (table, Table.INPUT) if table is Table.HOLDING else (table,)
    refusing = [
        entry
        for entry in device.entries()
        if entry.table in seen and entry.address < span[1] and span[0] < entry.end
        if entry.item.shows is Shows.VALUE and entry.item.when_stale is WhenStale.REFUSE
    ]
    if not refusing:
        return ""
    first = refusing[0]
    return f"a stale value refuses to be read: {first.owner} {first.item.title} ({first.item.place.short})"


def _readable(device: Device, table: Table) -> list[Block]:
    blocks = device.in_table(table)
    return [*blocks, *device.in_table(Table.INPUT)] if table is Table.HOLDING else blocks


def _writable(device: Device, table: Table) -> list[Span]:
    return _joined((entry.address, entry.end) for entry in device.entries() if entry.table is table)


def _joined(spans: Iterator[Span]) -> list[Span]:
    runs: list[Span] = []
    for start, end in sorted(spans):
        if runs and start <= runs[-1][1]:
            runs[-1] = (runs[-1][0], max(runs[-1][1], end))
        else:
            runs.append((start, end))
    return runs


def _one(span: Span) -> bool:
    return span[1] - span[0] == 1
