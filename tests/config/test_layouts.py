"""Layouts bound to profiles: types, units and scales worked out once, at load."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.core.address_map import Device, Item, Table
from aggregator.core.encoding import ItemCodec


def item_at(site: Path, unit: int, address: int, table: Table = Table.INPUT) -> Item:
    device = next(each for each in load(site).declared.devices if each.unit_id == unit)
    return next(entry.item for entry in device.entries() if entry.table is table and entry.address == address)


def codec_at(site: Path, unit: int, address: int) -> ItemCodec:
    codec = item_at(site, unit, address).codec
    assert codec is not None
    return codec


def with_item(site: Path, item: str) -> Path:
    """The good site with another item for the radio figure at offset 10 of flow-point."""
    path = site / "map.yaml"
    text = path.read_text(encoding="utf-8")
    assert "{radio: rssi}" in text
    path.write_text(text.replace("{radio: rssi}", item), encoding="utf-8")
    return site


@pytest.mark.parametrize(
    ("item", "value", "registers"),
    [
        # pressure is in mbar; 1 bar = 100 kPa = 1000 mbar (SI brochure, 9th edition, table 8 note; from memory)
        ("{field: pressure, as: uint16, unit: kPa, scale: 0.1}", 1013.25, 1013),
        ("{field: pressure, as: uint16, unit: bar, scale: 0.001}", 1013.25, 1013),
        ("{field: pressure, as: uint16, unit: Pa, scale: 10}", 250.0, 2500),
        # temperature is in °C; t/°F = 1.8 t/°C + 32, T/K = t/°C + 273.15 (NIST SP 811 B.8; from memory)
        ("{field: temperature, as: int16, unit: °F, scale: 0.1}", 15.0, 590),
        ("{field: temperature, as: uint16, unit: K, scale: 0.01}", 15.0, 28815),
        ("{field: temperature, as: int16, unit: K, scale: 1, offset: 273.15}", -12.0, 65524),
        # 1 m3/h = 1000/60 l/min (SI brochure, table 8)
        ("{field: flow, as: uint16, unit: l/min}", 60.0, 1000),
        # ages are in seconds, 1 min = 60 s (SI brochure, table 8)
        ("{age_of: flow, as: uint16, unit: min}", 3600, 60),
    ],
)
def test_an_item_in_another_unit_shows_the_right_register(
    good_site: Path, item: str, value: float, registers: int
) -> None:
    data, clamped = codec_at(with_item(good_site, item), 1, 110).encode(value)
    assert data == registers.to_bytes(2, "big")
    assert not clamped


def test_a_float_in_another_unit_is_the_ieee_image_of_the_converted_value(good_site: Path) -> None:
    """123.456 is 42F6 E979 (IEEE 754-2019 section 3.4, agreed by numpy); 1 kPa = 10 mbar."""
    item = "{field: pressure, unit: kPa}"
    site = with_item(good_site, item)
    path = site / "map.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("      11: {flags: [bad, stale]}\n", ""), encoding="utf-8")
    data, _ = codec_at(site, 1, 110).encode(1234.56)
    assert data == bytes.fromhex("42F6E979")
    assert struct.unpack(">f", data)[0] == pytest.approx(123.456)


def test_the_unit_that_is_listed_is_the_one_that_is_shown(good_site: Path) -> None:
    assert item_at(good_site, 1, 106).unit == "kPa"
    assert item_at(good_site, 1, 108).unit == "min"
    assert item_at(good_site, 1, 110).unit == "dBm"
    assert item_at(good_site, 1, 102).unit == "m3/h"


def test_the_item_s_own_order_goes_before_the_device_s(good_site: Path) -> None:
    # unit 2 is low-first in words; 123456 = 0x0001E240
    assert codec_at(good_site, 2, 4).encode(1234.56)[0] == bytes.fromhex("E2400001")
    assert codec_at(good_site, 1, 104).encode(1234.56)[0] == bytes.fromhex("0001E240")
    # offset 6 says bytes: low-first; 5.0 kPa at a scale of 0.1 = 50 = 0x0032
    assert codec_at(good_site, 1, 106).encode(50.0)[0] == bytes.fromhex("3200")


def test_no_value_is_the_declared_filler_or_the_usual_one(good_site: Path) -> None:
    assert codec_at(good_site, 1, 104).encode(None)[0] == bytes.fromhex("FFFFFFFF")
    assert codec_at(good_site, 1, 106).encode(None)[0] == bytes.fromhex("0080")  # -32768, bytes low first
    assert math.isnan(struct.unpack(">f", codec_at(good_site, 1, 102).encode(None)[0])[0])


@pytest.mark.parametrize(
    ("type_", "filler"),
    [
        ("uint64", 18446744073709551615),  # 2**64 - 1, which a float cannot hold
        ("uint64", 18446744073709551614),
        ("int64", -9223372036854775808),
        ("int64", 9223372036854775807),
    ],
)
def test_a_filler_of_64_bits_keeps_every_digit(good_site: Path, type_: str, filler: int) -> None:
    site = with_item(good_site, f"{{radio: rssi, as: {type_}, filler: {filler}}}")
    path = site / "map.yaml"
    text = path.read_text(encoding="utf-8")
    for line in ("      11: {flags: [bad, stale]}\n", "      12: {text: tag, length: 4}\n"):
        text = text.replace(line, "")
    path.write_text(text, encoding="utf-8")
    data, _ = codec_at(site, 1, 110).encode(None)
    assert int.from_bytes(data, "big", signed=type_ == "int64") == filler


def test_meters_of_one_profile_share_a_layout(good_site: Path) -> None:
    device: Device = load(good_site).declared.devices[0]
    layouts = {block.tag: block.layout for block in device.in_table(Table.INPUT) if block.tag}
    assert layouts["FT-101"] is layouts["FT-102"]
    assert layouts["AT-201"] is layouts["AT-202"]


def test_each_item_knows_where_it_was_declared(good_site: Path) -> None:
    item = item_at(good_site, 1, 102)
    assert (item.place.short, item.place.column) == ("map.yaml:6", 7)
    flag = item_at(good_site, 1, 101, Table.DISCRETE)
    assert (flag.of, flag.place.short) == ("stale", "map.yaml:17")


@pytest.mark.parametrize(
    ("item", "kind", "filler", "fields", "unit"),
    [
        ("{time: arrived, part: hour}", "uint16", 0xFFFF, (), ""),
        ("{time: received, part: day, of: volume, filler: 0}", "uint16", 0, ("volume",), ""),
        ("{grades: [flow, volume]}", "uint16", 0, ("flow", "volume"), ""),
        ("grade", "uint16", 0xFFFF, (), ""),
        ("{reasons_of: volume}", "uint16", 0xFFFF, ("volume",), ""),
        ("{flags: [stale], of: flow}", "uint16", 0xFFFF, ("flow",), ""),
    ],
)
def test_an_item_about_quality_or_time_knows_its_fields_and_its_usual_type(
    good_site: Path, item: str, kind: str, filler: int, fields: tuple[str, ...], unit: str
) -> None:
    found = item_at(with_item(good_site, item), 1, 110)
    assert found.codec is not None
    assert (found.codec.encoding.type, found.codec.filler) == (kind, filler)
    assert (found.fields, found.unit) == (fields, unit)


@pytest.mark.parametrize(("of", "kind"), [(8, "uint16"), (9, "uint32"), (16, "uint32"), (17, "uint64"), (32, "uint64")])
def test_packed_grades_take_the_smallest_number_that_holds_them(good_site: Path, of: int, kind: str) -> None:
    path = good_site / "map.yaml"
    rows = "      20: {grades: [" + ", ".join(["flow"] * of) + "]}\n    discrete: {0: bad, 1: stale}\n"
    text = path.read_text(encoding="utf-8").replace("    discrete: {0: bad, 1: stale}\n", rows, 1)
    path.write_text(text, encoding="utf-8")
    assert codec_at(good_site, 1, 120).encoding.type == kind
