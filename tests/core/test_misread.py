"""What a driver shows that reads an item wrongly, held against a foreign library that is told to read it wrongly."""

from __future__ import annotations

import struct
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusTcpClient
from pymodbus.client.mixin import ModbusClientMixin

from aggregator.core.encoding import NUMBERS, Encoding, ItemCodec, Order, Scale
from aggregator.core.misread import misreadings

TYPES = ModbusClientMixin.DATATYPE
FOREIGN = {each.name.lower(): each for each in TYPES}
WORD_ORDER: dict[Order, Literal["big", "little"]] = {Order.HIGH_FIRST: "big", Order.LOW_FIRST: "little"}


def by_way(codec: ItemCodec, raw: bytes, before: bytes | None = None, after: bytes | None = None) -> dict[str, float]:
    return {each.way: each.value for each in misreadings(codec, raw, before, after)}


def foreign(raw: bytes, kind: str, words: Order) -> float:
    registers = list(struct.unpack(f">{len(raw) // 2}H", raw))
    value = ModbusTcpClient.convert_from_registers(registers, FOREIGN[kind], word_order=WORD_ORDER[words])
    assert isinstance(value, int | float)
    return value


@pytest.mark.parametrize("kind", ["uint32", "int32", "uint64", "int64", "float32", "float64"])
@pytest.mark.parametrize("words", list(Order))
def test_the_other_order_of_words_shows_what_pymodbus_shows_in_that_order(kind: str, words: Order) -> None:
    codec = ItemCodec(Encoding.number(kind, words))
    raw, _ = codec.encode(1234567)
    other = Order.LOW_FIRST if words is Order.HIGH_FIRST else Order.HIGH_FIRST
    found = by_way(codec, raw)[f"words {other}: the registers in the other order"]
    assert found == foreign(raw, kind, other)


def test_a_float_taken_for_an_integer_shows_its_bits() -> None:
    """100.0 is 0x42C80000 (IEEE 754-2019 section 3.4, worked out by hand)."""
    found = by_way(ItemCodec(Encoding.number("float32")), bytes.fromhex("42C80000"))
    assert found["as uint32"] == 0x42C80000
    assert found["its first register alone, as uint16"] == 0x42C8
    assert found["bytes low-first: the two bytes of each register exchanged"] == foreign(
        bytes.fromhex("C8420000"), "float32", Order.HIGH_FIRST
    )


def test_an_address_that_is_one_off_shows_half_of_the_neighbour() -> None:
    codec = ItemCodec(Encoding.number("uint32"))
    found = by_way(codec, bytes.fromhex("00010002"), before=bytes.fromhex("0009"), after=bytes.fromhex("0007"))
    assert found["one register too high: a data number taken for an address"] == 0x00020007
    assert found["one register too low: one taken away that the driver takes away already"] == 0x00090001
    assert not any("one register too" in way for way in by_way(codec, bytes.fromhex("00010002")))


def test_a_scale_left_out_and_a_sign_left_out_are_told() -> None:
    found = by_way(ItemCodec(Encoding.number("int16"), Scale(0.1)), bytes.fromhex("FF85"))
    assert found["not scaled: the number as it stands in the register"] == -123
    assert found["as uint16"] == 6541.3


def test_what_shows_the_true_value_all_the_same_is_no_mistake() -> None:
    assert "as uint16" not in by_way(ItemCodec(Encoding.number("int16")), bytes.fromhex("0102"))
    assert misreadings(ItemCodec(Encoding.number("uint16")), b"\0\0") == []
    assert misreadings(ItemCodec(Encoding("text", 2)), b"TEST") == []


@given(st.sampled_from(sorted(NUMBERS)), st.sampled_from(Order), st.sampled_from(Order), st.binary(min_size=12))
def test_any_registers_are_told_in_finite_numbers_and_each_once(
    kind: str, words: Order, order: Order, data: bytes
) -> None:
    codec = ItemCodec(Encoding.number(kind, words, order), Scale(0.1, -100))
    size = 2 * codec.encoding.registers
    values = [each.value for each in misreadings(codec, data[2 : 2 + size], data[:2], data[2 + size : 4 + size])]
    assert len(set(values)) == len(values)
    assert all(abs(each) < float("inf") for each in values)
