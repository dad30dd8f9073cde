"""One table's bytes: what is written stands there, and what changes by itself is right whenever it is read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.address_map import TABLE_SIZE, Block, Layout, Table
from aggregator.core.bank import PAGE, Bank, reach_of
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import Place
from aggregator.core.reading import Now


def registers_bank(*runs: tuple[int, int]) -> Bank:
    layout = Layout("loose", ())
    return Bank((Block(Table.INPUT, start, size, layout, None, "x", Place("")) for start, size in runs), bits=False)


@pytest.fixture
def bank() -> Bank:
    return registers_bank((0, 10), (10, 5), (TABLE_SIZE - 2, 2))


def test_an_empty_table_reads_as_zero() -> None:
    assert bytes(registers_bank().data) == bytes(2 * TABLE_SIZE)
    assert bytes(Bank((), bits=True).data) == b"0" * TABLE_SIZE


def test_reach_runs_across_blocks_that_touch_and_ends_with_the_table(bank: Bank) -> None:
    reach = [bank.reach[address] for address in (0, 9, 14, 15, TABLE_SIZE - 2, TABLE_SIZE - 1)]
    assert reach == [15, 6, 1, 0, 2, 1]


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(0, 40)), max_size=6))
def test_reach_is_how_many_addresses_can_be_read(runs: list[tuple[int, int]]) -> None:
    mapped = {address for start, size in runs for address in range(start, start + size)}
    reach = reach_of((start, start + size) for start, size in runs)
    for address in range(345):
        end = next(at for at in range(address, 400) if at not in mapped)
        assert reach[address] == end - address


def test_what_is_put_stands_at_its_address_and_nowhere_else(bank: Bank) -> None:
    bank.put(3, b"\x12\x34\x56\x78")
    assert bytes(bank.view[4:12]) == b"\0\0\x12\x34\x56\x78\0\0"
    bank.show(3, ItemCodec(Encoding.number("uint16")), 7)
    assert bytes(bank.view[4:12]) == b"\0\0\x00\x07\x56\x78\0\0"


@pytest.mark.parametrize(("on", "bit"), [(True, b"1"), (4, b"1"), (0, b"0"), (None, b"0")])
def test_a_bit_is_on_for_everything_true(on: object, bit: bytes) -> None:
    bits = Bank((), bits=True)
    bits.put_bit(5, on)
    assert bytes(bits.data[4:7]) == b"0" + bit + b"0"


def test_a_value_without_a_codec_is_a_bit() -> None:
    bits = Bank((), bits=True)
    bits.show(5, None, 1)
    assert bytes(bits.data[4:7]) == b"010"


def test_what_lives_is_worked_out_once_a_second_and_only_where_it_is_read(bank: Bank) -> None:
    calls: list[Now] = []
    assert bank.add_live(PAGE - 1, 2, calls.append) == range(2)  # across two pages
    bank.bring_up_to_date(2 * PAGE, 4, Now(1.0, 0.0))
    assert calls == []
    bank.bring_up_to_date(0, 4, Now(1.0, 0.0))
    bank.bring_up_to_date(0, 4, Now(1.9, 0.0))
    assert calls == [Now(1.0, 0.0)]
    bank.bring_up_to_date(PAGE, 4, Now(1.9, 0.0))
    assert calls == [Now(1.0, 0.0), Now(1.9, 0.0)]
    bank.bring_up_to_date(PAGE - 1, 2, Now(2.0, 0.0))
    assert calls[2:] == [Now(2.0, 0.0)] * 2


def test_refusing_twice_or_ending_it_twice_counts_once(bank: Bank) -> None:
    for on, refusing in ((False, 0), (True, 4), (True, 4), (False, 0), (False, 0)):
        bank.refuse(3, 4, on)
        assert bank.refusing == refusing
        assert [at for at in range(10) if bank.refused[at]] == (list(range(3, 7)) if on else [])
