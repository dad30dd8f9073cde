"""Profiles: what a file says of a meter model is what payloads are read by."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import pytest
from crccheck.crc import CrcModbus

from aggregator.config import load
from aggregator.core.profile import Profile


@pytest.fixture
def flow(good_site: Path) -> Profile:
    return next(meter.profile for meter in load(good_site).declared.meters if meter.tag == "FT-101")


def values(profile: Profile, pairs: list[tuple[int, object]]) -> dict[str, object]:
    return {profile.fields[index].name: value for index, value in pairs}


def response(function: int, registers: bytes) -> bytes:
    frame = bytes([1, function, len(registers)]) + registers
    check: int = CrcModbus.calc(frame)
    return frame + check.to_bytes(2, "little")


def test_ranges_are_in_the_field_s_unit(good_site: Path, flow: Profile) -> None:
    bounds = {field.name: (field.low, field.high) for field in flow.fields}
    assert bounds["flow"] == (0, 650)
    assert bounds["pressure"] == (-50, 500)
    assert bounds["temperature"] == (-20, 60)
    assert bounds["volume"] == (-math.inf, math.inf)


@pytest.mark.parametrize(
    ("written", "low", "high"),
    [("-5 .. 50 kPa", -50, 500), ("0 mbar .. 1 bar", 0, 1000), ("0 .. 500", 0, 500), ("-1..1", -1, 1)],
)
def test_the_unit_of_a_range_holds_for_both_ends_unless_each_has_its_own(
    good_site: Path, written: str, low: float, high: float
) -> None:
    path = good_site / "profiles" / "flow.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("-50 .. 500 mbar", written), encoding="utf-8")
    field = load(good_site).declared.meters[0].profile.fields[2]
    assert field.name == "pressure"
    assert [field.low, field.high] == pytest.approx([low, high])


def test_decoded_fields_are_scaled_before_their_unit_is_turned(flow: Profile) -> None:
    # 12345 tens of dm3 = 123 450 dm3 = 123.45 m3; 1 kPa = 10 mbar
    pairs = flow.decode_fields({"flow_rate": 12.5, "totals": [12345], "p": 2.5})
    assert values(flow, list(pairs)) == {
        "flow": 12.5,
        "volume": pytest.approx(123.45),
        "pressure": pytest.approx(25.0),
    }


def test_a_profile_without_decoded_takes_each_field_under_its_own_name(good_site: Path) -> None:
    methane = load(good_site).declared.meters[2].profile
    assert values(methane, list(methane.decode_fields({"methane": 3, "battery": 3.6}))) == {
        "methane": 3,
        "battery": 3.6,
    }


def test_a_binary_payload_has_items_of_either_byte_order(flow: Profile) -> None:
    # 6000 tenths of l/min = 600 l/min = 36 m3/h; bits 0-3 of 0xA5 = 5
    pairs = flow.decode_payload(1, bytes.fromhex("1770A5"))
    assert values(flow, list(pairs)) == {"flow": pytest.approx(36.0), "alarm": 5}


def test_a_modbus_payload_is_read_by_the_meter_s_register_list(flow: Profile) -> None:
    """Frames laid out as in MODBUS V1.1b3 sections 6.3 and 6.4, CRC by crccheck."""
    first = response(
        3, struct.pack(">f", 123.5) + bytes.fromhex("E240 0001 0008")
    )  # 0x0001E240 = 123456, low word first
    second = response(4, struct.pack(">h", -12))
    assert values(flow, list(flow.decode_payload(2, first + second))) == {
        "flow": 123.5,
        "volume": pytest.approx(1234.56),
        "alarm": 1,  # bit 3 of 0x0008
        "pressure": -12,
    }
