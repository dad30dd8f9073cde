"""What a map may do and probably should not."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from aggregator.core.address_map import Block, Device, Item, Layout, Shows, Table
from aggregator.core.doubts import EXACT_IN_FLOAT32, doubts
from aggregator.core.encoding import Encoding, ItemCodec, Scale
from aggregator.core.errors import Place
from aggregator.core.meter import Meter
from aggregator.core.profile import Profile

MeterOf = Callable[..., Meter]


def told(meters: Sequence[Meter], *items: Item) -> list[str]:
    layout = Layout("point", items)
    blocks = (
        Block(Table.INPUT, 24 * at, 24, layout, meter.tag, meter.tag, Place("")) for at, meter in enumerate(meters)
    )
    gateway = Block(Table.INPUT, 9000, 4, Layout("gateway block", (value("uptime"),)), None, "gateway block", Place(""))
    return [str(doubt) for doubt in doubts(meters, [Device(1, (*blocks, gateway))])]


def value(of: str, kind: str = "float32", scale: float = 1.0, shows: Shows = Shows.VALUE, unit: str = "") -> Item:
    codec = ItemCodec(Encoding.number(kind), Scale(scale))
    return Item(Table.INPUT, 0, shows, of, codec, unit, place=Place("map.yaml", 4))


def test_a_float32_holds_no_more_than_24_bits_of_a_count() -> None:
    """IEEE 754-2019 section 3.4, table 3.5: precision 24. Packed by the interpreter, not by this program."""
    assert struct.unpack(">f", struct.pack(">f", EXACT_IN_FLOAT32))[0] == EXACT_IN_FLOAT32
    assert struct.unpack(">f", struct.pack(">f", EXACT_IN_FLOAT32 + 1))[0] != EXACT_IN_FLOAT32 + 1


@pytest.mark.parametrize("shows", [Shows.VALUE, Shows.TOTAL])
def test_a_count_as_float32_is_doubted_once_for_all_its_meters(
    shows: Shows, meter_of: MeterOf, watchful: Profile
) -> None:
    meters = [meter_of("FT-101", watchful), meter_of("FT-102", watchful)]
    title = "volume total" if shows is Shows.TOTAL else "volume"
    assert told(meters, value("volume", shows=shows)) == [
        (
            f"map.yaml:4:1: {title} counts on and on, and a float32 loses single units beyond 16777216. "
            "Show it as float64, or as uint32 or uint64 with a scale."
        )
    ]
    assert told(meters, value("volume", "float64", shows=shows), value("volume", "uint32", 0.1, shows)) == []


def test_a_float32_of_what_does_not_count_is_no_doubt(meter_of: MeterOf, profile: Profile) -> None:
    assert told([meter_of("FT-101", profile)], value("flow"), value("volume")) == []


def test_a_range_that_the_registers_cannot_show_is_doubted(meter_of: MeterOf, profile: Profile) -> None:
    """The field flow reaches from 0 to 500 m3/h."""
    meters = [meter_of("FT-101", profile)]
    assert told(meters, value("flow", "uint16", 0.1, unit="m3/h"), value("flow", "int16", 0.02, unit="m3/h")) == []
    assert told(meters, value("flow", "int16", 0.01, unit="m3/h")) == [
        (
            "map.yaml:4:1: profile gas-point gives flow a range to 500 m3/h, and this shows 327.67 m3/h at most. "
            "Choose a wider type or another scale."
        )
    ]
    below = replace(profile, fields=(replace(profile.fields[0], low=-20.0), *profile.fields[1:]))
    [doubt] = told([meter_of("FT-101", below)], value("flow", "uint16", unit="m3/h"))
    assert "gives flow a range to -20 m3/h, and this shows 0 m3/h at least" in doubt
