"""What a map promises: the terms of each item, at its address, and what function 03 reads there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from aggregator.core.address_map import Block, Device, Item, Layout, Shows, StandsIn, Table, WhenStale
from aggregator.core.difference import differences
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.promise import Term, device_words, holds, meets, promises_of

FLOW = Item(Table.INPUT, 2, Shows.VALUE, "flow", ItemCodec(Encoding.number("float32"), Scale(0.1, 5)), "m3/h")


@pytest.mark.parametrize(
    "changed",
    [
        replace(FLOW, shows=Shows.AGE),
        replace(FLOW, of="methane"),
        replace(FLOW, unit="l/min"),
        replace(FLOW, when_stale=WhenStale.REFUSE),
        replace(FLOW, codec=ItemCodec(Encoding.number("uint32"), Scale(0.1, 5))),
        replace(FLOW, codec=ItemCodec(Encoding.number("float32", Order.LOW_FIRST), Scale(0.1, 5))),
        replace(FLOW, codec=ItemCodec(Encoding.number("float32", byte_order=Order.LOW_FIRST), Scale(0.1, 5))),
        replace(FLOW, codec=ItemCodec(Encoding.number("float32"), Scale(0.2, 5))),
        replace(FLOW, codec=ItemCodec(Encoding.number("float32"), Scale(0.1, 6))),
        replace(FLOW, codec=ItemCodec(Encoding.number("float32"), Scale(0.1, 5), filler=-1.0)),
    ],
)
def test_terms_change_with_all_that_a_client_can_notice(changed: Item) -> None:
    assert Term.of(changed) != Term.of(FLOW)


def test_terms_stay_through_notes_places_and_the_unit_that_the_meter_sends_in() -> None:
    sent_in_litres = ItemCodec(Encoding.number("float32"), Scale(0.1, 5), conversion=Scale(0.001))
    other = replace(FLOW, note="at the inlet", place=Place("map.yaml", 9), codec=sent_in_litres)
    assert Term.of(other) == Term.of(FLOW)


def test_the_order_of_words_is_nothing_in_one_register_or_a_text() -> None:
    for encoding in (Encoding.number("uint16", Order.LOW_FIRST), Encoding("text", 4, Order.LOW_FIRST)):
        assert Term.of(replace(FLOW, codec=ItemCodec(encoding))).words == ""


def test_terms_are_told_in_a_few_words() -> None:
    low = ItemCodec(Encoding.number("uint32", Order.LOW_FIRST), Scale(0.1, -5))
    assert str(Term.of(replace(FLOW, codec=low))) == "uint32, scale 0.1, offset -5, m3/h, words low-first"
    assert str(Term.of(Item(Table.COIL, 0, Shows.UNDER_TEST))) == "bit"


def block(table: Table, start: int, size: int, owner: str, *items: Item) -> Block:
    return Block(table, start, size, Layout("point", items), None if owner == "spare" else owner, owner, Place(""))


def test_a_device_promises_its_blocks_by_address_and_of_spare_slots_only_that_they_can_be_read() -> None:
    device = Device(
        1,
        (
            block(Table.INPUT, 124, 24, "spare", FLOW),
            block(Table.INPUT, 100, 24, "FT-101", FLOW),
            block(Table.COIL, 7, 1, "FT-101", Item(Table.COIL, 0, Shows.UNDER_TEST)),
        ),
    )
    listed = [(promise.where, promise.size, promise.owner, len(promise.terms)) for promise in promises_of([device])]
    assert listed == [
        (("1", 1, "coil", 7), 1, "FT-101", 1),
        (("1", 1, "input", 100), 24, "FT-101", 1),
        (("1", 1, "input", 124), 24, "spare", 0),
    ]
    [line] = [line for promise in promises_of([device])[1:] for line in promise.lines()]
    assert (line.where, line.end, line.name, line.span) == (
        ("1", 1, "input", 102),
        104,
        "FT-101 flow",
        "input registers 102-103",
    )


@pytest.mark.parametrize(("start", "hidden"), [(100, False), (102, True), (103, True), (104, False)])
def test_an_input_item_under_a_holding_block_is_hidden_from_function_03(start: int, *, hidden: bool) -> None:
    """Both are read by function 03 at one address, and the holding register is what it finds there."""
    device = Device(1, (block(Table.INPUT, 100, 24, "FT-101", FLOW), block(Table.HOLDING, start, 1, "W")))
    [line] = [line for promise in promises_of([device]) for line in promise.lines()]
    assert line.hidden is hidden


def test_a_stand_in_answers_one_function_and_tells_fields_in_one_register_apart() -> None:
    """Its registers are the meter's own: no filler of ours, and an input register is no holding register there."""
    state, fault = (
        replace(FLOW, shows=Shows.WIRED, of="state", codec=ItemCodec(Encoding.number("uint16")), note=f"bits {bits}")
        for bits in ("0-3", "12-15")
    )
    stands_in = replace(
        Device(9, (block(Table.INPUT, 100, 24, "FT-101", state, fault, FLOW),)), stands_in=StandsIn("FT-101")
    )
    lines = [line for promise in promises_of([stands_in]) for line in promise.lines()]
    assert [line.term.item for line in lines] == ["state bits 0-3", "state bits 12-15", "flow"]
    assert len({line.key for line in lines}) == 3
    assert {(line.hidden, line.term.no_value) for line in lines} == {(True, "")}
    assert differences(lines, lines[:1] + lines[2:])[0].line == lines[1]


def test_devices_are_taken_by_unit_id_whatever_their_order_in_the_file(device_of: Callable[..., Device]) -> None:
    first, second = device_of(), replace(device_of(), unit_id=2, name="boilers")
    assert promises_of([second, first]) == promises_of([first, second])
    assert device_words("1", 1) == "unit 1"
    assert device_words("boilers", 2) == "device boilers"


def test_runs_are_met_and_hold() -> None:
    runs = [(10, 20), (30, 40)]
    assert [meets(runs, start, start + 5) for start in (0, 5, 6, 19, 20, 25, 26, 40)] == [
        False, False, True, True, False, False, True, False,
    ]  # fmt: skip
    assert [holds(runs, start, end) for start, end in ((10, 20), (9, 12), (19, 21), (30, 31), (20, 30))] == [
        True, False, False, True, False,
    ]  # fmt: skip
    assert not meets([], 0, 1)
    assert not holds([], 0, 1)
