"""How registers are written down, and what stands at one.

Data numbers count from 1 (MODBUS V1.1b3 section 4.4); the table's digit before them is common practice, no source.
"""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.address_map import Table
from aggregator.core.register import NotARegister, Register, registers_meant, standing
from aggregator.core.site import Site
from tests.core.conftest import FIRST

EVERYWHERE = (Table.INPUT, Table.HOLDING, Table.DISCRETE, Table.COIL)


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("30123", (Table.INPUT, 122)),
        ("40001", (Table.HOLDING, 0)),
        ("10009", (Table.DISCRETE, 8)),
        ("00101", (Table.COIL, 100)),
        ("300123", (Table.INPUT, 122)),
        ("465536", (Table.HOLDING, 65535)),
        ("122", (Table.INPUT, 122)),
        ("0x7A", (Table.INPUT, 122)),
        ("input:122", (Table.INPUT, 122)),
        ("holding: 0xFFFF", None),
        ("holding:0xFFFF", (Table.HOLDING, 65535)),
        ("coils:5", (Table.COIL, 5)),
        ("Input Register:5", (Table.INPUT, 5)),
        ("65535", (Table.INPUT, 65535)),
    ],
)
def test_a_register_is_understood_as_people_write_it(text: str, first: tuple[Table, int] | None) -> None:
    if first is None:
        with pytest.raises(NotARegister):
            registers_meant(text)
    else:
        assert registers_meant(text)[0] == first


def test_what_can_be_two_things_is_taken_for_both() -> None:
    assert registers_meant("40101")[0] == (Table.HOLDING, 100)
    assert registers_meant("40101")[1:] == [(table, 40101) for table in EVERYWHERE]
    assert registers_meant("122") == [(table, 122) for table in EVERYWHERE]
    assert registers_meant("300123") == [(Table.INPUT, 122)]


@pytest.mark.parametrize(
    "text", ["", "x", "-1", "70000", "466000", "3.5", "input:65536", "inpt:3", "1:2:3", "12345678"]
)
def test_what_names_no_register_is_refused_with_the_forms_that_do(text: str) -> None:
    with pytest.raises(NotARegister, match=r"30123.*input:122"):
        registers_meant(text)


@given(st.sampled_from(Table), st.integers(0, 65535))
def test_every_reference_leads_back_to_its_register(table: Table, address: int) -> None:
    assert registers_meant(Register(table, address).reference)[0] == (table, address)


@given(st.text(max_size=12))
def test_any_text_is_registers_or_a_sentence(text: str) -> None:
    with contextlib.suppress(NotARegister):
        assert registers_meant(text)


def test_every_register_of_a_value_leads_to_it(trial: Site) -> None:
    device = trial.declared.devices[0]
    for entry in device.entries():
        for address in range(entry.address, entry.end):
            assert standing(device, Register(entry.table, address)).entry == entry


def test_between_the_items_stands_whose_place_it_is_and_what_is_nearest(trial: Site) -> None:
    device = trial.declared.devices[0]
    block = device.in_table(Table.INPUT)[0]
    gaps = set(range(block.start, block.end)) - {
        address
        for entry in device.entries()
        if entry.table is Table.INPUT
        for address in range(entry.address, entry.end)
    }
    (gap,) = gaps  # kept free between two figures of the gateway
    found = standing(device, Register(Table.INPUT, gap))
    assert (found.entry, found.block) == (None, block)
    assert found.before is not None
    assert found.before.end == gap
    assert found.after is not None
    assert found.after.address == gap + 1


def test_what_is_nearest_is_what_a_look_at_every_item_finds(trial: Site) -> None:
    for device in trial.declared.devices:
        for table in Table:
            entries = [entry for entry in device.entries() if entry.table is table]
            edges = {
                at + off for block in device.in_table(table) for at in (block.start, block.end) for off in (-1, 0, 1)
            }
            for address in sorted({*edges, *(entry.address for entry in entries), 0, 65535} & set(range(65536))):
                found = standing(device, Register(table, address))
                ends = [entry.end for entry in entries if entry.end <= address]
                starts = [entry.address for entry in entries if entry.address > address]
                assert (found.before.end if found.before else None) == max(ends, default=None)
                assert (found.after.address if found.after else None) == min(starts, default=None)


def test_outside_every_block_stands_nothing(trial: Site) -> None:
    found = standing(trial.declared.devices[0], Register(Table.INPUT, 60000))
    assert (found.entry, found.block, found.after, found.seen) == (None, None, None, None)
    assert found.before is not None


def test_function_03_shows_an_input_register_where_no_holding_register_stands(trial: Site) -> None:
    found = standing(trial.declared.devices[0], Register(Table.HOLDING, FIRST))
    assert found.seen is not None
    assert found.seen.table is Table.INPUT
