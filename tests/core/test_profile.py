"""Payloads against published frames, and against anything else that may come."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.encoding import Encoding, Order, Scale
from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.pointer import Pointer
from aggregator.core.profile import (
    Binary,
    BinaryItem,
    DecodedField,
    Field,
    Profile,
    RegisterItem,
    Response,
    Window,
)
from aggregator.core.reading import NO_VALUE, Fault
from aggregator.core.records import Pairs

WHOLE = frozenset({"address", "function", "count", "registers", "crc"})


def register(kind: str, at: int = 0, words: Order = Order.HIGH_FIRST, function: int = 3) -> RegisterItem:
    return RegisterItem(0, function, at, Encoding.number(kind, words))


def response(*registers: RegisterItem, parts: frozenset[str] = WHOLE, start: int = 0) -> Response:
    return Response((Window(3, start),), parts, registers)


def with_crc(frame: bytes) -> bytes:
    return frame + int(CrcModbus.calc(frame)).to_bytes(2, "little")


def refusal_of(decode: Callable[[bytes], Pairs], payload: bytes) -> DecodeError:
    with pytest.raises(DecodeError) as caught:
        decode(payload)
    return caught.value


FLOAT_FRAME = bytes.fromhex("01 03 04 42 F6 E9 79 80 0B")


@pytest.mark.parametrize(
    ("frame", "item", "value"),
    [
        ("01 03 04 42 F6 E9 79 80 0B", register("float32"), 123.45600128173828),
        ("01 03 04 E9 79 42 F6 AF 50", register("float32", words=Order.LOW_FIRST), 123.45600128173828),
        ("01 03 04 07 5B CD 15 1F CB", register("uint32"), 123456789),
        ("01 03 08 11 22 10 F4 7D E9 81 15 8C 57", register("uint64"), 1234567890123456789),
        ("01 03 06 02 2B 00 00 00 64 05 7A", register("uint16", at=2), 100),
    ],
)
def test_a_meter_s_answer_carried_in_an_uplink_reads(frame: str, item: RegisterItem, value: float) -> None:
    """Frame layout of MODBUS over Serial Line V1.02 section 2.5.1; CRCs verified with crccheck, images with struct."""
    assert response(item).decode(bytes.fromhex(frame)) == [(0, value)]


@pytest.mark.parametrize(("frame", "code"), [("01 83 02 C0 F1", 2), ("01 83 0B 00 F7", 11)])
def test_a_meter_s_exception_keeps_its_reason(frame: str, code: int) -> None:
    """CRCs verified with crccheck."""
    error = refusal_of(response(register("float32")).decode, bytes.fromhex(frame))
    assert (error.refusal, error.detail) == (Refusal.METER_EXCEPTION, f"exception {code:02d}")


@pytest.mark.parametrize(
    ("frame", "detail"),
    [
        (FLOAT_FRAME[:-1] + b"\x0c", "the response's CRC does not match"),
        (FLOAT_FRAME[:8], "8 bytes where the response needs 9"),
        (bytes.fromhex("01 03 04 42 F6 E9"), "6 bytes where the response needs 9"),
        (with_crc(bytes.fromhex("01 03 04 42 F6 E9")), "8 bytes where the response needs 9"),
        (FLOAT_FRAME + b"\0", "1 bytes after the response"),
        (with_crc(bytes.fromhex("01 03 03 42 F6 E9")), "3 bytes are not a number of registers"),
        (with_crc(bytes.fromhex("01 03 00")), "0 bytes are not a number of registers"),
        (with_crc(bytes.fromhex("01 04 02 00 0A")), "function 4 where 3 is declared"),
        (bytes.fromhex("01 83 02 C0 F2"), "the response's CRC does not match"),
        (bytes.fromhex("01 83"), "the response's CRC does not match"),
        (b"\x01", "the response ends after 1 bytes"),
        (b"\x01\x03", "the response ends after 2 bytes"),
        (b"", "the response ends after 0 bytes"),
        (with_crc(bytes.fromhex("01 03 02 00 0A")), "registers 0-0 hold nothing of the meter's register list"),
    ],
)
def test_a_frame_that_is_not_whole_and_right_is_refused(frame: bytes, detail: str) -> None:
    error = refusal_of(response(register("float32")).decode, frame)
    assert (error.refusal, error.detail) == (Refusal.BAD_PAYLOAD, detail)


def test_an_answer_without_a_crc_is_taken_as_it_is_where_that_is_declared() -> None:
    bare = response(register("float32"), parts=frozenset({"registers"}))
    assert bare.decode(bytes.fromhex("42F6E979")) == [(0, 123.45600128173828)]
    assert refusal_of(bare.decode, b"\x42").detail == "1 bytes are not a number of registers"
    no_crc = response(register("float32"), parts=WHOLE - {"crc", "address"})
    assert no_crc.decode(FLOAT_FRAME[1:-2]) == [(0, 123.45600128173828)]
    assert refusal_of(no_crc.decode, b"\x83\x0b").refusal is Refusal.METER_EXCEPTION
    assert refusal_of(no_crc.decode, b"\x83").detail == "the response ends after 1 bytes"


def test_several_answers_follow_each_other_in_one_payload() -> None:
    both = Response(
        (Window(3, 10), Window(4, 0)), WHOLE, (register("uint16", at=10), register("uint16", at=0, function=4))
    )
    first, second = with_crc(bytes.fromhex("01 03 02 00 07")), with_crc(bytes.fromhex("01 04 02 00 0A"))
    assert both.decode(first + second) == [(0, 7), (0, 10)]
    assert refusal_of(both.decode, first).detail == "the response ends after 7 bytes"


@pytest.mark.parametrize(
    ("payload", "registers"), [(11, 3), (51, 23), (53, 24), (115, 55), (125, 60), (222, 108), (242, 118)]
)
def test_so_many_registers_fit_an_uplink(payload: int, registers: int) -> None:
    """(N - 5) / 2 registers in N bytes at the LoRaWAN payload limits, computed."""
    whole = response(register("uint16", at=registers - 1))
    frame = with_crc(bytes((1, 3, 2 * registers)) + bytes(2 * registers - 2) + b"\x12\x34")
    assert len(frame) <= payload < len(frame) + 2
    assert whole.decode(frame) == [(0, 0x1234)]


def test_bits_of_a_register_read_as_a_number() -> None:
    state = RegisterItem(0, 3, 0, Encoding.number("uint16"), bits=(4, 7))
    assert response(state).decode(with_crc(bytes.fromhex("01 03 02 12 A4"))) == [(0, 0xA)]


def test_a_text_in_registers_reads_as_text() -> None:
    serial = RegisterItem(0, 3, 0, Encoding("text", 2))
    assert response(serial).decode(with_crc(b"\x01\x03\x04AB7\0")) == [(0, "AB7")]


@pytest.mark.parametrize(
    ("item", "value"),
    [
        (BinaryItem(0, 0, 1, "uint", "big", None, Scale()), 0xFF),
        (BinaryItem(0, 0, 1, "int", "big", None, Scale()), -1),
        (BinaryItem(0, 0, 2, "int", "big", None, Scale(0.1)), pytest.approx(-5.1)),
        (BinaryItem(0, 0, 2, "uint", "little", None, Scale()), 0xCDFF),
        (BinaryItem(0, 0, 3, "uint", "big", None, Scale()), 0xFFCD12),
        (BinaryItem(0, 1, 1, "uint", "big", (4, 7), Scale()), 0xC),
        (BinaryItem(0, 1, 1, "uint", "big", (0, 0), Scale()), 1),
        (BinaryItem(0, 3, 4, "float", "big", None, Scale()), 123.45600128173828),
        (BinaryItem(0, 7, 4, "float", "little", None, Scale(10)), pytest.approx(1234.5600128)),
        (BinaryItem(0, 11, 8, "float", "big", None, Scale()), math.pi),
    ],
)
def test_a_binary_item_reads(item: BinaryItem, value: float) -> None:
    """FF CD as int16 / 10 is -5.1: the worked vector of TS013's codec, verified with a script engine."""
    payload = bytes.fromhex("FFCD12") + struct.pack(">f", 123.456) + struct.pack("<f", 123.456)
    payload += struct.pack(">d", math.pi)
    assert Binary((item,)).decode(payload) == [(0, value)]
    assert Binary((item,)).decode(payload + b"junk") == [(0, value)]


def test_a_payload_too_short_for_one_item_gives_none_of_them(profile: Profile) -> None:
    whole = bytes.fromhex("007B 00000064 41A73333")
    assert profile.decode_payload(2, whole)[1] == (1, 100)
    for length in range(len(whole)):
        error = refusal_of(lambda cut: profile.decode_payload(2, cut), whole[:length])
        assert error.detail == f"{length} bytes where 10 are declared"


def test_a_meter_that_says_nan_has_no_value(profile: Profile) -> None:
    for image in ("7FC00000", "7F800000", "FF800000"):
        payload = bytes.fromhex("007B 00000064" + image)
        assert profile.decode_payload(2, payload)[2] == (2, NO_VALUE)
    nan_frame = Profile("p", "", profile.fields, payloads={None: response(register("float32"))})
    assert nan_frame.decode_payload(9, bytes.fromhex("01 03 04 7F C0 00 00 E3 DB")) == [(0, NO_VALUE)]


def test_a_payload_is_chosen_by_its_port(profile: Profile) -> None:
    error = refusal_of(lambda payload: profile.decode_payload(3, payload), b"\0" * 10)
    assert (error.refusal, error.detail) == (
        Refusal.BAD_PAYLOAD,
        "profile gas-point declares no payload for port 3",
    )


def test_decoded_fields_are_taken_where_the_profile_looks_for_them() -> None:
    celsius = DecodedField(0, Pointer("/t/value"), Scale(1.0, 273.15))
    profile = Profile("p", "", (Field("temperature", "K", "temperature"),), (celsius,))
    [(index, value)] = profile.decode_fields({"t": {"value": 20}})
    assert index == 0
    assert value == pytest.approx(293.15)


def test_a_field_that_is_absent_is_left_out(profile: Profile) -> None:
    assert profile.decode_fields({"methane": 1.5, "other": "x"}) == [(2, 1.5)]
    error = refusal_of(lambda _: profile.decode_fields({"other": 1}), b"")
    assert (error.refusal, error.detail) == (
        Refusal.MISSING,
        "none of the fields of profile gas-point is there",
    )


HUGE = [pytest.param(10**400, id="400 digits"), pytest.param(-(10**400), id="minus 400 digits")]


@pytest.mark.parametrize("odd", [True, False, "1.5", [], {}, math.inf, -math.inf, math.nan, *HUGE])
def test_what_is_no_finite_number_stops_at_the_door(profile: Profile, odd: object) -> None:
    """`nan > limit` is false, infinity overflows a register, True is 1: none may pass for a reading."""
    for fields in ({"methane": odd}, {"flow": 1, "methane": odd}):
        error = refusal_of(lambda _, fields=fields: profile.decode_fields(fields), b"")  # type: ignore[misc]
        assert error.refusal is Refusal.WRONG_TYPE
        assert error.detail.startswith("methane is ")


def test_a_number_that_its_unit_makes_infinite_is_refused(profile: Profile) -> None:
    line = DecodedField(0, Pointer("/p"), Scale(1000.0))
    in_pascal = Profile("p", "", (Field("pressure", "Pa", "pressure"),), (line,))
    assert refusal_of(lambda _: in_pascal.decode_fields({"p": 1e308}), b"").detail == (
        "pressure is 1e+308, more than a number holds"
    )


def test_a_counter_of_64_bits_stays_exact(profile: Profile) -> None:
    assert profile.decode_fields({"volume": 2**64 - 1}) == [(1, 2**64 - 1)]


def test_a_field_is_found_by_its_name(profile: Profile) -> None:
    assert profile.index_of("methane") == 2
    assert profile.index_of("oxygen") is None


WINDOWS = st.lists(st.builds(Window, st.sampled_from([3, 4]), st.integers(0, 3)), min_size=1, max_size=3)
PARTS = st.sets(st.sampled_from(sorted(WHOLE - {"registers"}))).map(frozenset)
KINDS = st.sampled_from(["uint16", "int32", "float32", "float64"])
PAYLOADS = st.binary(max_size=24) | st.binary(max_size=16).map(
    lambda data: with_crc(b"\x01\x03" + bytes([len(data)]) + data)
)


@given(PAYLOADS, WINDOWS, PARTS, st.lists(st.tuples(KINDS, st.integers(0, 8)), max_size=3))
def test_any_payload_decodes_or_raises_decode_error(
    payload: bytes, windows: list[Window], parts: frozenset[str], items: list[tuple[str, int]]
) -> None:
    registers = tuple(register(kind, at) for kind, at in items)
    profile = Profile("p", "", (), payloads={None: Response(tuple(windows), parts, registers)})
    try:
        pairs = profile.decode_payload(1, payload)
    except DecodeError:
        return
    assert pairs
    assert all(isinstance(value, Fault) or math.isfinite(float(value)) for _, value in pairs)


@given(st.binary(max_size=64))
def test_a_whole_frame_always_reads_and_a_damaged_one_never_does(data: bytes) -> None:
    registers = data + bytes(len(data) % 2) + b"\x00\x01"
    frame = with_crc(bytes((1, 3, len(registers))) + registers)
    layout = response(register("uint16"))
    assert layout.decode(frame) == [(0, int.from_bytes(registers[:2], "big"))]
    for at in range(len(frame)):
        damaged = frame[:at] + bytes((frame[at] ^ 0x40,)) + frame[at + 1 :]
        assert refusal_of(layout.decode, damaged).refusal is Refusal.BAD_PAYLOAD


# Codes in place of values

CODES = {65535.0: "no sensor", 65534.0: "warming up"}


@pytest.mark.parametrize(("raw", "value"), [(65535, Fault("no sensor")), (65534, Fault("warming up")), (65533, 6553.3)])
def test_a_code_of_the_meter_s_is_no_value_however_it_comes(raw: int, value: float | Fault) -> None:
    """Held against the raw number, before any scale."""
    data = raw.to_bytes(2, "big")
    binary = BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1), CODES)
    listed = RegisterItem(0, 3, 0, Encoding.number("uint16"), Scale(0.1), faults=CODES)
    decoded = DecodedField(0, Pointer("/x"), Scale(0.1), CODES)
    profile = Profile("p", "", (Field("x", "", "x"),), (decoded,))
    found = [binary.read(data), listed.read(data, 0), profile.decode_fields({"x": raw})[0][1]]
    assert found == [value if isinstance(value, Fault) else pytest.approx(value)] * 3


def test_a_code_may_stand_in_a_run_of_bits_or_be_a_float() -> None:
    bits = BinaryItem(0, 0, 1, "uint", "big", (0, 3), Scale(), {15: "open"})
    assert [bits.read(b"\xaf"), bits.read(b"\xfa")] == [Fault("open"), 10]
    number = BinaryItem(0, 0, 4, "float", "big", None, Scale(), {-999.0: "open"})
    assert number.read(struct.pack(">f", -999.0)) == Fault("open")
