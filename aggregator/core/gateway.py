"""The gateway's own figures, and the two blocks that every map can place without writing a layout.

The offsets below are part of the promise to plant software: figures are added at the end, none ever moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from aggregator.core.address_map import Item, Layout, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec, Order, Scale
from aggregator.core.errors import Place
from aggregator.core.reading import Now

BUILT_IN = Place("built in")
DAY = 86400.0


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the gateway: where it stands in the gateway block, its type and unit, what it says."""

    name: str
    offset: int
    type: str
    unit: str
    says: str


FIGURES = (
    Figure(
        "heartbeat", 0, "uint16", "s", "counts each second and wraps; while it stands still, so does everything else"
    ),
    Figure(
        "state",
        1,
        "uint16",
        "",
        "bit 0 broker connected, bit 1 clock trustworthy, bit 2 being stored, bit 3 changed files refused, "
        "bit 4 the history was set aside as unusable and begun anew since the service started, "
        "bit 5 another service seems to use this one's client id at the broker, "
        "bit 6 a listener of site.yaml is not open",
    ),
    Figure("map_fingerprint", 2, "uint32", "", "changes with any address, type, scale or meaning in the map"),
    Figure("uptime", 4, "uint32", "s", "since the service started"),
    Figure("meters_total", 6, "uint16", "", "meters declared"),
    Figure("meters_good", 7, "uint16", "", "meters whose every reading is good"),
    Figure("meters_uncertain", 8, "uint16", "", "meters with an uncertain reading and no bad one"),
    Figure("meters_bad", 9, "uint16", "", "meters with a bad reading"),
    Figure("meters_stale", 10, "uint16", "", "meters with a stale reading"),
    Figure("meters_never_seen", 11, "uint16", "", "meters with a reading that no uplink has carried yet"),
    Figure("meters_under_test", 12, "uint16", "", "meters that a technician holds in test"),
    Figure("meters_in_alarm", 13, "uint16", "", "meters with an active alarm"),
    Figure("alarms_unacknowledged", 14, "uint16", "", "alarms that nobody has taken note of yet"),
    Figure("uplinks_accepted", 16, "uint32", "", "uplinks taken since start"),
    Figure("uplinks_duplicate", 18, "uint32", "", "uplinks heard again"),
    Figure("uplinks_late", 20, "uint32", "", "uplinks older than what is shown, not shown"),
    Figure("uplinks_rejected", 22, "uint32", "", "messages that could not be taken"),
    Figure("uplinks_lost", 24, "uint32", "", "gaps in the nodes' frame counters"),
    Figure("last_uplink_age", 26, "uint32", "s", "since the last uplink that was taken; all ones before the first"),
    Figure("clock", 28, "uint32", "s", "the gateway's clock, seconds since 1970-01-01 UTC"),
    Figure("version", 30, "text", "", "of the aggregator, 8 characters"),
    Figure(
        "serial_away",
        34,
        "uint16",
        "",
        "bit 0 the first serial line of site.yaml cannot be used, bit 1 the second, and so on; 0 where all can",
    ),
    Figure(
        "certificate_days",
        35,
        "uint16",
        "d",
        "whole days until the first of the gateway's certificates ends; 0 once it has, all ones where it uses none",
    ),
    Figure("generation", 36, "uint16", "", "how often the site's files have been taken anew since the service started"),
    Figure("alarms_last_10_min", 37, "uint16", "", "alarms announced in the last 10 minutes, since the start at most"),
    Figure(
        "store_waiting", 38, "uint16", "", "uplinks that are not safe on disk yet; 65534 stands for that many or more"
    ),
    Figure(
        "store_dropped",
        39,
        "uint16",
        "",
        "rows given up since the service started because too many waited; 65534 stands for that many or more",
    ),
)
# What the built-in blocks take of each table: more than they use, so that a later figure moves nobody's addresses.
GATEWAY_BLOCK = {Table.INPUT: 40}
TEST_BLOCK = {Table.INPUT: 40, Table.HOLDING: 40, Table.DISCRETE: 16, Table.COIL: 16}
FIGURE_NAMES = tuple(figure.name for figure in FIGURES)
VERSION_REGISTERS = 4
MOST = (1 << 16) - 2  # below all ones, which stand for "no value"


def encoding_of(type_name: str, words: Order, byte_order: Order, registers: int = VERSION_REGISTERS) -> Encoding:
    """The encoding of a type name as the map writes it; `registers` is the length of a text."""
    if type_name == "text":
        return Encoding("text", registers, words, byte_order)
    return Encoding.number(type_name, words, byte_order)


def gateway_layout(words: Order, byte_order: Order) -> Layout:
    """The gateway block of a device with the given order of words and bytes."""
    items = tuple(
        Item(
            Table.INPUT,
            figure.offset,
            Shows.GATEWAY,
            figure.name,
            ItemCodec(encoding_of(figure.type, words, byte_order)),
            figure.unit,
            note=figure.says,
            place=BUILT_IN,
        )
        for figure in FIGURES
    )
    return Layout("gateway block", items, BUILT_IN)


@dataclass(frozen=True, slots=True)
class Known:
    """A known value of the test block."""

    type: str
    value: str
    registers: int = 0
    factor: float = 1.0
    says: str = ""


KNOWN = (
    Known("uint16", "4660", says="0x1234: tells the order of the bytes"),
    Known("int16", "-2"),
    Known("uint32", "305419896", says="0x12345678: tells the order of the words"),
    Known("int32", "-2"),
    Known("float32", "123.456"),
    Known("uint64", "1234567890123456789"),
    Known("int64", "-2"),
    Known("float64", "3.141592653589793"),
    Known("uint16", "21.5", factor=0.1, says="scaled by 0.1: 215 in the register"),
    Known("int16", "-12.3", factor=0.1, says="scaled by 0.1: -123 in the register"),
    Known("uint16", "42405", says="0xA5A5 as sixteen bits: 1010 0101 1010 0101"),
    Known("text", "TEST 123", registers=4),
)
SCRATCH_TYPES = ("uint16", "int16", "uint32", "int32", "float32", "uint64", "int64", "float64")
TEST_BITS = (1, 0, 1, 0, 0, 1, 0, 1)


def test_layout(words: Order, byte_order: Order) -> Layout:
    """The test block: known values of every type to read, and registers and coils to write and read back.

    Word order, scaling and addressing are settled against it before any reading is trusted.
    """
    items: list[Item] = []
    offset = 0
    for known in KNOWN:
        encoding = encoding_of(known.type, words, byte_order, known.registers)
        codec = ItemCodec(encoding, Scale(known.factor))
        items.append(Item(Table.INPUT, offset, Shows.CONSTANT, known.value, codec, note=known.says, place=BUILT_IN))
        offset += encoding.registers
    offset = 0
    for type_name in SCRATCH_TYPES:
        encoding = Encoding.number(type_name, words, byte_order)
        codec = ItemCodec(encoding, filler=None if encoding.is_float else 0)  # so that every whole number comes back
        name, note = f"scratch_{type_name}", "write it and read it back; nothing else comes of it"
        items.append(Item(Table.HOLDING, offset, Shows.SCRATCH, name, codec, note=note, place=BUILT_IN))
        offset += codec.encoding.registers
    for bit, on in enumerate(TEST_BITS):
        items.append(Item(Table.DISCRETE, bit, Shows.CONSTANT, str(on), place=BUILT_IN))
        items.append(Item(Table.COIL, bit, Shows.SCRATCH, f"scratch_coil_{bit}", place=BUILT_IN))
    return Layout("test block", tuple(items), BUILT_IN)


def days_until(ends: float, now: Now) -> int:
    """Whole days until a time (UTC s) by the wall clock, 0 once it is over, and below all ones of a register."""
    return int(min(max(0.0, (ends - now.utc) / DAY), MOST))


def whole_seconds(seconds: float, registers: int) -> int:
    """Seconds as an unsigned counter that wraps below all ones, which stand for "no value"."""
    return math.floor(seconds) % ((1 << 16 * registers) - 1)
