"""The payload encoder, held against the profile's own decoder, and the check bytes against another CRC."""

from __future__ import annotations

import dataclasses
import math

import pytest
from crccheck.crc import Crc16Modbus
from hypothesis import given
from hypothesis import strategies as st

from aggregator.config.configuration import Configuration
from aggregator.core.encoding import Encoding, Scale
from aggregator.core.profile import Binary, BinaryItem, Profile, RegisterItem, Response, Window
from aggregator.core.records import Records, Stamp
from aggregator.demo.equipment import Equipment
from aggregator.demo.payloads import encode, encode_records

EPOCH = 1_780_000_000.0  # an arbitrary moment of 2026
FLOAT32_BITS = 24  # IEEE 754-2019 Table 3.5: precision of binary32


def profiles_of(configuration: Configuration) -> dict[str, Profile]:
    return {meter.profile.name: meter.profile for meter in configuration.declared.meters}


def steps_of(payload: Binary | Response) -> dict[int, float]:
    """By field: the smallest change that the payload can carry, 0 for a float."""
    if isinstance(payload, Binary):
        return {item.index: 0.0 if item.kind == "float" else abs(item.scale.factor) for item in payload.items}
    return {item.index: 0.0 if item.encoding.is_float else abs(item.scale.factor) for item in payload.registers}


def test_every_payload_of_the_sample_decodes_to_what_went_in(sample: Configuration) -> None:
    tried = 0
    for profile in profiles_of(sample).values():
        carried: set[int] = set()
        for port, payload in profile.payloads.items():
            values = Equipment(profile, "a meter").read(12_345.0)
            pairs = dict(profile.decode_payload(port, encode(payload, values)))
            steps = steps_of(payload)
            for index, value in pairs.items():
                allowed = steps[index] / 2 + abs(values[index]) * 2.0**-FLOAT32_BITS + 1e-9
                assert value == pytest.approx(values[index], abs=allowed), profile.fields[index].name
            carried |= set(pairs)
            tried += 1
        if profile.payloads:
            sent = {index for index, field in enumerate(profile.fields) if field.computed is None}
            assert carried == sent, profile.name
    assert tried >= 6


def test_the_records_of_the_sample_decode_to_what_went_in(sample: Configuration) -> None:
    profile = profiles_of(sample)["co2-room"]
    ((port, records),) = profile.records.items()
    kept = [(EPOCH + 600.0 * at, Equipment(profile, f"reading {at}").read(0.0)) for at in range(4)]
    batch = profile.decode_batch(port, encode_records(records, kept, EPOCH + 1805.0), None)
    assert batch is not None
    assert [record.when for record in batch.records] == [1800.0, 1200.0, 600.0, 0.0]  # minutes before the uplink
    for (_, values), record in zip(kept, batch.records, strict=True):
        for index, value in record.pairs:
            assert value == pytest.approx(values[index], abs=0.051, rel=1e-6)


def test_times_and_little_ends_of_records_stand_where_they_should() -> None:
    # 0x6A0B5C80 is 1 779 129 472 (computed with GNU bc)
    stamp = Stamp(2, 4, "little", None)
    records = Records(1, 6, stamp, Binary((BinaryItem(0, 0, 2, "uint", "big", None, Scale()),)))
    made = encode_records(records, [(0x6A0B5C80, [258.0])], 0.0)
    assert made.hex(" ") == "00 01 02 80 5c 0b 6a"
    assert records.decode(made).records[0] == (0x6A0B5C80, [(0, 258)])


def test_each_end_of_every_range_survives_the_payload(sample: Configuration) -> None:
    for profile in profiles_of(sample).values():
        for port, payload in profile.payloads.items():
            for end in ("low", "high"):
                values = [float(getattr(field, end)) for field in profile.fields]
                for index, value in profile.decode_payload(port, encode(payload, values)):
                    allowed = steps_of(payload)[index] / 2 + abs(values[index]) * 2.0**-FLOAT32_BITS + 1e-9
                    assert value == pytest.approx(values[index], abs=allowed), profile.fields[index].name


def test_a_response_ends_with_the_crc_that_another_library_computes(sample: Configuration) -> None:
    # MODBUS over Serial Line V1.02 section 6.2.2; crccheck is the other implementation
    profile = profiles_of(sample)["flow-rtu"]
    frame = encode(profile.payloads[1], Equipment(profile, "a meter").read(0.0))
    assert int.from_bytes(frame[-2:], "little") == Crc16Modbus.calc(frame[:-2])


def test_a_known_response_is_made_byte_for_byte() -> None:
    # MODBUS V1.1b3 section 6.3 frame; 0x42F6E979 is 123.456 in binary32; CRC by crccheck
    item = RegisterItem(0, 3, 0, Encoding.number("float32"))
    payload = Response((Window(3, 0),), frozenset({"address", "function", "count", "registers", "crc"}), (item,))
    assert encode(payload, [123.456]).hex(" ") == "01 03 04 42 f6 e9 79 80 0b"


def test_two_reads_of_one_function_share_the_list_between_them() -> None:
    items = tuple(RegisterItem(at, 3, 10 * at, Encoding.number("uint16")) for at in range(3))
    payload = Response((Window(3, 0), Window(3, 20)), frozenset({"function", "count", "registers"}), items)
    profile = Profile("p", "P", (), payloads={None: payload})
    assert profile.decode_payload(1, encode(payload, [1, 2, 3])) == [(0, 1), (1, 2), (2, 3)]


def test_a_number_that_does_not_fit_becomes_the_nearest_that_does() -> None:
    items = (
        BinaryItem(0, 0, 1, "uint", "big", None, Scale()),
        BinaryItem(1, 1, 2, "int", "little", None, Scale(0.1)),
        BinaryItem(2, 3, 1, "uint", "big", (4, 7), Scale()),
    )
    assert dict(Binary(items).decode(encode(Binary(items), [300, -9999, 99]))) == {0: 255, 1: -3276.8, 2: 15}


kinds = st.sampled_from([("uint", 1), ("uint", 2), ("uint", 3), ("uint", 4), ("uint", 8), ("int", 1), ("int", 2)])


@given(kinds, st.sampled_from(["big", "little"]), st.integers(0, 20), st.data())
def test_every_whole_number_of_a_binary_item_comes_back(
    kind: tuple[str, int], order: str, at: int, data: st.DataObject
) -> None:
    name, size = kind
    low = -(1 << 8 * size - 1) if name == "int" else 0
    value = data.draw(st.integers(low, low + (1 << 8 * size) - 1))
    payload = Binary((BinaryItem(0, at, size, name, order, None, Scale()),))
    assert payload.decode(encode(payload, [value])) == [(0, value)]


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(["big", "little"]))
def test_every_float_of_a_binary_item_comes_back(value: float, order: str) -> None:
    payload = Binary((BinaryItem(0, 0, 4, "float", order, None, Scale()),))
    ((_, decoded),) = payload.decode(encode(payload, [value]))
    assert isinstance(decoded, float)
    assert decoded == value
    assert math.copysign(1, decoded) == math.copysign(1, value)


def test_fields_that_share_a_number_by_its_bits_do_not_disturb_each_other() -> None:
    low = BinaryItem(0, 0, 2, "uint", "big", (0, 11), Scale(0.05))
    high = dataclasses.replace(low, index=1, bits=(12, 15), scale=Scale())
    payload = Binary((low, high))
    assert encode(payload, [100.0, 5]).hex() == "57d0"  # 5 << 12 | 2000, by hand
    assert payload.decode(encode(payload, [100.0, 5])) == [(0, 100.0), (1, 5)]
