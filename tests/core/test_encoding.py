"""Values against their published bit images, in all four orders.

Source of the images: IEEE 754-2019 section 3.4 and two's complement (MODBUS V1.1b3 section 4.2 for the order of the
bytes inside a register). All rows verified with struct and with numpy. The first column of each row is high word and
high byte first, then low word first, then bytes swapped in each word, then both.
"""

from __future__ import annotations

import math
from decimal import Decimal
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from aggregator.core.encoding import (
    IDENTITY,
    LARGEST_FLOAT32,
    NUMBERS,
    Encoding,
    ItemCodec,
    Order,
    Scale,
    swap_bytes,
)

HIGH, LOW = Order.HIGH_FIRST, Order.LOW_FIRST
ORDERS = ((HIGH, HIGH), (LOW, HIGH), (HIGH, LOW), (LOW, LOW))

IMAGES: list[tuple[str, float, str]] = [
    ("float32", 0.0, "0000 0000 | 0000 0000 | 0000 0000 | 0000 0000"),
    ("float32", -0.0, "8000 0000 | 0000 8000 | 0080 0000 | 0000 0080"),
    ("float32", 1.0, "3F80 0000 | 0000 3F80 | 803F 0000 | 0000 803F"),
    ("float32", -1.0, "BF80 0000 | 0000 BF80 | 80BF 0000 | 0000 80BF"),
    ("float32", 0.1, "3DCC CCCD | CCCD 3DCC | CC3D CDCC | CDCC CC3D"),
    ("float32", -2.5, "C020 0000 | 0000 C020 | 20C0 0000 | 0000 20C0"),
    ("float32", 10.0, "4120 0000 | 0000 4120 | 2041 0000 | 0000 2041"),
    ("float32", 100.0, "42C8 0000 | 0000 42C8 | C842 0000 | 0000 C842"),
    ("float32", 20.9, "41A7 3333 | 3333 41A7 | A741 3333 | 3333 A741"),
    ("float32", 101.325, "42CA A666 | A666 42CA | CA42 66A6 | 66A6 CA42"),
    ("float32", 123.456, "42F6 E979 | E979 42F6 | F642 79E9 | 79E9 F642"),
    ("float32", math.pi, "4049 0FDB | 0FDB 4049 | 4940 DB0F | DB0F 4940"),
    ("float32", 273.15, "4388 9333 | 9333 4388 | 8843 3393 | 3393 8843"),
    ("float32", 1013.25, "447D 5000 | 5000 447D | 7D44 0050 | 0050 7D44"),
    ("float32", 16777216, "4B80 0000 | 0000 4B80 | 804B 0000 | 0000 804B"),
    ("float32", 3.4028234663852886e38, "7F7F FFFF | FFFF 7F7F | 7F7F FFFF | FFFF 7F7F"),
    ("float32", 1.1754943508222875e-38, "0080 0000 | 0000 0080 | 8000 0000 | 0000 8000"),
    ("float32", 1.1754942106924411e-38, "007F FFFF | FFFF 007F | 7F00 FFFF | FFFF 7F00"),
    ("float32", 1.401298464324817e-45, "0000 0001 | 0001 0000 | 0000 0100 | 0100 0000"),
    ("float64", 1.0, "3FF0 0000 0000 0000 | 0000 0000 0000 3FF0 | F03F 0000 0000 0000 | 0000 0000 0000 F03F"),
    ("float64", 0.1, "3FB9 9999 9999 999A | 999A 9999 9999 3FB9 | B93F 9999 9999 9A99 | 9A99 9999 9999 B93F"),
    ("float64", math.pi, "4009 21FB 5444 2D18 | 2D18 5444 21FB 4009 | 0940 FB21 4454 182D | 182D 4454 FB21 0940"),
    ("int16", -1, "FFFF | FFFF | FFFF | FFFF"),
    ("int16", -32768, "8000 | 8000 | 0080 | 0080"),
    ("int32", 305419896, "1234 5678 | 5678 1234 | 3412 7856 | 7856 3412"),
    ("int32", -2, "FFFF FFFE | FFFE FFFF | FFFF FEFF | FEFF FFFF"),
    ("int32", -(2**31), "8000 0000 | 0000 8000 | 0080 0000 | 0000 0080"),
    ("int32", 2**31 - 1, "7FFF FFFF | FFFF 7FFF | FF7F FFFF | FFFF FF7F"),
    ("uint32", 123456789, "075B CD15 | CD15 075B | 5B07 15CD | 15CD 5B07"),
    ("uint32", 65536, "0001 0000 | 0000 0001 | 0100 0000 | 0000 0100"),
    ("uint32", 99999999, "05F5 E0FF | E0FF 05F5 | F505 FFE0 | FFE0 F505"),
    (
        "uint64",
        1234567890123456789,
        "1122 10F4 7DE9 8115 | 8115 7DE9 10F4 1122 | 2211 F410 E97D 1581 | 1581 E97D F410 2211",
    ),
    ("uint64", 999999999999, "0000 00E8 D4A5 0FFF | 0FFF D4A5 00E8 0000 | 0000 E800 A5D4 FF0F | FF0F A5D4 E800 0000"),
]
ONE_BY_ONE = [
    pytest.param(kind, words, bytes_, value, bytes.fromhex(image), id=f"{kind} {value} {words} {bytes_}")
    for kind, value, images in IMAGES
    for (words, bytes_), image in zip(ORDERS, images.split("|"), strict=True)
]


@pytest.mark.parametrize(("kind", "words", "byte_order", "value", "image"), ONE_BY_ONE)
def test_a_number_stands_as_its_published_image(
    kind: str, words: Order, byte_order: Order, value: float, image: bytes
) -> None:
    encoding = Encoding.number(kind, words, byte_order)
    assert encoding.pack(value) == image
    raw = encoding.unpack(image)
    assert raw == (float(np.float32(value)) if kind == "float32" else value)
    assert math.copysign(1, float(raw)) == math.copysign(1, value)


@pytest.mark.parametrize("image", ["7FC00000", "7F800001", "7FA00000", "7FFFFFFF", "FFC00000", "FFFFFFFF"])
def test_every_published_nan_reads_as_no_value(image: str) -> None:
    assert ItemCodec(Encoding.number("float32")).decode(bytes.fromhex(image)) is None


@pytest.mark.parametrize(
    ("kind", "image"), [("float32", "7F800000"), ("float32", "FF800000"), ("float64", "7FF0" + 12 * "0")]
)
def test_an_infinity_reads_as_no_value(kind: str, image: str) -> None:
    assert ItemCodec(Encoding.number(kind)).decode(bytes.fromhex(image)) is None


@pytest.mark.parametrize(
    ("kind", "image"),
    [
        ("float32", "7FC00000"),
        ("float64", "7FF8000000000000"),
        ("int16", "8000"),
        ("uint16", "FFFF"),
        ("int32", "80000000"),
        ("uint32", "FFFFFFFF"),
        ("int64", "8000000000000000"),
        ("uint64", "FFFFFFFFFFFFFFFF"),
    ],
)
def test_no_value_stands_as_the_default_filler(kind: str, image: str) -> None:
    """NaN is the canonical quiet one; the integers' fillers are the design of this map."""
    codec = ItemCodec(Encoding.number(kind))
    assert codec.encode(None) == (bytes.fromhex(image), False)
    assert codec.decode(bytes.fromhex(image)) is None


def test_a_declared_filler_replaces_the_default() -> None:
    codec = ItemCodec(Encoding.number("int16"), filler=-999)
    assert codec.encode(None) == (b"\xfc\x19", False)
    assert codec.encode(-32768) == (b"\x80\x00", False)


@pytest.mark.parametrize(
    ("kind", "value", "image"),
    [
        ("int16", 32768, "7FFF"),
        ("int16", -32768, "8001"),  # 8000 stands for no value
        ("int16", 1e300, "7FFF"),
        ("uint16", 65535, "FFFE"),  # FFFF stands for no value
        ("uint16", -1, "0000"),
        ("int32", -(2**31), "80000001"),
        ("uint64", 2**64, "FFFFFFFFFFFFFFFE"),
        ("float64", -math.inf, "FFEFFFFFFFFFFFFF"),
        ("float32", 1e39, "7F7FFFFF"),
        ("float32", -1e39, "FF7FFFFF"),
        pytest.param("float64", 10**400, "7FEFFFFFFFFFFFFF", id="400 digits"),
        ("float32", math.inf, "7F7FFFFF"),
        ("int32", -math.inf, "80000001"),
    ],
)
def test_what_does_not_fit_is_clamped_and_said(kind: str, value: float, image: str) -> None:
    """`struct.pack('>f', 1e39)` raises; a register never may."""
    assert ItemCodec(Encoding.number(kind)).encode(value) == (bytes.fromhex(image), True)


def test_a_nan_shows_as_no_value_and_is_said() -> None:
    for kind in NUMBERS:
        codec = ItemCodec(Encoding.number(kind))
        assert codec.encode(math.nan) == (codec.filler_bytes, True)


FINITE = st.one_of(
    st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.integers(400, 2000).map(lambda n: 10**n)
)
CONVERSIONS = st.sampled_from([IDENTITY, Scale(1000.0), Scale(1.8, 32.0)])
SCALES = st.builds(Scale, st.sampled_from([1.0, 0.1, 0.01, 10.0, -1.0, 1e-300, 1e300]), st.sampled_from([0.0, -50.0]))


@given(
    st.sampled_from(sorted(NUMBERS)),
    st.sampled_from(ORDERS),
    SCALES,
    CONVERSIONS,
    st.one_of(FINITE, st.text(), st.none()),
)
def test_no_value_ever_raises(
    kind: str, orders: tuple[Order, Order], scale: Scale, conversion: Scale, value: float | str | None
) -> None:
    encoding = Encoding.number(kind, *orders)
    data, clamped = ItemCodec(encoding, scale, conversion=conversion).encode(value)
    assert len(data) == 2 * encoding.registers
    assert clamped or not isinstance(value, str)


@given(st.sampled_from([kind for kind in sorted(NUMBERS) if "int" in kind]), st.integers(-(2**66), 2**66))
def test_an_integer_is_exact_or_said_to_be_clamped(kind: str, value: int) -> None:
    codec = ItemCodec(Encoding.number(kind))
    data, clamped = codec.encode(value)
    shown = codec.decode(data)
    assert clamped is (shown != value)
    assert isinstance(shown, int)
    assert abs(shown) <= abs(value)


@pytest.mark.parametrize(("kind", "orders"), list(product(sorted(NUMBERS), ORDERS)))
@given(data=st.data())
def test_every_register_content_comes_back_bit_for_bit(
    kind: str, orders: tuple[Order, Order], data: st.DataObject
) -> None:
    encoding = Encoding.number(kind, *orders)
    image = data.draw(st.binary(min_size=2 * encoding.registers, max_size=2 * encoding.registers))
    raw = encoding.unpack(image)
    assume(raw == raw)  # a NaN's payload bits are nobody's business
    assert encoding.pack(raw) == image


@pytest.mark.parametrize(("kind", "orders"), list(product(sorted(NUMBERS), ORDERS)))
@given(image=st.binary(min_size=8, max_size=8))
def test_numpy_reads_the_same_number(kind: str, orders: tuple[Order, Order], image: bytes) -> None:
    words, byte_order = orders
    encoding = Encoding.number(kind, *orders)
    image = image[: 2 * encoding.registers]
    registers = np.frombuffer(image, ">u2" if byte_order is HIGH else "<u2")
    high_first = registers if words is HIGH else registers[::-1]
    expected = np.frombuffer(high_first.astype(">u2").tobytes(), np.dtype(kind).newbyteorder(">"))[0]
    np.testing.assert_equal(encoding.unpack(image), expected.item())


@given(
    st.sampled_from(ORDERS),
    st.sampled_from([0.1, 0.01, 0.5, 10.0]),
    st.sampled_from([0.0, -50.0]),
    st.integers(0, 65534),
)
def test_a_scaled_value_comes_back_within_half_a_step(
    orders: tuple[Order, Order], factor: float, offset: float, raw: int
) -> None:
    codec = ItemCodec(Encoding.number("uint16", *orders), Scale(factor, offset))
    value = codec.scale.value(raw)
    data, clamped = codec.encode(value)
    assert not clamped
    assert codec.encoding.unpack(data) == raw
    assert codec.decode(data) == pytest.approx(value, abs=factor / 2)


@pytest.mark.parametrize(
    ("current", "percent", "volume", "temperature"),
    [
        (4, 0, 0, -50),
        (5.6, 10, 2.5, -30),
        (8, 25, 6.25, 0),
        (12, 50, 12.5, 50),
        (20, 100, 25, 150),
        (3.8, -1.25, -0.3125, -52.5),
        (20.5, 103.125, 25.78125, 156.25),
        (17.376, 83.6, 20.9, 117.2),
    ],
)
def test_a_current_loop_scales_as_its_formula(
    current: float, percent: float, volume: float, temperature: float
) -> None:
    """4-20 mA: value = low + (I - 4) / 16 * (high - low), computed; tolerance 1e-9."""
    for value, low, high in ((percent, 0, 100), (volume, 0, 25), (temperature, -50, 150)):
        span = high - low
        line = Scale(span / 16, low - 4 * span / 16)
        assert line.value(current) == pytest.approx(value, abs=1e-9)
        assert line.raw(value) == pytest.approx(current, abs=1e-9)


@pytest.mark.parametrize(("raw", "full", "current"), [(13824, 27648, 12.0), (13107, 65535, 4.0), (819, 4095, 4.0)])
def test_a_converter_s_counts_scale_to_current(raw: int, full: int, current: float) -> None:
    """13824 of 27648 on 4-20 mA is 12 mA; 13107 of 65535 and 819 of 4095 on 0-20 mA are 4 mA; computed."""
    line = Scale(16 / full, 4) if full == 27648 else Scale(20 / full)
    assert line.value(raw) == pytest.approx(current, abs=1e-9)


def test_a_float32_total_loses_litres_and_an_integer_does_not() -> None:
    """float32(16 777 216 + 1) = 16 777 216, verified with numpy; the step at 1e8 is 8."""
    as_float, as_integer = ItemCodec(Encoding.number("float32")), ItemCodec(Encoding.number("uint32"))
    assert as_float.decode(as_float.encode(16_777_217)[0]) == 16_777_216
    assert as_integer.decode(as_integer.encode(16_777_217)[0]) == 16_777_217
    step = np.spacing(np.float32(1e8))
    assert as_float.decode(as_float.encode(1e8 + 3)[0]) == 1e8
    assert as_float.decode(as_float.encode(1e8 + 5)[0]) == 1e8 + step == 1e8 + 8


def test_an_unscaled_integer_stays_an_integer() -> None:
    assert IDENTITY.value(2**63) == 2**63
    assert isinstance(IDENTITY.value(7), int)
    assert isinstance(IDENTITY.raw(7), int)


def test_a_decimal_scale_leaves_no_dust_of_binary_arithmetic() -> None:
    """18.4 and not 18.400000000000002: decimal arithmetic is the reference (IEEE 754-2019 section 3.5, Python's)."""
    for factor, offset in (("0.1", "0"), ("0.001", "0"), ("0.05", "0"), ("0.1", "-40"), ("1.8", "32"), ("-0.01", "5")):
        line = Scale(float(factor), float(offset))
        for raw in (*range(-1000, 1000), 65535, 184, 4_294_967_295):
            expected = float(Decimal(raw) * Decimal(factor) + Decimal(offset))
            assert line.value(raw) == line.value(float(raw)) == expected, (raw, factor, offset)


@pytest.mark.parametrize("raw", [math.inf, -math.inf, 1e300, -(10**25)])
def test_a_scale_of_numbers_beyond_all_measure_is_a_plain_product(raw: float) -> None:
    assert Scale(0.1).value(raw) == raw * 0.1
    assert math.isnan(Scale(0.1).value(math.nan))


@given(SCALES, SCALES, st.floats(-1e3, 1e3))
def test_one_line_after_another_is_one_line(first: Scale, second: Scale, raw: float) -> None:
    assume(max(abs(first.factor * second.factor), abs(first.offset * second.factor)) < 1e300)
    assume(abs(first.factor * second.factor) > 1e-290 or first.factor * second.factor == 0)
    assert first.then(second).value(raw) == pytest.approx(second.value(first.value(raw)), rel=1e-9, abs=1e-9)


def test_a_line_and_its_inverse_lead_back() -> None:
    celsius_to_fahrenheit = Scale(1.8, 32.0)
    assert celsius_to_fahrenheit.value(100) == pytest.approx(212.0)
    assert celsius_to_fahrenheit.inverse().value(212.0) == pytest.approx(100.0)


def test_the_item_s_unit_is_reached_from_the_field_s_at_encoding() -> None:
    """A field in degrees Celsius shown in tenths of kelvin: 0 degC is 273.15 K by definition (SI Brochure)."""
    codec = ItemCodec(Encoding.number("uint16"), Scale(0.1), conversion=Scale(1.0, 273.15))
    data, clamped = codec.encode(21.5)
    assert (int.from_bytes(data, "big"), clamped) == (2946, False)
    assert codec.decode(data) == pytest.approx(294.6)


def test_a_text_is_padded_and_read_back_without_padding() -> None:
    codec = ItemCodec(Encoding("text", 4))
    data, clamped = codec.encode("FT-101")
    assert (data, clamped) == (b"FT-101\0\0", False)
    assert codec.decode(data) == "FT-101"
    assert codec.encode(None) == (bytes(8), False)


def test_a_text_that_is_cut_is_said_to_be() -> None:
    assert ItemCodec(Encoding("text", 2)).encode("12345") == (b"1234", True)
    assert ItemCodec(Encoding("text", 2)).encode(12345.5) == (b"1234", True)


def test_a_text_has_its_bytes_swapped_but_never_its_words() -> None:
    assert Encoding("text", 2, LOW, HIGH).pack("ABCD") == b"ABCD"
    assert Encoding("text", 2, LOW, LOW).pack("ABCD") == b"BADC"
    assert Encoding("text", 2, HIGH, LOW).unpack(b"BADC") == "ABCD"


def test_a_text_in_a_number_s_place_shows_the_filler_and_says_so() -> None:
    assert ItemCodec(Encoding.number("int16")).encode("open") == (b"\x80\x00", True)


@given(st.text(), st.sampled_from(ORDERS))
def test_any_text_fits_its_registers(text: str, orders: tuple[Order, Order]) -> None:
    data, _ = ItemCodec(Encoding("text", 4, *orders)).encode(text)
    assert len(data) == 8


@given(st.binary(min_size=1, max_size=8).map(lambda half: half + half))
def test_swapping_twice_changes_nothing(data: bytes) -> None:
    assert swap_bytes(swap_bytes(data)) == data


def test_the_largest_float32_is_ieee_s() -> None:
    assert float(np.finfo(np.float32).max) == LARGEST_FLOAT32
