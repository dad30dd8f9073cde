"""The poll plan: it covers all, splits nothing, is the shortest there is, and of the shortest the smallest."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import combinations, pairwise

from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.address_map import Block, Device, Entry, Item, Layout, Shows, Table, areas
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import Place
from aggregator.core.poll_plan import Read, poll_plan

DeviceOf = Callable[..., Device]
Runs = list[tuple[int, int]]


def item_at(offset: int, size: int = 1, table: Table = Table.INPUT) -> Item:
    if table.is_bits:
        return Item(table, offset, Shows.FLAG, "stale")
    return Item(table, offset, Shows.TEXT, "tag", ItemCodec(Encoding("text", size)))


def block(start: int, size: int, *items: Item, table: Table = Table.INPUT) -> Block:
    return Block(table, start, size, Layout("point", items), "FT-101", "FT-101", Place(""))


def device_with(size: int, *items: Item) -> Device:
    """One block in each table, from 0 on."""
    return Device(1, tuple(block(0, size, *items, table=table) for table in Table))


def reads_of(plan: list[Read]) -> list[tuple[int, int]]:
    return [(read.start, read.count) for read in plan]


def test_one_read_runs_over_gaps_and_slots_but_not_past_an_area() -> None:
    device = Device(1, (block(100, 24, item_at(0)), block(124, 24, item_at(22, 2)), block(200, 10, item_at(0))))
    entries = list(device.entries())
    assert poll_plan(device, reversed(entries)) == [Read(1, Table.INPUT, 100, 48), Read(1, Table.INPUT, 200, 1)]


def test_a_strict_plan_runs_over_no_gap_but_over_items_nobody_asked_for() -> None:
    device = device_with(24, item_at(0), item_at(1, 2), item_at(3), item_at(5), item_at(6, 2))
    asked = [entry for entry in device.entries() if entry.address in (0, 3, 5)]
    assert reads_of(poll_plan(device, asked, strict=True)) == [(0, 4), (5, 1)]
    assert reads_of(poll_plan(device, asked)) == [(0, 6)]


def test_tables_are_read_apart_and_bits_up_to_their_own_limit() -> None:
    """V1.1b3 sections 6.1 to 6.4: 2000 bits, 125 registers."""
    coils = [item_at(at, table=Table.COIL) for at in range(2001)]
    inputs = [item_at(at) for at in range(126)]
    device = device_with(3000, *coils, *inputs)
    assert poll_plan(device, device.entries()) == [
        Read(1, Table.COIL, 0, 2000),
        Read(1, Table.COIL, 2000, 1),
        Read(1, Table.INPUT, 0, 125),
        Read(1, Table.INPUT, 125, 1),
    ]


def test_where_the_fewest_reads_leave_a_choice_the_widest_gaps_are_left_out() -> None:
    device = device_with(3000, *(item_at(at) for at in (0, 124, 125, 1999, 2000)))
    assert reads_of(poll_plan(device, device.entries())) == [(0, 1), (124, 2), (1999, 2)]


def test_an_item_wider_than_the_limit_is_read_whole_and_alone() -> None:
    device = device_with(30, item_at(0), item_at(1, 8), item_at(9))
    assert reads_of(poll_plan(device, device.entries(), 4)) == [(0, 1), (1, 8), (9, 1)]


def test_items_that_share_registers_are_read_together() -> None:
    """As in a stand-in, whose meter has several fields in the bits of one register."""
    device = device_with(30, item_at(0), item_at(2, 4), item_at(3, 1), item_at(3, 1), item_at(5, 2), item_at(8))
    assert reads_of(poll_plan(device, device.entries(), 4)) == [(0, 1), (2, 5), (8, 1)]
    assert reads_of(poll_plan(device, device.entries(), 7, strict=True)) == [(0, 1), (2, 5), (8, 1)]


def test_a_read_covers_what_lies_in_it_whole() -> None:
    read = Read(1, Table.INPUT, 100, 4)
    device = device_with(200, item_at(98, 2), item_at(100), item_at(102, 2), item_at(104))
    assert [entry.address for entry in device.entries() if read.covers(entry)] == [100, 102]
    assert not Read(1, Table.HOLDING, 100, 4).covers(next(device.entries()))


# Against every other way there is


@st.composite
def small_maps(draw: st.DrawFn) -> Device:
    """Up to seven values of one to three registers, apart by small gaps that may or may not be mapped."""
    at, blocks = 0, []
    for _ in range(draw(st.integers(1, 7))):
        start = at + draw(st.integers(0, 3))
        size = draw(st.integers(1, 3))
        mapped_from = at if draw(st.booleans()) else start
        blocks.append(block(mapped_from, start + size - mapped_from, item_at(start - mapped_from, size)))
        at = start + size
    return Device(1, tuple(blocks))


def gapless(entries: list[Entry]) -> Runs:
    """The runs of the items themselves."""
    return areas([block(entry.address, entry.item.size) for entry in entries])


def ways(entries: list[Entry], runs: Runs, most: int) -> Iterator[list[tuple[int, int]]]:
    """Every way of cutting the row of entries into reads that are allowed."""
    for cuts in range(len(entries)):
        for places in combinations(range(1, len(entries)), cuts):
            edges = [0, *places, len(entries)]
            reads = [(entries[begin].address, entries[end - 1].end) for begin, end in pairwise(edges)]
            inside = all(any(start <= first and last <= end for start, end in runs) for first, last in reads)
            if inside and all(last - first <= most for first, last in reads):
                yield [(first, last - first) for first, last in reads]


@given(small_maps(), st.integers(3, 12), st.booleans(), st.data())
def test_no_other_plan_has_fewer_reads_or_as_few_and_asks_for_less(
    device: Device, most: int, strict: bool, data: st.DataObject
) -> None:
    every = list(device.entries())
    entries = [entry for entry in every if data.draw(st.booleans())]
    plan = poll_plan(device, entries, most, strict=strict)
    assert all(any(read.covers(entry) for read in plan) for entry in entries)
    if entries:
        runs = gapless(every) if strict else areas(device.blocks)
        allowed = list(ways(entries, runs, most))
        assert reads_of(plan) in allowed
        cost = min((len(way), sum(count for _, count in way)) for way in allowed)
        assert (len(plan), sum(read.count for read in plan)) == cost


def test_a_poll_plan_of_nothing_is_empty(device_of: DeviceOf) -> None:
    assert poll_plan(device_of(), []) == []
