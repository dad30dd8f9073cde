"""The poll plan: the fewest reads that cover chosen items, and among those the ones that ask for least.

items      ##  ####   ##          ## ##  ####           most registers a read: 12
reads      [--------]  .          [---------]           a read may run over gaps, never over the end of an area
                      [-]
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby

from aggregator.core.address_map import Device, Entry, Table, areas

MOST_REGISTERS, MOST_BITS = 125, 2000
"""What one request may ask for (MODBUS V1.1b3 sections 6.1 to 6.4)."""
Runs = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Read:
    """One request of a poll plan: a function's table, where it starts and how many it asks for."""

    unit_id: int
    table: Table
    start: int
    count: int

    @property
    def end(self) -> int:
        return self.start + self.count

    def covers(self, entry: Entry) -> bool:
        """Whether an item of the same device is in the answer, whole."""
        return self.table is entry.table and self.start <= entry.address and entry.end <= self.end


def poll_plan(
    device: Device,
    entries: Iterable[Entry],
    most_registers: int = MOST_REGISTERS,
    most_bits: int = MOST_BITS,
    *,
    strict: bool = False,
) -> list[Read]:
    """The fewest reads that cover the entries of a device, none over the limits and none splitting a value.

    A read may run over gaps and spare slots, which answer zero, but not past the end of an area, which answers 02.
    With `strict` it runs over no address that has no item. Where the fewest reads can be had in several ways, those
    are chosen that ask for the fewest registers. An item wider than the limit has a read of its own.
    """
    reads: list[Read] = []
    ordered = sorted(entries, key=lambda entry: (entry.table.function, entry.address))
    for table, in_table in groupby(ordered, key=lambda entry: entry.table):
        runs = _item_runs(device, table) if strict else areas(device.in_table(table))
        most = most_bits if table.is_bits else most_registers
        for row in _by_run(_spans(in_table), runs):
            reads += (Read(device.unit_id, table, start, end - start) for start, end in _cut(row, most))
    return reads


def _item_runs(device: Device, table: Table) -> Runs:
    """The unbroken runs that the items of a table make together, as (start, end)."""
    runs: Runs = []
    for entry in device.entries():
        if entry.table is table:
            if runs and entry.address <= runs[-1][1]:
                runs[-1] = (runs[-1][0], max(runs[-1][1], entry.end))
            else:
                runs.append((entry.address, entry.end))
    return runs


def _spans(entries: Iterable[Entry]) -> Runs:
    """What must stay together, by address: an item, or several that share registers."""
    spans: Runs = []
    for entry in entries:
        if spans and entry.address < spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], entry.end))
        else:
            spans.append((entry.address, entry.end))
    return spans


def _by_run(spans: Runs, runs: Runs) -> Iterator[Runs]:
    """The spans in one list for each run that has any."""
    left = deque(spans)
    for _, end in runs:
        row = []
        while left and left[0][0] < end:
            row.append(left.popleft())
        if row:
            yield row


def _cut(row: Runs, most: int) -> Runs:
    """A row of spans cut into the fewest pieces of at most `most` addresses, and those as short as can be.

    Worked out from the end: `best[at]` is what the spans from `at` on cost, in reads and addresses. Where the first
    piece may end is a window that only ever moves down, so the cheapest end in it is kept at hand and none is looked
    at twice.
    """
    best = [(0, 0)] * (len(row) + 1)
    next_cut = [0] * len(row)
    window: deque[tuple[int, int, int]] = deque()  # reads and addresses if the piece ends before a span, and which
    for at in reversed(range(len(row))):
        reads, addresses = best[at + 1]
        new = (reads, addresses + row[at][1], at + 1)
        while window and window[-1][:2] > new[:2]:
            window.pop()
        window.append(new)
        while len(window) > 1 and row[window[0][2] - 1][1] - row[at][0] > most:
            window.popleft()
        reads, addresses, next_cut[at] = window[0]
        best[at] = (reads + 1, addresses - row[at][0])
    pieces = []
    at = 0
    while at < len(row):
        pieces.append((row[at][0], row[next_cut[at] - 1][1]))
        at = next_cut[at]
    return pieces
