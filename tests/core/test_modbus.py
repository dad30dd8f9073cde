"""Requests and answers byte for byte against the specification's worked examples, limits and order of checks.

Sources: MODBUS Application Protocol Specification V1.1b3 (sections in the tables; bytes verified in its text and with
scapy's dissector), MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3, MODBUS over Serial Line V1.02
(CRCs verified with crccheck and others).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from itertools import pairwise

import pytest
from crccheck.crc import CrcModbus
from hypothesis import example, given
from hypothesis import strategies as st
from scapy.contrib.modbus import ModbusADUResponse

from aggregator.core.address_map import Item, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.image import Image
from aggregator.core.modbus import Conversation, HeaderError, crc16, respond
from aggregator.core.reading import Now

ImageOf = Callable[..., Image]
NOW = Now(5000.0, 1_795_600_000.0)
WORD = ItemCodec(Encoding.number("uint16"), filler=0)


def bits(data: str, count: int) -> list[int]:
    """Bits as they stand in a response's bytes, lowest first (V1.1b3 6.1)."""
    number = int.from_bytes(bytes.fromhex(data), "little")
    return [number >> at & 1 for at in range(count)]


def specification_items() -> Iterator[Item]:
    """Every value that the specification's examples read or write, at its PDU address."""
    for at in range(200):
        yield Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}")
    for at, bit in enumerate(bits("AC DB 35", 22)):
        yield Item(Table.DISCRETE, 196 + at, Shows.CONSTANT, str(bit))
    for at, value in ((8, 10), (107, 555), (108, 0), (109, 100)):
        yield Item(Table.INPUT, at, Shows.CONSTANT, str(value), WORD)
    for at in range(10):
        yield Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD)


@pytest.fixture
def specification(image_of: ImageOf) -> Image:
    """A device that holds what the worked examples read; coils 20-38 are written as they say."""
    image = image_of(*specification_items())
    image.write_coils(19, [bool(bit) for bit in bits("CD 6B 05", 19)], "test", NOW)
    return image


@pytest.fixture
def hundred(image_of: ImageOf) -> Image:
    """A device with PDU addresses 0 to 99 in every table."""
    items = [Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}") for at in range(100)]
    items += [Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(100)]
    items += [Item(Table.INPUT, 99, Shows.CONSTANT, "1", WORD), Item(Table.DISCRETE, 99, Shows.CONSTANT, "1")]
    return image_of(*items)


def ask(image: Image, request: str) -> str:
    return respond(image, bytes.fromhex(request), "test", NOW).hex(" ").upper()


def adu(pdu: bytes, transaction: int = 1, unit: int = 1) -> bytes:
    return struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu


def frames(stream: bytes) -> list[bytes]:
    """The frames of a stream that ends with a whole one."""
    found = []
    while stream:
        size = 6 + int.from_bytes(stream[4:6], "big")
        assert size <= len(stream)
        found.append(stream[:size])
        stream = stream[size:]
    return found


def talk(image: Image | None) -> Conversation:
    return Conversation([image] * 256, "test")


EXAMPLES = {
    "6.1 read coils 20-38": ("01 00 13 00 13", "01 03 CD 6B 05"),
    "6.2 read inputs 197-218": ("02 00 C4 00 16", "02 03 AC DB 35"),
    "6.3 read registers 108-110": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "6.4 read input register 9": ("04 00 08 00 01", "04 02 00 0A"),
    "6.5 write coil 173 on": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "6.6 write register 2": ("06 00 01 00 03", "06 00 01 00 03"),
    "6.11 write coils 20-29": ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    "6.12 write registers 2-3": ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    "7 output 1185 does not exist": ("01 04 A1 00 01", "81 02"),
}
EXAMPLE_ROWS = [pytest.param(*row, id=name) for name, row in EXAMPLES.items()]


@pytest.mark.parametrize(("request_", "answer"), EXAMPLE_ROWS)
def test_the_specification_s_examples_are_answered_byte_for_byte(
    specification: Image, request_: str, answer: str
) -> None:
    assert ask(specification, request_) == answer


@pytest.mark.parametrize(("request_", "answer"), EXAMPLE_ROWS)
def test_they_are_the_same_whole_byte_by_byte_and_before_the_next_request(
    specification: Image, request_: str, answer: str
) -> None:
    request, expected = adu(bytes.fromhex(request_)), adu(bytes.fromhex(answer))
    assert talk(specification).receive(request, NOW) == expected

    slow = talk(specification)
    assert b"".join(slow.receive(request[at : at + 1], NOW) for at in range(len(request))) == expected
    assert not slow.waits_for_more

    trailing = talk(specification)
    assert trailing.receive(request + request[:5], NOW) == expected
    assert trailing.waits_for_more
    assert trailing.receive(request[5:], NOW) == expected
    assert trailing.requests == 2

    with pytest.raises(HeaderError) as caught:
        talk(specification).receive(request + b"GET / HTTP", NOW)
    assert caught.value.answers == expected


def test_what_the_examples_write_can_be_read_back(specification: Image) -> None:
    for request in ("05 00 AC FF 00", "10 00 01 00 02 04 00 0A 01 02", "0F 00 13 00 0A 02 CD 01"):
        ask(specification, request)
    assert ask(specification, "01 00 AC 00 01") == "01 01 01"
    assert ask(specification, "03 00 01 00 02") == "03 04 00 0A 01 02"
    assert ask(specification, "01 00 13 00 0A") == "01 02 CD 01"
    ask(specification, "05 00 AC 00 00")
    assert ask(specification, "01 00 AC 00 01") == "01 01 00"


def test_the_same_request_again_does_the_same_once_more(specification: Image) -> None:
    """A write that is sent again after a lost answer must change nothing further."""
    for _ in range(2):
        assert ask(specification, "05 00 AC FF 00") == "05 00 AC FF 00"
        assert ask(specification, "01 00 AC 00 01") == "01 01 01"


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        # The request of the TCP/IP guide's section 4.4.1.2 (address taken as 4; layout of 3.1.3, bytes by scapy)
        ("15 01 00 00 00 06 FF 03 00 04 00 01", "15 01 00 00 00 05 FF 03 02 00 00"),
        ("00 01 00 00 00 06 01 03 00 6B 00 03", "00 01 00 00 00 09 01 03 06 02 2B 00 00 00 64"),
        ("00 01 00 00 00 06 01 01 04 A1 00 01", "00 01 00 00 00 03 01 81 02"),
    ],
)
def test_frames_over_tcp_are_those_of_the_guide(specification: Image, request_: str, answer: str) -> None:
    assert talk(specification).receive(bytes.fromhex(request_), NOW) == bytes.fromhex(answer)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("03 00 00 00 00", "83 03"),  # quantity 0
        ("03 00 00 00 7E", "83 03"),  # 126
        ("04 00 00 00 7E", "84 03"),
        ("03 FF FF 00 7E", "83 03"),  # both wrong: quantity before address
        ("03 00 60 00 04", "03 08 00 00 00 00 00 00 00 00"),  # section 7, code 02: 96 and 4 of 100 is right
        ("03 00 60 00 05", "83 02"),  # and 96 and 5 is not
        ("04 FF FF 00 02", "84 02"),  # no address 65536
        ("05 00 00 00 01", "85 03"),  # only 0000 and FF00
        ("05 FF FF 12 34", "85 03"),
        ("05 00 64 FF 00", "85 02"),
        ("06 00 64 00 01", "86 02"),
        ("10 00 00 00 02 03 00 0A 01", "90 03"),  # byte count is not twice the quantity
        ("10 00 00 00 02 04 00 0A 01", "90 03"),  # and neither is what came
        ("10 FF FF 00 00 00", "90 03"),
        ("10 00 63 00 02 04 00 01 00 02", "90 02"),
        ("0F FF FF 00 00 00", "8F 03"),
        ("0F 00 00 00 09 01 FF", "8F 03"),
        ("0F 00 63 00 02 01 03", "8F 02"),
        ("01 00 00 07 D1", "81 03"),  # 2001
        ("02 00 00 00 00", "82 03"),
        ("01 00 00 07 D0", "81 02"),  # 2000 is a right quantity, but not here
        ("41", "C1 01"),
        ("2B 0D 00", "AB 01"),
        ("08 00 63 A5 37", "88 01"),
        ("07", "87 01"),
        ("83 00 00 00 01", "83 01"),  # a function that looks like an exception
        ("03 00 00 00", "83 03"),  # cut short
        ("03 00 00 00 01 00", "83 03"),  # too long
        ("01", "81 03"),
        ("05 00 00 FF", "85 03"),
        ("06", "86 03"),
        ("0F 00 00 00 01 01", "8F 03"),
        ("0F 00 00", "8F 03"),
        ("10 00 00 00 01 02", "90 03"),
        ("10", "90 03"),
    ],
)
def test_a_wrong_request_gets_the_exception_of_its_function_s_state_diagram(
    hundred: Image, request_: str, answer: str
) -> None:
    """V1.1b3 Figures 11 to 16, 21 and 22: function (01), quantity or value (03), address (02).

    Conditions and codes verified; the order of the drawings is from memory. A request whose structure is broken is a
    value fault by the text of code 03 in section 7.
    """
    assert ask(hundred, request_) == answer


def test_every_function_that_is_not_offered_answers_01(hundred: Image) -> None:
    for function in set(range(256)) - {1, 2, 3, 4, 5, 6, 15, 16}:
        assert respond(hundred, bytes((function, 0, 0, 0, 1)), "test", NOW) == bytes((function | 0x80, 1))


@pytest.mark.parametrize(
    ("function", "most", "length"),
    [(1, 2000, 252), (2, 2000, 252), (3, 125, 252), (4, 125, 252)],
)
def test_reads_reach_their_limit_and_no_further(image_of: ImageOf, function: int, most: int, length: int) -> None:
    """Limits of V1.1b3 sections 6.1 to 6.4, verified; the longest answers computed: 252 of the 253 bytes of 4.1."""
    image = image_of(sizes=dict.fromkeys(Table, 3000))
    assert len(respond(image, struct.pack(">BHH", function, 0, most), "test", NOW)) == length
    assert respond(image, struct.pack(">BHH", function, 0, most + 1), "test", NOW) == bytes((function | 0x80, 3))


def test_writes_reach_their_limit_and_no_further(image_of: ImageOf) -> None:
    """V1.1b3 6.11: 1 to 1968 coils; 6.12: 1 to 123 registers; both requests are then 252 bytes (computed)."""
    image = image_of(
        *(Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}") for at in range(2000)),
        *(Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(200)),
    )

    def coils(count: int) -> bytes:
        size = (count + 7) // 8
        return struct.pack(">BHHB", 15, 0, count, size) + b"\xff" * size

    def words(count: int) -> bytes:
        return struct.pack(">BHHB", 16, 0, count, 2 * count) + b"\x12\x34" * count

    assert len(coils(1968)) == len(words(123)) == 252
    assert respond(image, coils(1968), "test", NOW) == coils(1968)[:5]
    assert respond(image, words(123), "test", NOW) == words(123)[:5]
    assert respond(image, coils(1969), "test", NOW) == b"\x8f\x03"
    assert respond(image, words(124), "test", NOW) == b"\x90\x03"


REGISTERS = st.integers(0, 99)
REQUESTS = st.one_of(
    st.builds(lambda f, a, n: struct.pack(">BHH", f, a, n), st.integers(1, 4), REGISTERS, st.integers(0, 130)),
    st.builds(lambda a, v: struct.pack(">BHH", 5, a, v), REGISTERS, st.sampled_from([0, 1, 0xFF00])),
    st.builds(lambda a, v: struct.pack(">BHH", 6, a, v), REGISTERS, st.integers(0, 65535)),
    st.builds(lambda a, d: struct.pack(">BHHB", 16, a, len(d) // 2, len(d)) + d, REGISTERS, st.binary(max_size=20)),
    st.binary(min_size=1, max_size=20),
)


class Fake:
    """Tables that answer every read alike and record every write."""

    def __init__(self) -> None:
        self.writes: list[tuple[int, list[bool] | bytes, str]] = []

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        return bytes((count + 7) // 8)

    read_discrete_inputs = read_coils

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:
        return b"".join(struct.pack(">H", (start + at) & 0xFFFF) for at in range(count))

    read_input_registers = read_holding_registers

    def write_coils(self, start: int, values: list[bool], who: str, now: Now) -> None:
        self.writes.append((start, values, who))

    def write_registers(self, start: int, data: bytes, who: str, now: Now) -> None:
        self.writes.append((start, data, who))


@given(st.lists(st.tuples(REQUESTS, st.integers(0, 65535)), min_size=1, max_size=8), st.lists(st.integers(0, 250)))
def test_any_split_of_a_stream_gives_the_same_answers(requests: list[tuple[bytes, int]], cuts: list[int]) -> None:
    stream = b"".join(adu(pdu, transaction) for pdu, transaction in requests)
    at_once, whole, piecewise = Fake(), b"", Fake()
    whole = Conversation([at_once] * 256, "test").receive(stream, NOW)
    conversation = Conversation([piecewise] * 256, "test")
    edges = [0, *sorted(cut for cut in cuts if cut < len(stream)), len(stream)]
    pieces = [stream[begin:end] for begin, end in pairwise(edges)]
    assert b"".join(conversation.receive(piece, NOW) for piece in pieces) == whole
    assert piecewise.writes == at_once.writes
    assert conversation.requests == len(requests)


@given(st.lists(st.tuples(REQUESTS, st.integers(0, 65535)), min_size=1, max_size=30))
def test_pipelined_requests_are_answered_once_each_in_order_under_their_own_number(
    requests: list[tuple[bytes, int]],
) -> None:
    stream = b"".join(adu(pdu, transaction) for pdu, transaction in requests)
    answers = Conversation([Fake()] * 256, "test").receive(stream, NOW)
    assert frames(answers) == [adu(respond(Fake(), pdu, "test", NOW), transaction) for pdu, transaction in requests]


def test_a_pipelined_write_is_done_once_and_names_its_client() -> None:
    tables = Fake()
    stream = b"".join(adu(bytes.fromhex("06 00 01 00 03"), number) for number in range(23))
    answers = Conversation([tables] * 256, "192.0.2.7:40001").receive(stream, NOW)
    assert answers == stream
    assert tables.writes == [(1, b"\x00\x03", "192.0.2.7:40001")] * 23


@given(st.binary(max_size=300))
@example(adu(b"\x03"))
@example(b"\0\1\0\0\0\2\1\x80")
def test_any_bytes_give_answers_or_a_header_error(data: bytes) -> None:
    conversation = Conversation([Fake()] * 256, "test")
    try:
        answers = conversation.receive(data, NOW)
    except HeaderError as error:
        answers = error.answers
    assert len(frames(answers)) == conversation.requests <= len(data) // 8


@pytest.mark.parametrize(
    ("header", "message"),
    [
        ("00 01 00 01 00 06 01 03", "the header has protocol 1 where 0 is Modbus"),
        ("00 01 00 00 00 00 01", "the header has length 0 outside 2 to 254"),
        ("00 01 00 00 00 01 01", "the header has length 1 outside 2 to 254"),
        ("00 01 00 00 00 FF 01", "the header has length 255 outside 2 to 254"),
        ("00 01 00 00 FF FF 01", "the header has length 65535 outside 2 to 254"),
        (b"GET / HTTP/1.1\r\n".hex(), "the header has protocol 21536 where 0 is Modbus"),
    ],
)
def test_a_header_that_cannot_be_right_ends_the_conversation(specification: Image, header: str, message: str) -> None:
    """Length n + 1 for a PDU of n bytes, at most 254 (guide 3.1.3, computed); protocol 0 (4.4.2.2, from memory)."""
    data = bytes.fromhex(header)
    with pytest.raises(HeaderError) as whole:
        talk(specification).receive(data, NOW)
    assert str(whole.value) == message
    slow = talk(specification)
    assert [slow.receive(bytes((byte,)), NOW) for byte in data[:6]] == [b""] * 6
    with pytest.raises(HeaderError):
        slow.receive(data[6:7], NOW)
    late = talk(specification)
    with pytest.raises(HeaderError) as after_one:
        late.receive(adu(b"\x04\0\x08\0\1") + data, NOW)
    assert after_one.value.answers == adu(b"\x04\2\0\x0a")
    assert late.requests == 1


def test_the_longest_frame_is_taken() -> None:
    """ADU of 260 bytes: V1.1b3 section 4.1, verified."""
    frame = adu(b"\x41" + bytes(252))
    assert len(frame) == 260
    assert Conversation([Fake()] * 256, "test").receive(frame, NOW) == adu(b"\xc1\x01")


def test_a_unit_that_nobody_answers_for_gets_0b_and_its_neighbours_are_answered(specification: Image) -> None:
    """V1.1b3 section 7: 0B, gateway target device failed to respond."""
    units: list[Image | None] = [None] * 256
    units[1] = specification
    conversation = Conversation(units, "test")
    request = bytes.fromhex("04 00 08 00 01")
    stream = adu(request, 1, unit=9) + adu(request, 2, unit=1) + adu(b"\xff\1", 3, unit=9)
    assert conversation.receive(stream, NOW) == (
        adu(b"\x84\x0b", 1, unit=9) + adu(b"\x04\2\0\x0a", 2, unit=1) + adu(b"\xff\x0b", 3, unit=9)
    )


class Failing(Fake):
    """Tables that refuse everything with one code."""

    def __init__(self, code: ExceptionCode) -> None:
        self.code = code

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        raise ModbusError(self.code)


@pytest.mark.parametrize("code", list(ExceptionCode))
def test_what_the_tables_refuse_is_answered_with_their_code(code: ExceptionCode) -> None:
    assert respond(Failing(code), bytes.fromhex("01 00 00 00 01"), "test", NOW) == bytes((0x81, code))


# scapy's dissector as an independent reader of our answers


@pytest.mark.parametrize(
    ("function", "class_name", "facts"),
    [
        ("6.1 read coils 20-38", "ModbusPDU01ReadCoilsResponse", {"coilStatus": [0xCD, 0x6B, 0x05]}),
        ("6.2 read inputs 197-218", "ModbusPDU02ReadDiscreteInputsResponse", {"inputStatus": [0xAC, 0xDB, 0x35]}),
        ("6.3 read registers 108-110", "ModbusPDU03ReadHoldingRegistersResponse", {"registerVal": [555, 0, 100]}),
        ("6.4 read input register 9", "ModbusPDU04ReadInputRegistersResponse", {"registerVal": [10]}),
        ("6.5 write coil 173 on", "ModbusPDU05WriteSingleCoilResponse", {"outputAddr": 172, "outputValue": 0xFF00}),
        ("6.6 write register 2", "ModbusPDU06WriteSingleRegisterResponse", {"registerAddr": 1, "registerValue": 3}),
        ("6.11 write coils 20-29", "ModbusPDU0FWriteMultipleCoilsResponse", {"startAddr": 19, "quantityOutput": 10}),
        ("6.12 write registers 2-3", "ModbusPDU10WriteMultipleRegistersResponse", {"quantityRegisters": 2}),
        ("7 output 1185 does not exist", "ModbusPDU01ReadCoilsError", {"exceptCode": 2}),
    ],
)  # fmt: skip
def test_an_independent_dissector_reads_the_same(
    specification: Image, function: str, class_name: str, facts: dict[str, object]
) -> None:
    answer = talk(specification).receive(adu(bytes.fromhex(EXAMPLES[function][0]), 0x1501, 7), NOW)
    dissected = ModbusADUResponse(answer)
    assert (dissected.transId, dissected.protoId, dissected.unitId) == (0x1501, 0, 7)
    assert dissected.len == len(answer) - 6
    assert type(dissected.payload).__name__ == class_name
    assert {name: getattr(dissected.payload, name) for name in facts} == facts


# CRC-16/MODBUS


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        (b"123456789", 0x4B37),
        (b"", 0xFFFF),
        (b"\0", 0x40BF),
        (b"\x02\x07", 0x1241),
        (b"A", 0x707F),
        (bytes(8), 0x0B40),
        (b"\xff" * 8, 0x8F01),
        (bytes(range(256)), 0xDE6C),
    ],
)
def test_the_crc_is_that_of_the_published_checks(data: bytes, crc: int) -> None:
    """Verified between crccheck, crcmod, fastcrc and a bitwise loop."""
    assert crc16(data) == crc


@given(st.binary(max_size=300))
def test_the_crc_agrees_with_crccheck(data: bytes) -> None:
    assert crc16(data) == CrcModbus.calc(data)


@pytest.mark.parametrize(
    "frame",
    [
        "01 03 00 00 00 01 84 0A",
        "01 03 00 00 00 02 C4 0B",
        "01 03 00 00 00 0A C5 CD",
        "01 03 00 6B 00 03 74 17",
        "01 03 06 02 2B 00 00 00 64 05 7A",
        "01 01 00 13 00 13 8C 02",
        "01 01 03 CD 6B 05 42 82",
        "01 02 00 C4 00 16 B8 39",
        "01 02 03 AC DB 35 22 88",
        "01 04 00 08 00 01 B0 08",
        "01 04 02 00 0A 39 37",
        "01 05 00 AC FF 00 4C 1B",
        "01 06 00 01 00 03 98 0B",
        "11 06 00 01 00 03 9A 9B",
        "01 0F 00 13 00 0A 02 CD 01 72 CB",
        "01 0F 00 13 00 0A 24 09",
        "01 10 00 01 00 02 04 00 0A 01 02 92 30",
        "01 10 00 01 00 02 10 08",
        "01 16 00 04 00 F2 00 25 67 EE",
        "01 81 02 C1 91",
        "01 83 02 C0 F1",
        "01 84 02 C2 C1",
        "01 83 0B 00 F7",
        "01 03 02 00 FF F8 04",
        "01 03 04 00 00 00 00 FA 33",
        "01 08 00 00 A5 37 DA 8D",
    ],
)
def test_published_serial_frames_leave_no_residue(frame: str) -> None:
    """A frame together with its CRC, low byte first, has CRC 0."""
    data = bytes.fromhex(frame)
    assert crc16(data) == 0
    assert crc16(data[:-2]) == int.from_bytes(data[-2:], "little")
