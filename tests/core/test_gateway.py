"""The two built-in blocks: the gateway's figures, and known values to settle word order and scaling with."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aggregator.core import gateway
from aggregator.core.address_map import Block, Device, Shows, Table, fingerprint, layout_problems
from aggregator.core.encoding import Order
from aggregator.core.errors import ModbusError
from aggregator.core.gateway import FIGURES, GATEWAY_BLOCK, TEST_BLOCK, gateway_layout, whole_seconds
from aggregator.core.image import Image, Write
from aggregator.core.reading import Now
from tests.core.conftest import ANYBODY

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST
ORDERS = [(HIGH, HIGH), (LOW, HIGH), (HIGH, LOW), (LOW, LOW)]
NOW = Now(5000.0, 1_795_600_000.0)


def trial(words: Order = HIGH, byte_order: Order = HIGH) -> Image:
    """A device that holds the test block alone, from address 0 of every table."""
    layout = gateway.test_layout(words, byte_order)
    blocks = (Block(table, 0, size, layout, None, "test block", gateway.BUILT_IN) for table, size in TEST_BLOCK.items())

    def accept(writes: list[Write], _now: Now) -> None:
        for write in writes:
            image.write_scratch(write.item.of, write.value)

    image = Image(Device(1, tuple(blocks)), {}, lambda name, now: None, accept)
    return image


@pytest.mark.parametrize(("words", "byte_order"), ORDERS)
def test_the_blocks_fit_the_room_they_are_given(words: Order, byte_order: Order) -> None:
    for layout, room in (
        (gateway_layout(words, byte_order), GATEWAY_BLOCK),
        (gateway.test_layout(words, byte_order), TEST_BLOCK),
    ):
        assert layout_problems(layout) == []
        for table in Table:
            assert layout.size(table) <= room.get(table, 0)


def test_no_figure_of_the_gateway_block_ever_moves() -> None:
    """The offsets are a promise to plant software; a change here breaks what is installed."""
    assert [(figure.name, figure.offset, figure.type) for figure in FIGURES] == [
        ("heartbeat", 0, "uint16"),
        ("state", 1, "uint16"),
        ("map_fingerprint", 2, "uint32"),
        ("uptime", 4, "uint32"),
        ("meters_total", 6, "uint16"),
        ("meters_good", 7, "uint16"),
        ("meters_uncertain", 8, "uint16"),
        ("meters_bad", 9, "uint16"),
        ("meters_stale", 10, "uint16"),
        ("meters_never_seen", 11, "uint16"),
        ("meters_under_test", 12, "uint16"),
        ("meters_in_alarm", 13, "uint16"),
        ("alarms_unacknowledged", 14, "uint16"),
        ("uplinks_accepted", 16, "uint32"),
        ("uplinks_duplicate", 18, "uint32"),
        ("uplinks_late", 20, "uint32"),
        ("uplinks_rejected", 22, "uint32"),
        ("uplinks_lost", 24, "uint32"),
        ("last_uplink_age", 26, "uint32"),
        ("clock", 28, "uint32"),
        ("version", 30, "text"),
        ("serial_away", 34, "uint16"),
        ("certificate_days", 35, "uint16"),
        ("generation", 36, "uint16"),
        ("alarms_last_10_min", 37, "uint16"),
        ("store_waiting", 38, "uint16"),
        ("store_dropped", 39, "uint16"),
    ]


# Offset, registers, and the image high word and high byte first (IEEE 754-2019 and two's complement, by struct).
KNOWN = [
    (0, b"\x12\x34"),
    (1, struct.pack(">h", -2)),
    (2, b"\x12\x34\x56\x78"),
    (4, struct.pack(">i", -2)),
    (6, bytes.fromhex("42F6E979")),
    (8, bytes.fromhex("112210F47DE98115")),
    (12, struct.pack(">q", -2)),
    (16, bytes.fromhex("400921FB54442D18")),
    (20, struct.pack(">H", 215)),
    (21, struct.pack(">h", -123)),
    (22, b"\xa5\xa5"),
]


def reordered(image: bytes, words: Order, byte_order: Order) -> bytes:
    registers = [image[at : at + 2] for at in range(0, len(image), 2)]
    return b"".join(
        register if byte_order is HIGH else register[::-1]
        for register in (registers if words is HIGH else reversed(registers))
    )


@pytest.mark.parametrize(("words", "byte_order"), ORDERS)
def test_the_test_block_shows_known_values_in_the_device_s_order(words: Order, byte_order: Order) -> None:
    image = trial(words, byte_order)
    for offset, known in KNOWN:
        for read in (image.read_input_registers, image.read_holding_registers):
            expected = reordered(known, words, byte_order)
            if read is image.read_input_registers:
                assert read(offset, len(known) // 2, NOW) == expected
    text = image.read_input_registers(23, 4, NOW)
    assert text == reordered(b"TEST 123", HIGH, byte_order)


def test_the_test_block_s_bits_are_known() -> None:
    assert trial().read_discrete_inputs(0, 8, NOW) == bytes([0b10100101])


@pytest.mark.parametrize(("words", "byte_order"), ORDERS)
@settings(max_examples=20)
@given(data=st.data())
def test_what_is_written_to_the_test_block_reads_back(words: Order, byte_order: Order, data: st.DataObject) -> None:
    image = trial(words, byte_order)
    for item in gateway.test_layout(words, byte_order).in_table(Table.HOLDING):
        assert item.codec is not None
        registers = data.draw(st.binary(min_size=2 * item.size, max_size=2 * item.size))
        image.write_registers(item.offset, registers, ANYBODY, NOW)
        written = item.codec.encoding.unpack(registers)
        shown = item.codec.encoding.unpack(image.read_holding_registers(item.offset, item.size, NOW))
        if item.codec.decode(registers) is None and written != 0:  # a NaN or an infinity is no number
            assert shown != shown
        else:
            assert shown == written


def test_coils_of_the_test_block_are_written_and_read_back() -> None:
    image = trial()
    image.write_coils(0, [True, False, True], ANYBODY, NOW)
    assert image.read_coils(0, 8, NOW) == b"\x05"


def test_the_test_block_s_bits_to_read_are_not_written() -> None:
    with pytest.raises(ModbusError):
        trial().write_coils(8, [True], ANYBODY, NOW)


def test_every_scratch_item_has_a_name_of_its_own() -> None:
    names = [item.of for item in gateway.test_layout(HIGH, HIGH).items if item.shows is Shows.SCRATCH]
    assert len(set(names)) == len(names) == 16


@pytest.mark.parametrize(
    ("seconds", "registers", "counter"),
    [(0.0, 1, 0), (59.999, 1, 59), (65534.5, 1, 65534), (65535.0, 1, 0), (65536.0, 1, 1), (2**32, 2, 1)],
)
def test_a_counter_of_seconds_wraps_before_it_means_no_value(seconds: float, registers: int, counter: int) -> None:
    assert whole_seconds(seconds, registers) == counter


def test_the_fingerprint_tells_the_orders_apart() -> None:
    seen = {
        fingerprint([Device(1, (Block(Table.INPUT, 0, 40, gateway_layout(*orders), None, "g", gateway.BUILT_IN),))])
        for orders in ORDERS
    }
    assert len(seen) == len(ORDERS)
