"""Blocks, entries and fingerprint of a map."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace

import pytest

from aggregator.core.address_map import (
    TABLE_SIZE,
    Block,
    Device,
    Item,
    Layout,
    Shows,
    Table,
    WhenStale,
    areas,
    block_problems,
    fingerprint,
    free_runs,
    layout_problems,
    shadow_problems,
)
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place


def value(offset: int, kind: str = "uint16", table: Table = Table.INPUT, of: str = "flow", line: int = 1) -> Item:
    codec = ItemCodec(Encoding.number(kind))
    return Item(table, offset, Shows.VALUE, of, codec, place=Place("map.yaml", line))


def block(
    start: int, size: int, owner: str = "FT-101", table: Table = Table.INPUT, items: Sequence[Item] = ()
) -> Block:
    place = Place("map.yaml", start)
    return Block(table, start, size, Layout("point", tuple(items)), owner, owner, place)


def problems_of(*blocks: Block) -> list[str]:
    return [str(problem) for problem in block_problems(Device(1, blocks))]


def test_tables_are_those_of_the_specification() -> None:
    """V1.1b3 section 4.3 and the functions of sections 6.1 to 6.4; the reference digits are common practice."""
    assert [(table.function, table.digit, table.is_bits, table.is_writable) for table in Table] == [
        (1, 0, True, True),
        (2, 1, True, False),
        (4, 3, False, False),
        (3, 4, False, True),
    ]


def test_runs_of_addresses_are_named_in_words() -> None:
    assert Table.INPUT.span(140, 2) == "input registers 140-141"
    assert Table.COIL.span(7, 1) == "coil 7"
    assert str(block(100, 24)) == "input registers 100-123"


@pytest.mark.parametrize(
    ("shows", "of", "title"),
    [
        (Shows.VALUE, "flow", "flow"),
        (Shows.FLAG, "stale", "stale"),
        (Shows.TEXT, "tag", "tag"),
        (Shows.STATUS, "", "status"),
        (Shows.STATUS, "flow", "flow status"),
        (Shows.AGE, "flow", "flow age"),
        (Shows.FLAGS, "bad,stale", "flags (bad,stale)"),
        (Shows.RADIO, "rssi", "radio rssi"),
        (Shows.GATEWAY, "uptime", "uptime"),
        (Shows.CONSTANT, "42", "constant 42"),
        (Shows.COUNTER, "", "counter"),
        (Shows.UNDER_TEST, "", "under test"),
        (Shows.GRADE, "", "grade"),
        (Shows.REASONS, "flow", "flow reasons"),
        (Shows.GRADES, "flow,volume", "grades (flow,volume)"),
        (Shows.TIME, "observed hour", "time observed hour"),
        (Shows.NODE, "", "node"),
    ],
)
def test_an_item_is_named_in_a_few_words(shows: Shows, of: str, title: str) -> None:
    assert Item(Table.INPUT, 0, shows, of).title == title


def test_a_device_lists_every_item_at_its_address_and_leaves_spare_slots_out() -> None:
    items = (value(2, "float32"), value(0), Item(Table.COIL, 1, Shows.UNDER_TEST))
    device = Device(
        7,
        (
            block(148, 24, "FT-103", items=items),
            block(100, 24, "FT-101", items=items),
            block(124, 24, "spare", items=items),
            block(10, 4, "FT-101", Table.COIL, items),
        ),
    )
    listed = [(entry.table, entry.address, entry.end, entry.tag, entry.unit_id) for entry in device.entries()]
    assert listed == [
        (Table.COIL, 11, 12, "FT-101", 7),
        (Table.INPUT, 100, 101, "FT-101", 7),
        (Table.INPUT, 102, 104, "FT-101", 7),
        (Table.INPUT, 148, 149, "FT-103", 7),
        (Table.INPUT, 150, 152, "FT-103", 7),
    ]


# Problems


def test_blocks_side_by_side_are_no_problem() -> None:
    assert problems_of(block(100, 24), block(124, 24), block(100, 24, table=Table.HOLDING)) == []


def test_blocks_on_top_of_each_other_are_named_with_a_free_run() -> None:
    assert problems_of(block(100, 24), block(120, 24, "FT-102")) == [
        (
            "map.yaml:120:1: FT-102 needs input registers 120-143, but input registers 120-123 are taken by FT-101 "
            "(map.yaml:100). Move one of them; input registers 124-65535 are free."
        )
    ]


def test_a_single_shared_address_is_named_in_the_singular() -> None:
    [problem] = problems_of(block(100, 24), block(123, 1, "FT-102"), block(124, TABLE_SIZE - 124), block(0, 99))
    assert "but input register 123 is taken by FT-101" in problem
    assert problem.endswith("Move one of them; input register 99 is free.")


def test_a_table_without_room_says_so() -> None:
    [problem] = problems_of(block(0, TABLE_SIZE), block(5, 10, "FT-102"))
    assert problem.endswith("No run of 10 free addresses is left; free some.")


def test_a_block_inside_another_does_not_hide_the_next_clash() -> None:
    found = problems_of(block(100, 50), block(110, 5, "FT-102"), block(140, 5, "FT-103"))
    assert [problem.split(": ")[1].split(",")[0] for problem in found] == [
        "FT-102 needs input registers 110-114",
        "FT-103 needs input registers 140-144",
    ]


def test_a_block_past_the_last_address_is_refused() -> None:
    """V1.1b3 section 4.4: addresses 0 to 65535."""
    assert problems_of(block(TABLE_SIZE - 24, 24)) == []
    assert problems_of(block(TABLE_SIZE - 23, 24)) == [
        (
            "map.yaml:65513:1: FT-101 needs input registers 65513-65536, but the last address is 65535. "
            "Start lower or give each meter fewer addresses."
        )
    ]


def test_free_runs_are_the_nearest_first() -> None:
    taken = [block(100, 100), block(210, 100), block(150, 20)]
    assert free_runs(taken, 10, 205) == [(200, 210), (0, 100), (310, TABLE_SIZE)]
    assert free_runs(taken, 11, 400) == [(310, TABLE_SIZE), (0, 100)]
    assert free_runs([block(0, TABLE_SIZE)], 1, 0) == []


def test_items_of_a_layout_on_top_of_each_other_are_named() -> None:
    wide, other = value(0, "uint64", of="volume", line=4), value(3, line=5)
    layout = Layout("point", (other, wide, value(3, table=Table.HOLDING)))
    assert [str(problem) for problem in layout_problems(layout)] == [
        (
            "map.yaml:5:1: layout point: flow at input offset 3 overlaps volume, which takes 0-3 (map.yaml:4). "
            "The next free offset is 4."
        )
    ]
    assert layout_problems(Layout("point", (wide, value(4), value(5, "float32")))) == []


def test_an_item_inside_another_does_not_hide_the_next_clash() -> None:
    layout = Layout("point", (value(0, "uint64"), value(1), value(3)))
    assert len(layout_problems(layout)) == 2


@pytest.mark.parametrize(("start", "hidden"), [(98, 0), (99, 1), (100, 0), (101, 1), (102, 0)])
def test_a_holding_block_that_cuts_an_input_value_in_two_is_refused(start: int, hidden: int) -> None:
    """Function 03 reads input registers too, so a holding block may cover a value whole or not at all."""
    device = Device(1, (block(100, 4, items=[value(0, "float32"), value(2)]), block(start, 2, "W", Table.HOLDING)))
    found = shadow_problems(device)
    assert len(found) == hidden
    assert all("hides part of FT-101 flow (input registers 100-101" in problem.what for problem in found)


def test_without_holding_blocks_nothing_is_hidden() -> None:
    assert shadow_problems(Device(1, (block(100, 4, items=[value(0, "float32")]),))) == []


def test_areas_are_the_unbroken_runs_of_blocks() -> None:
    assert areas([block(124, 24), block(100, 24), block(200, 10), block(130, 5)]) == [(100, 148), (200, 210)]


# Fingerprint


def device_with(item: Item, start: int = 100, tag: str = "FT-101", unit: int = 1, size: int = 24) -> Device:
    return Device(unit, (block(start, size, tag, items=[item, value(20, of="volume")]),))


BASE = Item(Table.INPUT, 2, Shows.VALUE, "flow", ItemCodec(Encoding.number("float32")), "m3/h")


@pytest.mark.parametrize(
    "changed",
    [
        device_with(BASE, start=101),
        device_with(BASE, tag="FT-102"),
        device_with(BASE, unit=2),
        device_with(replace(BASE, offset=3)),
        device_with(replace(BASE, of="methane")),
        device_with(replace(BASE, shows=Shows.AGE)),
        device_with(replace(BASE, unit="l/min")),
        device_with(replace(BASE, when_stale=WhenStale.REFUSE)),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("uint32")))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32", Order.LOW_FIRST)))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32", byte_order=Order.LOW_FIRST)))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32"), Scale(0.1)))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32"), Scale(1, 5)))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32"), conversion=Scale(60.0)))),
        device_with(replace(BASE, codec=ItemCodec(Encoding.number("float32"), filler=-1.0))),
    ],
)
def test_the_fingerprint_changes_with_every_change_of_meaning(changed: Device) -> None:
    assert fingerprint([changed]) != fingerprint([device_with(BASE)])


def test_the_fingerprint_stays_through_notes_places_order_and_room() -> None:
    other = device_with(value(0), unit=9)
    base = fingerprint([device_with(BASE), other])
    noted = device_with(replace(BASE, note="at the inlet", place=Place("map.yaml", 99)))
    assert fingerprint([noted, other]) == base
    assert fingerprint([other, device_with(BASE)]) == base
    assert fingerprint([device_with(BASE, size=48), other]) == base
    turned = Layout("renamed", tuple(reversed(device_with(BASE).blocks[0].layout.items)))
    spare = Block(Table.INPUT, 400, 24, turned, None, "spare", Place(""))
    moved = replace(device_with(BASE).blocks[0], layout=turned)
    assert fingerprint([Device(1, (spare, moved)), other]) == base


def test_the_fingerprint_is_the_crc_32_of_the_map_written_out() -> None:
    """Plant software compares it with the one it was built against, so nothing but the map's meaning may enter."""
    written = (
        "(1, 'input', 102, 'FT-101', 'value', 'flow', 'm3/h', 'hold',"
        " 'float32', 2, 'high-first', 'high-first', 1.0, 0.0, 1.0, 0.0, nan)"
        "(1, 'input', 120, 'FT-101', 'value', 'volume', '', 'hold',"
        " 'uint16', 1, 'high-first', 'high-first', 1.0, 0.0, 1.0, 0.0, 65535)"
    )
    assert fingerprint([device_with(BASE)]) == zlib.crc32(written.encode())


def test_the_fingerprint_knows_bits_by_their_flag() -> None:
    def with_bit(flag: str) -> Device:
        return Device(1, (block(0, 8, table=Table.DISCRETE, items=[Item(Table.DISCRETE, 0, Shows.FLAG, flag)]),))

    assert fingerprint([with_bit("stale")]) == zlib.crc32(b"(1, 'discrete', 0, 'FT-101', 'flag', 'stale', '', 'hold')")
    assert fingerprint([with_bit("bad")]) != fingerprint([with_bit("stale")])
