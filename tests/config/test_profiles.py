"""Profiles: what a file says of a meter model is what payloads are read by."""

from __future__ import annotations

import math
import struct
from pathlib import Path

import pytest
from crccheck.crc import CrcModbus

from aggregator.config.configuration import load
from aggregator.core.profile import Field, Profile
from aggregator.core.reading import Fault
from aggregator.core.total import Counting


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


@pytest.mark.parametrize(
    ("field", "written", "rate"),
    [  # a difference of 9 °F is one of 5 °C or 5 K (NIST SP 811 section B.9); a change has no zero point to shift
        ("temperature", "fastest: 5 °C/min", 5 / 60),
        ("temperature", "fastest: 9 °F/min", 5 / 60),
        ("temperature", "fastest: 5 K/min", 5 / 60),
        ("temperature", "fastest: 36 °F/h", 20 / 3600),
        ("flow", "fastest: 60 m3/h/min", 1.0),
        ("pressure", "fastest: 1 kPa/s", 10.0),
        ("alarm", "fastest: 3 1/min", 0.05),
    ],
)
def test_a_rate_is_in_the_field_s_unit_a_second(good_site: Path, field: str, written: str, rate: float) -> None:
    assert field_with(good_site, field, written).fastest == pytest.approx(rate)


def test_bounds_and_limits_are_in_the_field_s_unit(good_site: Path) -> None:
    """32 °F is 0 °C and 212 °F is 100 °C (NIST SP 811 section B.9): a temperature itself has a zero point."""
    found = field_with(good_site, "temperature", "can_show: 32 .. 212 °F, stuck_after: 2 h, low_below: 50 °F")
    assert found.can_show == pytest.approx((0.0, 100.0), abs=1e-9)
    assert found.stuck_after == 7200.0
    assert found.low_below == pytest.approx(10.0)


def test_a_field_that_says_no_more_is_judged_by_its_range_alone(flow: Profile) -> None:
    field = flow.fields[0]
    assert (field.can_show, field.fastest, field.stuck_after, field.low_below, field.counting) == (None,) * 5


@pytest.mark.parametrize(
    ("written", "wraps_at", "fastest"),
    [  # 1 dm3 = 1 l = 0.001 m3 (SI brochure 9th edition table 8)
        ("wraps_at: 100000000, fastest: 650 m3/h", 1e8, 650 / 3600),
        ("wraps_at: 1e6 dm3, fastest: 60 l/min", 1000.0, 0.001),
        ("wraps_at: 1e6", 1e6, None),
        ("fastest: 2 m3/s", None, 2.0),
    ],
)
def test_a_counter_s_span_and_rate_are_in_the_field_s_unit(
    good_site: Path, written: str, wraps_at: float | None, fastest: float | None
) -> None:
    counting = field_with(good_site, "volume", f"counts: {{{written}}}").counting
    assert counting is not None
    assert counting.wraps_at == (None if wraps_at is None else pytest.approx(wraps_at))
    assert counting.fastest == (None if fastest is None else pytest.approx(fastest))


def test_a_field_may_count_without_any_more_being_known(good_site: Path) -> None:
    assert field_with(good_site, "volume", "counts: {}").counting == Counting()


def field_with(site: Path, name: str, more: str) -> Field:
    """A field of the flow profile with more said of it."""
    path = site / "profiles" / "flow.yaml"
    lines = path.read_text(encoding="utf-8").splitlines()
    at = next(at for at, line in enumerate(lines) if line.startswith(f"  {name}: {{"))
    comma = "" if lines[at].endswith("{}") else ", "
    lines[at] = f"{lines[at][:-1]}{comma}{more}}}"
    path.write_text("\n".join(lines), encoding="utf-8")
    profile = load(site).declared.meters[0].profile
    return next(field for field in profile.fields if field.name == name)


@pytest.mark.parametrize(("code", "raw"), [("0x7F", 0x7F), ("127", 127), ("127.0", 127)])
def test_a_fault_code_is_the_raw_number_before_any_scale(good_site: Path, code: str, raw: int) -> None:
    path = good_site / "profiles" / "flow.yaml"
    text = path.read_text(encoding="utf-8")
    assert "order: big}" in text
    assert "pressure: {at: p, unit: kPa}" in text
    text = text.replace("order: big}", f"order: big, faults: {{{code}: sensor missing}}}}")
    text = text.replace("pressure: {at: p, unit: kPa}", f"pressure: {{at: p, unit: kPa, faults: {{{code}: open}}}}")
    text = text.replace("at: 4, bits: 3}", f"at: 4, faults: {{{code}: broken}}}}")
    path.write_text(text, encoding="utf-8")
    profile = load(good_site).declared.meters[0].profile
    assert values(profile, list(profile.decode_payload(1, raw.to_bytes(2, "big") + b"\xa5"))) == {
        "flow": Fault("sensor missing"),
        "alarm": 5,
    }
    assert values(profile, list(profile.decode_fields({"p": raw}))) == {"pressure": Fault("open")}
    registers = bytes(8) + raw.to_bytes(2, "big")
    found = values(profile, list(profile.decode_payload(2, response(3, registers) + response(4, bytes(2)))))
    assert found["alarm"] == Fault("broken")


# Several readings in one uplink


def with_records(site: Path, text: str) -> Profile:
    """The flow meter's profile, its binary payload made of records."""
    path = site / "profiles" / "flow.yaml"
    before = path.read_text(encoding="utf-8")
    assert "      order: little\n" in before
    path.write_text(before.replace("      order: little\n", f"      order: little\n      records: {text}\n"), "utf-8")
    return load(site).declared.meters[0].profile


def test_a_binary_payload_may_be_records_with_a_time(good_site: Path) -> None:
    profile = with_records(good_site, "{from: 1, every: 7, time: {at: 3, as: uint32}}")
    assert list(profile.payloads) == [2]
    batch = profile.decode_batch(9, bytes.fromhex("FF 1770A5 805C0B6A 0000A0 785C0B6A"), None)
    assert batch is not None
    # 0x6A0B5C80 is 1 779 129 472; the low byte stands first
    assert [record.when for record in batch.records] == [1_779_129_464, 1_779_129_472]
    assert values(profile, list(batch.records[1].pairs)) == {"flow": pytest.approx(36.0), "alarm": 5}
    assert profile.decode_batch(2, b"anything", None) is None  # that port has a payload of its own


def test_a_binary_record_may_tell_its_age(good_site: Path) -> None:
    profile = with_records(good_site, "{every: 5, age: {at: 3, unit: min, order: big}}")
    batch = profile.decode_batch(9, bytes.fromhex("1770A5 000F 1770A5 0000"), None)
    assert batch is not None
    assert ([record.when for record in batch.records], batch.step) == ([900.0, 0.0], 60.0)


@pytest.mark.parametrize(
    ("keys", "at", "when"),
    [("time: at", "2026-11-25T08:00:00Z", 1_795_593_600), ("age: {at: at, unit: h}", 2, 7200), ("age: at", 90, 90)],
)
def test_a_decoded_object_may_hold_records(good_site: Path, keys: str, at: object, when: float) -> None:
    path = good_site / "profiles" / "methane.yaml"
    path.write_text(path.read_text(encoding="utf-8") + f"decoded_records: {{each: /kept/log, {keys}}}\n", "utf-8")
    methane = load(good_site).declared.meters[2].profile
    batch = methane.decode_batch(None, None, {"kept": {"log": [{"at": at, "methane": 3}]}})
    assert batch is not None
    assert batch.records == ((when, [(0, 3)]),)
    assert methane.decode_batch(None, None, {"methane": 3}) is None
