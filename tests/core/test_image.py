"""The registers as a client sees them: whole values, honest status, gaps, refusals and writes."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Mapping

import numpy as np
import pytest

from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table, WhenStale
from aggregator.core.bank import PAGE, reach_of
from aggregator.core.encoding import Encoding, ItemCodec, Scale
from aggregator.core.errors import ExceptionCode, ModbusError, Place
from aggregator.core.image import Image, Write
from aggregator.core.meter import Meter, MeterState
from aggregator.core.painter import FLAG_NAMES, flag
from aggregator.core.reading import Now, Reading, Reason, Times, Value
from aggregator.core.uplink import NO_RADIO, Radio
from tests.core.conftest import ANYBODY

ImageOf = Callable[..., Image]
MeterOf = Callable[..., Meter]
Registers = Callable[..., tuple[int, ...]]
Later = Callable[[float], Now]
FLOW, VOLUME, METHANE, BATTERY = range(4)


def number(kind: str, scale: float = 1.0, filler: Value | None = None) -> ItemCodec:
    return ItemCodec(Encoding.number(kind), Scale(scale), filler)


@pytest.fixture
def state(meter_of: MeterOf) -> MeterState:
    return MeterState(meter_of())


@pytest.fixture
def image(state: MeterState, layout: Layout) -> Image:
    """The meter FT-101 from address 100 of its tables, 24 addresses."""
    blocks = (Block(table, 100, 24, layout, "FT-101", "FT-101", Place("")) for table in Table if layout.size(table))
    return Image(Device(1, tuple(blocks)), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)


@pytest.fixture
def show(image: Image, state: MeterState, start: Now) -> Callable[..., None]:
    """Show a reading of each named field, taken at the start."""

    def paint(reasons: int = 0, counter: int = 41, radio: Radio = NO_RADIO, **values: Value | None) -> None:
        times = Times(None, None, start.utc, start.monotonic)
        named = [(state.meter.profile.index_of(name), value) for name, value in values.items()]
        readings = [(index, Reading(value, reasons, times)) for index, value in named if index is not None]
        assert len(readings) == len(values)
        state.take(readings, times, radio, counter)
        image.note_change("FT-101")

    return paint


def refusal_of(read: Callable[[int, int, Now], bytes], start: int, count: int, now: Now) -> ExceptionCode:
    with pytest.raises(ModbusError) as caught:
        read(start, count, now)
    return caught.value.code


def float32(words: tuple[int, ...]) -> float:
    value: float = struct.unpack(">f", struct.pack(">HH", *words))[0]
    return value


# Values and their status


def test_before_the_first_uplink_nothing_reads_as_zero(image: Image, registers: Registers) -> None:
    words = registers(image, 100, 15)
    assert words[0] == 0x0007  # bad, never seen
    assert words[1] == 0xFFFF  # no age yet
    assert math.isnan(float32(words[2:4]))
    assert words[4:6] == (0xFFFF, 0xFFFF)
    assert words[6] == 0x8000
    assert words[7:10] == (0x0007, 0x0007, 0x0007)
    assert words[10:14] == (0xFFFF, 0xFFFF, 0xFFFF, 0x8000)


def test_a_reading_shows_with_its_status(image: Image, show: Callable[..., None], registers: Registers) -> None:
    show(flow=123.456, volume=1234567.89, methane=-1.5, radio=Radio(-101, 5.5, 9))
    words = registers(image, 100, 15)
    assert words[:2] == (0x0001, 0)
    assert words[2:4] == (0x42F6, 0xE979)  # IEEE 754-2019 section 3.4, verified with struct
    assert words[4:6] == divmod(123456789, 65536)
    assert words[6] == 65536 - 15
    assert words[7:10] == (1, 1, 1)
    assert words[10:14] == (0, 0, 41, 65536 - 101)


def test_the_tag_stands_as_text(image: Image, start: Now) -> None:
    assert image.read_input_registers(115, 4, start) == b"FT-101\0\0"


@pytest.mark.parametrize(
    ("reasons", "status", "bits"),
    [
        (0, 0x0001, [1, 0, 0, 0, 0]),
        (Reason.LOW_BATTERY, 0x1001, [1, 0, 0, 0, 0]),
        (Reason.OUT_OF_RANGE, 0x0012, [0, 1, 0, 0, 0]),
        (Reason.STALE, 0x000A, [0, 1, 0, 1, 0]),
        (Reason.SENSOR_FAULT | Reason.STALE, 0x008B, [0, 0, 1, 1, 0]),
    ],
)
def test_status_and_flags_agree_on_the_grade(
    image: Image,
    show: Callable[..., None],
    registers: Registers,
    start: Now,
    reasons: int,
    status: int,
    bits: list[int],
) -> None:
    show(reasons, flow=1, volume=1, methane=1)
    assert registers(image, 100, 1) == (status,)
    read = image.read_discrete_inputs(100, 5, start)[0]
    assert [read >> at & 1 for at in range(5)] == bits
    packed = registers(image, 114, 1)[0]
    assert packed == bits[2] | bits[3] << 1 | bits[4] << 2


def test_a_value_that_does_not_fit_is_clamped_in_its_own_status_and_the_meter_s(
    image: Image, show: Callable[..., None], registers: Registers, start: Now
) -> None:
    show(flow=1, volume=1e12, methane=1)
    words = registers(image, 100, 15)
    assert words[4:6] == (0xFFFF, 0xFFFE)
    assert words[0] == 0x4002
    assert words[7:10] == (0x0001, 0x4002, 0x0001)
    assert words[14] == 0b100
    assert image.read_discrete_inputs(100, 5, start) == bytes([0b10010])


def test_a_value_out_of_range_is_shown_all_the_same(
    image: Image, show: Callable[..., None], registers: Registers
) -> None:
    """It may be the leak that matters."""
    show(int(Reason.OUT_OF_RANGE), methane=180.0)
    assert registers(image, 106, 1) == (1800,)
    assert registers(image, 109, 1) == (0x0012,)


@pytest.mark.parametrize("reason", [Reason.SENSOR_FAULT, Reason.NEVER_SEEN])
def test_a_bad_value_is_hidden(image: Image, show: Callable[..., None], registers: Registers, reason: Reason) -> None:
    show(int(reason), flow=12.5, methane=1.0)
    assert math.isnan(float32(registers(image, 102, 2)))
    assert registers(image, 106, 1) == (0x8000,)


def test_each_field_has_a_status_of_its_own(image: Image, show: Callable[..., None], registers: Registers) -> None:
    show(int(Reason.OUT_OF_RANGE), flow=600.0)
    show(methane=1.0, volume=1)
    assert registers(image, 107, 3) == (0x0012, 0x0001, 0x0001)
    assert registers(image, 100, 1) == (0x0012,)


def test_a_reason_of_the_whole_meter_stands_in_every_status(
    image: Image, state: MeterState, show: Callable[..., None], registers: Registers
) -> None:
    show(flow=1, volume=1, methane=1)
    state.mark(int(Reason.DECODE_FAILED), True)
    image.note_change("FT-101")
    assert registers(image, 107, 3) == (0x0102,) * 3
    assert registers(image, 106, 1) == (10,)


# Stale values


def grow_old(image: Image, state: MeterState, now: Now) -> None:
    state.expire(now.monotonic)
    image.note_change("FT-101")


def test_a_stale_value_is_held_left_out_or_refused_as_declared(
    image: Image, state: MeterState, show: Callable[..., None], registers: Registers, start: Now, later: Later
) -> None:
    show(flow=12.5, volume=1, methane=1.0, battery=3.6)
    assert registers(image, 120, 1) == (3600,)
    grow_old(image, state, later(1800))
    assert float32(registers(image, 102, 2)) == 12.5  # held
    assert registers(image, 106, 1) == (0x8000,)  # filler
    for read in (image.read_input_registers, image.read_holding_registers):
        assert refusal_of(read, 120, 1, start) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
        assert refusal_of(read, 100, 24, start) is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert registers(image, 100, 1) == (0x000A,)
    show(battery=3.5)
    assert registers(image, 120, 1) == (3500,)
    assert image.banks[Table.INPUT].refusing == 0


def test_an_age_grows_each_second_and_stands_at_its_largest(
    image: Image, show: Callable[..., None], registers: Registers, later: Later
) -> None:
    show(flow=1)
    ages = [registers(image, 101, 1, later(seconds))[0] for seconds in (0, 0.9, 1, 59.5, 3600, 65534, 65536, 1e7)]
    assert ages == [0, 0, 1, 59, 3600, 65534, 65534, 65534]


def test_an_age_is_right_at_once_after_an_uplink(
    image: Image, state: MeterState, show: Callable[..., None], registers: Registers, later: Later
) -> None:
    """Even where the same page was read in the same second before."""
    show(flow=1, methane=1)
    assert registers(image, 110, 1, later(500.1)) == (500,)
    times = Times(None, None, 0.0, later(500.2).monotonic)
    state.take([(METHANE, Reading(2.0, 0, times))], times, NO_RADIO, 42)
    image.note_change("FT-101")
    assert registers(image, 101, 1, later(500.3)) == (0,)
    assert registers(image, 110, 1, later(500.3)) == (0,)


def test_ages_run_on_the_monotonic_clock_alone(
    image: Image, show: Callable[..., None], registers: Registers, start: Now, later: Later
) -> None:
    show(flow=1)
    for utc in (0.0, start.utc + 1e8, start.utc - 3600):
        assert registers(image, 101, 1, Now(later(30).monotonic, utc)) == (30,)


# What may be read


def test_gaps_in_a_block_read_as_zero_and_addresses_outside_do_not_read(image: Image, start: Now) -> None:
    """Exception 02 outside, V1.1b3 section 7; zero in gaps is the design of this map."""
    assert image.read_input_registers(121, 3, start) == bytes(6)
    assert image.read_coils(101, 23, start) == bytes(3)
    for read in (
        image.read_input_registers,
        image.read_holding_registers,
        image.read_discrete_inputs,
        image.read_coils,
    ):
        assert len(read(100, 24, start)) in (3, 48)
        for begin, count in ((99, 1), (124, 1), (100, 25), (99, 25), (65535, 2)):
            assert refusal_of(read, begin, count, start) is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_reach_counts_mapped_addresses_without_a_break() -> None:
    reach = reach_of([(0, 2), (10, 14), (12, 16), (65535, 65536)])
    assert [reach[at] for at in (0, 1, 2, 9, 10, 15, 16, 65534, 65535)] == [2, 1, 0, 0, 6, 1, 0, 0, 1]


@pytest.mark.parametrize("split", [0, 1, 2, 3, 4])
def test_function_03_sees_input_registers_around_holding_blocks(split: int, start: Now) -> None:
    constants = tuple(Item(Table.INPUT, at, Shows.CONSTANT, str(at + 1), number("uint16")) for at in range(5))
    scratch = Item(Table.HOLDING, 0, Shows.SCRATCH, "scratch", number("uint16", filler=0))
    inputs = Block(Table.INPUT, 10, 5, Layout("inputs", constants), None, "inputs", Place(""))
    holding = Block(Table.HOLDING, 10 + split, 1, Layout("holding", (scratch,)), None, "holding", Place(""))
    image = Image(Device(1, (inputs, holding)), {}, lambda name, now: None, lambda writes, now: None)
    image.write_scratch("scratch", 77)
    expected = [1, 2, 3, 4, 5]
    assert image.read_input_registers(10, 5, start) == struct.pack(">5H", *expected)
    expected[split] = 77
    assert image.read_holding_registers(10, 5, start) == struct.pack(">5H", *expected)
    assert refusal_of(image.read_holding_registers, 10, 6, start) is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_bits_are_packed_lowest_first(image_of: ImageOf, start: Now) -> None:
    """V1.1b3 section 6.1: the first bit is the lowest of the first byte; numpy's little bit order as second opinion."""
    bits = [1, 0, 1, 1, 0, 0, 0, 1, 1, 0, 1]
    image = image_of(*(Item(Table.DISCRETE, at, Shows.CONSTANT, str(bit)) for at, bit in enumerate(bits)))
    for first in range(len(bits)):
        packed = np.packbits(bits[first:], bitorder="little").tobytes()
        assert image.read_discrete_inputs(first, len(bits) - first, start) == packed


def test_constants_of_every_kind_stand_from_the_start(image_of: ImageOf, start: Now) -> None:
    image = image_of(
        Item(Table.INPUT, 0, Shows.CONSTANT, "-2", number("int16")),
        Item(Table.INPUT, 1, Shows.CONSTANT, "1e3", number("uint16")),
        Item(Table.INPUT, 2, Shows.CONSTANT, "21.5", number("uint16", 0.1)),
        Item(Table.INPUT, 3, Shows.CONSTANT, "FT", ItemCodec(Encoding("text", 1))),
        Item(Table.INPUT, 4, Shows.CONSTANT, "1234567890123456789", number("uint64")),
    )
    expected = struct.pack(">hHH2sQ", -2, 1000, 215, b"FT", 1234567890123456789)
    assert image.read_input_registers(0, 8, start) == expected


# The gateway's figures


def test_a_figure_is_worked_out_when_it_is_read(device_of: Callable[..., Device], later: Later) -> None:
    asked: list[str] = []

    def figure(name: str, now: Now) -> Value:
        asked.append(name)
        return int(now.monotonic) % 100

    items = [
        Item(Table.INPUT, 0, Shows.GATEWAY, "uptime", number("uint16")),
        Item(Table.INPUT, 3 * PAGE, Shows.GATEWAY, "clock", number("uint16")),
        Item(Table.DISCRETE, 0, Shows.GATEWAY, "state"),
    ]
    image = Image(device_of(*items), {}, figure, lambda writes, now: None)
    assert [image.read_input_registers(0, 1, later(at))[1] for at in (0, 0.5, 1)] == [0, 0, 1]
    assert asked == ["uptime", "uptime"]  # once a second, and nothing of other pages
    image.gateway_changed()
    assert image.read_input_registers(0, 1, later(1.5)) == b"\0\1"
    assert asked == ["uptime"] * 3
    assert image.read_discrete_inputs(0, 1, later(0)) == b"\0"
    assert image.read_discrete_inputs(0, 1, later(1)) == b"\1"


def test_a_live_item_across_two_pages_is_right_from_either_side(image_of: ImageOf, later: Later) -> None:
    figures: dict[str, float | None] = {"uptime": 0x12345678}
    item = Item(Table.INPUT, PAGE - 1, Shows.GATEWAY, "uptime", number("uint32"))
    image = image_of(item, **figures)
    assert image.read_input_registers(PAGE, 1, later(0)) == b"\x56\x78"
    assert image.read_input_registers(PAGE - 1, 2, later(0)) == b"\x12\x34\x56\x78"
    assert image.read_input_registers(PAGE - 2, 3, later(1)) == b"\0\0\x12\x34\x56\x78"


# Writes


@pytest.fixture
def written() -> list[Write]:
    return []


@pytest.fixture
def writable(device_of: Callable[..., Device], written: list[Write]) -> Image:
    """Holding: 0 uint16, 1-2 float32, a gap, 4-7 text; coils 0 and 1, and block room behind both."""
    items = [
        Item(Table.HOLDING, 0, Shows.SCRATCH, "word", number("uint16", 0.1)),
        Item(Table.HOLDING, 1, Shows.SCRATCH, "setpoint", number("float32")),
        Item(Table.HOLDING, 4, Shows.SCRATCH, "text", ItemCodec(Encoding("text", 4))),
        Item(Table.COIL, 0, Shows.SCRATCH, "first"),
        Item(Table.COIL, 1, Shows.SCRATCH, "second"),
    ]
    sizes: Mapping[Table, int] = {Table.HOLDING: 12, Table.COIL: 4}
    return Image(device_of(*items, sizes=sizes), {}, lambda name, now: None, lambda writes, now: written.extend(writes))


def asked_for(written: list[Write]) -> list[tuple[str, object]]:
    return [(write.item.of, write.value) for write in written]


def test_whole_values_are_handed_on_with_who_wrote_them(writable: Image, written: list[Write], start: Now) -> None:
    writable.write_registers(0, struct.pack(">Hf", 215, 12.5), ANYBODY, start)
    writable.write_registers(4, b"OPEN\0\0\0\0", ANYBODY, start)
    writable.write_coils(0, [True, False], ANYBODY, start)
    assert asked_for(written) == [
        ("word", pytest.approx(21.5)),
        ("setpoint", 12.5),
        ("text", "OPEN"),
        ("first", True),
        ("second", False),
    ]
    assert {write.who for write in written} == {"192.0.2.7"}


@pytest.mark.parametrize(
    ("start_", "count", "code"),
    [
        (1, 1, ExceptionCode.ILLEGAL_DATA_VALUE),  # the first half of a value
        (2, 1, ExceptionCode.ILLEGAL_DATA_VALUE),  # the second half
        (0, 2, ExceptionCode.ILLEGAL_DATA_VALUE),  # a whole value and half of the next
        (7, 1, ExceptionCode.ILLEGAL_DATA_VALUE),  # the end of a text
        (3, 1, ExceptionCode.ILLEGAL_DATA_ADDRESS),  # a gap
        (0, 4, ExceptionCode.ILLEGAL_DATA_ADDRESS),  # runs into a gap
        (10, 1, ExceptionCode.ILLEGAL_DATA_ADDRESS),
        (12, 1, ExceptionCode.ILLEGAL_DATA_ADDRESS),  # outside the block
        (10, 5, ExceptionCode.ILLEGAL_DATA_ADDRESS),
    ],
)
def test_half_a_value_is_refused_and_nothing_of_the_request_is_done(
    writable: Image, written: list[Write], start: Now, start_: int, count: int, code: ExceptionCode
) -> None:
    before = bytes(writable.banks[Table.HOLDING].data)
    with pytest.raises(ModbusError) as caught:
        writable.write_registers(start_, bytes(2 * count), ANYBODY, start)
    assert caught.value.code is code
    assert written == []
    assert writable.banks[Table.HOLDING].data == before


def test_a_mask_goes_the_same_road_as_a_whole_value(writable: Image, written: list[Write], start: Now) -> None:
    """MODBUS V1.1b3 6.16: the bits of the AND mask stay, the others become those of the OR mask."""
    writable.write_scratch("word", 1.8)  # 12 hex at a scale of 0.1
    writable.mask_register(0, 0x00F2, 0x0025, ANYBODY, start)
    assert asked_for(written) == [("word", pytest.approx(2.3))]  # 17 hex
    assert written[0].who == "192.0.2.7"


@pytest.mark.parametrize(
    ("address", "code"),
    [
        (1, ExceptionCode.ILLEGAL_DATA_VALUE),  # the first half of a value
        (2, ExceptionCode.ILLEGAL_DATA_VALUE),
        (7, ExceptionCode.ILLEGAL_DATA_VALUE),
        (3, ExceptionCode.ILLEGAL_DATA_ADDRESS),  # a gap
        (12, ExceptionCode.ILLEGAL_DATA_ADDRESS),  # outside the block
        (65535, ExceptionCode.ILLEGAL_DATA_ADDRESS),
    ],
)
def test_a_mask_over_part_of_a_value_or_over_nothing_is_refused(
    writable: Image, written: list[Write], start: Now, address: int, code: ExceptionCode
) -> None:
    before = bytes(writable.banks[Table.HOLDING].data)
    with pytest.raises(ModbusError) as caught:
        writable.mask_register(address, 0, 0xFFFF, ANYBODY, start)
    assert caught.value.code is code
    assert written == []
    assert writable.banks[Table.HOLDING].data == before


def test_an_address_below_every_item_is_no_half_value(device_of: Callable[..., Device], start: Now) -> None:
    image = Image(
        device_of(Item(Table.HOLDING, 2, Shows.SCRATCH, "word", number("uint16"))),
        {},
        lambda name, now: None,
        lambda writes, now: None,
    )
    for address in (0, 1):
        with pytest.raises(ModbusError) as caught:
            image.write_registers(address, b"\0\1", ANYBODY, start)
        assert caught.value.code is ExceptionCode.ILLEGAL_DATA_ADDRESS


@pytest.mark.parametrize(("start_", "count"), [(2, 1), (1, 2), (4, 1), (65535, 1)])
def test_coils_that_are_not_there_are_refused_together_with_the_others(
    writable: Image, written: list[Write], start: Now, start_: int, count: int
) -> None:
    with pytest.raises(ModbusError) as caught:
        writable.write_coils(start_, [True] * count, ANYBODY, start)
    assert caught.value.code is ExceptionCode.ILLEGAL_DATA_ADDRESS
    assert written == []


def test_input_registers_cannot_be_written(image: Image, start: Now) -> None:
    with pytest.raises(ModbusError) as caught:
        image.write_registers(102, bytes(4), ANYBODY, start)
    assert caught.value.code is ExceptionCode.ILLEGAL_DATA_ADDRESS
    with pytest.raises(ModbusError) as caught:
        image.mask_register(100, 0, 0, ANYBODY, start)
    assert caught.value.code is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_a_scratch_value_shows_at_every_place_of_its_name(image_of: ImageOf, start: Now) -> None:
    image = image_of(
        Item(Table.HOLDING, 0, Shows.SCRATCH, "twice", number("uint16")),
        Item(Table.HOLDING, 5, Shows.SCRATCH, "twice", number("uint32")),
        Item(Table.COIL, 0, Shows.SCRATCH, "twice"),
    )
    image.write_registers(0, b"\0\7", ANYBODY, start)
    assert image.read_holding_registers(0, 7, start) == struct.pack(">H8xI", 7, 7)
    assert image.read_coils(0, 1, start) == b"\1"
    image.write_scratch("unknown", 1)
    image.write_scratch("twice", 0)
    assert image.read_coils(0, 1, start) == b"\0"


# Several layouts and tables


def test_one_meter_may_stand_in_two_layouts_each_clamping_for_itself(
    state: MeterState, show: Callable[..., None], start: Now
) -> None:
    narrow = Layout(
        "narrow",
        (
            Item(Table.INPUT, 0, Shows.VALUE, "volume", number("uint16")),
            Item(Table.INPUT, 1, Shows.STATUS, "", number("uint16")),
            Item(Table.DISCRETE, 0, Shows.FLAG, "clamped"),
        ),
    )
    wide = Layout(
        "wide",
        (
            Item(Table.INPUT, 0, Shows.STATUS, "", number("uint16")),
            Item(Table.INPUT, 1, Shows.VALUE, "volume", number("uint32")),
        ),
    )
    blocks = (
        Block(Table.INPUT, 0, 2, narrow, "FT-101", "FT-101", Place("")),
        Block(Table.INPUT, 10, 3, wide, "FT-101", "FT-101", Place("")),
    )
    image = Image(Device(1, blocks), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)
    show(flow=1, volume=70000, methane=1)
    image.note_change("FT-101")
    assert image.read_input_registers(0, 2, start) == struct.pack(">HH", 65534, 0x4002)
    assert image.read_input_registers(10, 3, start) == struct.pack(">HI", 0x0001, 70000)


def test_two_meters_share_a_layout_and_no_value(meter_of: MeterOf, layout: Layout, registers: Registers) -> None:
    states = {tag: MeterState(meter_of(tag)) for tag in ("FT-101", "FT-102")}
    blocks = (
        Block(Table.INPUT, 24 * at, 24, layout, tag, tag, Place("")) for at, tag in enumerate(("FT-101", "FT-102"))
    )
    image = Image(Device(1, tuple(blocks)), states, lambda name, now: None, lambda writes, now: None)
    for at, (tag, state) in enumerate(states.items()):
        times = Times(None, None, 0.0, 0.0)
        state.take([(METHANE, Reading(at + 1.0, 0, times))], times, NO_RADIO, at)
        image.note_change(tag)
    assert (registers(image, 6, 1), registers(image, 30, 1)) == ((10,), (20,))


def test_a_layout_with_a_field_that_the_meter_does_not_measure_is_no_image(state: MeterState) -> None:
    layout = Layout("wrong", (Item(Table.INPUT, 0, Shows.VALUE, "oxygen", number("float32")),))
    block = Block(Table.INPUT, 0, 2, layout, "FT-101", "FT-101", Place(""))
    with pytest.raises(ValueError, match="FT-101 measures no oxygen"):
        Image(Device(1, (block,)), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)


def test_a_layout_may_be_placed_in_some_of_its_tables_only(state: MeterState, layout: Layout, start: Now) -> None:
    block = Block(Table.DISCRETE, 0, 5, layout, "FT-101", "FT-101", Place(""))
    image = Image(Device(1, (block,)), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)
    assert image.read_discrete_inputs(0, 5, start) == bytes([0b00100])
    assert refusal_of(image.read_input_registers, 0, 1, start) is ExceptionCode.ILLEGAL_DATA_ADDRESS


def test_painting_a_meter_that_a_device_does_not_show_does_nothing(image: Image) -> None:
    before = {table: bytes(bank.data) for table, bank in image.banks.items()}
    image.note_change("FT-999")
    assert {table: bytes(bank.data) for table, bank in image.banks.items()} == before


@pytest.mark.parametrize("name", FLAG_NAMES)
def test_each_flag_stands_for_its_own_reason(name: str) -> None:
    alone = {"good": 0, "uncertain": int(Reason.JUMPED), "bad": int(Reason.NEVER_SEEN)}
    reasons = alone.get(name, int(Reason[name.upper()]) if name.upper() in Reason.__members__ else 0)
    assert flag(name, reasons)
    assert not flag(name, int(Reason.NEVER_SEEN) if name != "bad" and name != "never_seen" else 0)


def test_a_clamped_value_is_uncertain() -> None:
    assert flag("clamped", int(Reason.CLAMPED))
    assert flag("uncertain", int(Reason.CLAMPED))
    assert not flag("good", int(Reason.CLAMPED))
    assert not flag("uncertain", int(Reason.SENSOR_FAULT | Reason.CLAMPED))


def test_what_stale_refuses_covers_every_register_of_the_value(state: MeterState, start: Now) -> None:
    item = Item(Table.INPUT, 0, Shows.VALUE, "volume", number("uint64"), when_stale=WhenStale.REFUSE)
    layout = Layout("one", (item,))
    block = Block(Table.INPUT, 5, 8, layout, "FT-101", "FT-101", Place(""))
    image = Image(Device(1, (block,)), {"FT-101": state}, lambda name, now: None, lambda writes, now: None)
    times = Times(None, None, 0.0, 0.0)
    state.take([(VOLUME, Reading(1, int(Reason.STALE), times))], times, NO_RADIO, 1)
    image.note_change("FT-101")
    image.note_change("FT-101")
    for address in range(5, 9):
        code = refusal_of(image.read_input_registers, address, 1, start)
        assert code is ExceptionCode.GATEWAY_TARGET_FAILED_TO_RESPOND
    assert image.read_input_registers(9, 4, start) == bytes(8)
