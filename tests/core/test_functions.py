"""Requests and answers byte for byte against the specification's worked examples, limits and order of checks.

Source: MODBUS Application Protocol Specification V1.1b3 (sections in the tables; bytes verified in its text and with
scapy's dissector).
"""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU
from scapy.contrib.modbus import ModbusADUResponse

from aggregator.core.address_map import Item, Shows, Table
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.functions import SERVES, respond
from aggregator.core.image import Image
from aggregator.core.reading import Now
from tests.core.conftest import ANYBODY

ImageOf = Callable[..., Image]
NOW = Now(5000.0, 1_795_600_000.0)
WORD = ItemCodec(Encoding.number("uint16"), filler=0)
REGISTER = Item(Table.HOLDING, 7, Shows.SCRATCH, "register", WORD)


@pytest.fixture
def hundred(image_of: ImageOf) -> Image:
    """A device with PDU addresses 0 to 99 in every table."""
    items = [Item(Table.COIL, at, Shows.SCRATCH, f"coil {at}") for at in range(100)]
    items += [Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(100)]
    items += [Item(Table.INPUT, 99, Shows.CONSTANT, "1", WORD), Item(Table.DISCRETE, 99, Shows.CONSTANT, "1")]
    return image_of(*items)


def ask(image: Image, request: str) -> str:
    return respond(image, bytes.fromhex(request), ANYBODY, NOW).hex(" ").upper()


EXAMPLES = {
    "6.1 read coils 20-38": ("01 00 13 00 13", "01 03 CD 6B 05"),
    "6.2 read inputs 197-218": ("02 00 C4 00 16", "02 03 AC DB 35"),
    "6.3 read registers 108-110": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "6.4 read input register 9": ("04 00 08 00 01", "04 02 00 0A"),
    "6.5 write coil 173 on": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "6.6 write register 2": ("06 00 01 00 03", "06 00 01 00 03"),
    "6.11 write coils 20-29": ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    "6.12 write registers 2-3": ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    "6.17 read registers 4-9, write 15-17": (
        "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
        "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF",
    ),
    "6.16 mask register 5": ("16 00 04 00 F2 00 25", "16 00 04 00 F2 00 25"),
    "7 output 1185 does not exist": ("01 04 A1 00 01", "81 02"),
}
EXAMPLE_ROWS = [pytest.param(*row, id=name) for name, row in EXAMPLES.items()]


@pytest.mark.parametrize(("request_", "answer"), EXAMPLE_ROWS)
def test_the_specification_s_examples_are_answered_byte_for_byte(
    specification: Image, request_: str, answer: str
) -> None:
    assert ask(specification, request_) == answer


def test_what_the_examples_write_can_be_read_back(specification: Image) -> None:
    for request in ("05 00 AC FF 00", "10 00 01 00 02 04 00 0A 01 02", "0F 00 13 00 0A 02 CD 01"):
        ask(specification, request)
    assert ask(specification, "01 00 AC 00 01") == "01 01 01"
    assert ask(specification, "03 00 01 00 02") == "03 04 00 0A 01 02"
    assert ask(specification, "01 00 13 00 0A") == "01 02 CD 01"
    ask(specification, "05 00 AC 00 00")
    assert ask(specification, "01 00 AC 00 01") == "01 01 00"


def test_a_mask_keeps_the_bits_of_one_word_and_takes_the_others_from_the_other(specification: Image) -> None:
    """V1.1b3 6.16, its example: 12 hex, masked with F2 and 25, is 17 hex. The answer is the request."""
    ask(specification, "06 00 04 00 12")
    assert ask(specification, "16 00 04 00 F2 00 25") == "16 00 04 00 F2 00 25"
    assert ask(specification, "03 00 04 00 01") == "03 02 00 17"


def test_the_same_request_again_does_the_same_once_more(specification: Image) -> None:
    """A write that is sent again after a lost answer must change nothing further."""
    for _ in range(2):
        assert ask(specification, "05 00 AC FF 00") == "05 00 AC FF 00"
        assert ask(specification, "01 00 AC 00 01") == "01 01 01"


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
        ("16 00 64 00 F2 00 25", "96 02"),
        ("16 FF FF 00 00 00 00", "96 02"),
        ("16 00 04 00 F2 00", "96 03"),
        ("16 FF FF 00 F2 00 25 00", "96 03"),
        ("16", "96 03"),
        ("17 00 00 00 00 00 00 00 01 02 00 01", "97 03"),  # nothing to read
        ("17 00 00 00 7E 00 00 00 01 02 00 01", "97 03"),  # 126 to read
        ("17 00 00 00 01 00 00 00 00 00", "97 03"),  # nothing to write
        ("17 00 00 00 01 00 00 00 01 03 00 01", "97 03"),  # byte count is not twice the quantity
        ("17 00 00 00 01 00 00 00 01 02 00", "97 03"),  # cut short
        ("17 00 00 00 01 00 00 00 01 02 00 01 00", "97 03"),  # too long
        ("17 FF FF 00 7E FF FF 00 01 02 00 01", "97 03"),  # all wrong: quantity before address
        ("17 00 60 00 05 00 00 00 01 02 00 01", "97 02"),  # reads past the end
        ("17 00 00 00 01 00 64 00 01 02 00 01", "97 02"),  # writes past the end
        ("17 00 00 00 01 FF FF 00 02 04 00 01 00 02", "97 02"),  # no address 65536
        ("17 00 00", "97 03"),
        ("17", "97 03"),
        ("11 00", "91 03"),  # function 17 has no data
        ("41", "C1 01"),
        ("2B 0D 00", "AB 01"),  # MEI 13, of another protocol
        ("2B 0F 01 00", "AB 01"),
        ("2B 0E 00 00", "AB 03"),  # ReadDeviceId codes are 1 to 4
        ("2B 0E 05 00", "AB 03"),
        ("2B 0E 05 7F", "AB 03"),
        ("2B 0E 04 7F", "AB 02"),  # no such object
        ("2B 0E 04 03", "AB 02"),  # nor this one: there is no URL
        ("2B 0E 01", "AB 03"),
        ("2B 0E 01 00 00", "AB 03"),
        ("2B 0E", "AB 03"),
        ("2B", "AB 03"),
        ("00", "80 01"),
        ("14 07 06 00 04 00 01 00 02", "94 01"),  # files are not served
        ("15 09 06 00 04 00 07 00 01 06 AF", "95 01"),
        ("18 04 DE", "98 01"),  # nor queues
        ("0B", "8B 01"),  # nor, over TCP, what belongs to a serial line
        ("0C", "8C 01"),
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
    """V1.1b3 Figures 11 to 16, 21, 22, 26, 27 and 30: function (01), quantity or value (03), address (02).

    Conditions and codes verified; the order of the drawings is from memory. A request whose structure is broken is a
    value fault by the text of code 03 in section 7.
    """
    assert ask(hundred, request_) == answer


def test_every_function_that_is_not_offered_answers_01(hundred: Image) -> None:
    for function in set(range(256)) - {1, 2, 3, 4, 5, 6, 15, 16, 17, 22, 23, 43}:
        assert respond(hundred, bytes((function, 0, 0, 0, 1)), ANYBODY, NOW) == bytes((function | 0x80, 1))


@pytest.mark.parametrize(
    ("function", "most", "length"),
    [(1, 2000, 252), (2, 2000, 252), (3, 125, 252), (4, 125, 252)],
)
def test_reads_reach_their_limit_and_no_further(image_of: ImageOf, function: int, most: int, length: int) -> None:
    """Limits of V1.1b3 sections 6.1 to 6.4, verified; the longest answers computed: 252 of the 253 bytes of 4.1."""
    image = image_of(sizes=dict.fromkeys(Table, 3000))
    assert len(respond(image, struct.pack(">BHH", function, 0, most), ANYBODY, NOW)) == length
    assert respond(image, struct.pack(">BHH", function, 0, most + 1), ANYBODY, NOW) == bytes((function | 0x80, 3))


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
    assert respond(image, coils(1968), ANYBODY, NOW) == coils(1968)[:5]
    assert respond(image, words(123), ANYBODY, NOW) == words(123)[:5]
    assert respond(image, coils(1969), ANYBODY, NOW) == b"\x8f\x03"
    assert respond(image, words(124), ANYBODY, NOW) == b"\x90\x03"


@pytest.mark.parametrize("code", list(ExceptionCode))
def test_what_the_tables_refuse_is_answered_with_their_code(
    code: ExceptionCode, hundred: Image, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> bytes:
        raise ModbusError(code)

    monkeypatch.setattr(hundred, "read_coils", refuse)
    assert respond(hundred, bytes.fromhex("01 00 00 00 01"), ANYBODY, NOW) == bytes((0x81, code))


def both(read: int, count: int, into: int, words: int) -> bytes:
    """A request of function 23 that writes 1, 2, 3 and so on."""
    head = struct.pack(">BHHHHB", 23, read, count, into, words, 2 * words & 0xFF)
    return head + b"".join(struct.pack(">H", 1 + at) for at in range(words))


def test_reading_and_writing_reach_their_limits_and_no_further(image_of: ImageOf) -> None:
    """V1.1b3 6.17: 1 to 125 to read, 1 to 121 to write; request and answer are then 252 bytes (computed)."""
    image = image_of(*(Item(Table.HOLDING, at, Shows.SCRATCH, f"register {at}", WORD) for at in range(250)))
    assert len(both(0, 125, 125, 121)) == 252
    answer = respond(image, both(0, 125, 125, 121), ANYBODY, NOW)
    assert (len(answer), answer[:2]) == (252, b"\x17\xfa")
    assert respond(image, both(0, 126, 125, 121), ANYBODY, NOW) == b"\x97\3"
    assert respond(image, both(0, 125, 125, 122), ANYBODY, NOW) == b"\x97\3"


def test_what_is_read_with_a_write_is_what_the_write_made(hundred: Image) -> None:
    """V1.1b3 6.17: the write is done before the read."""
    assert respond(hundred, both(9, 5, 10, 3), ANYBODY, NOW).hex() == "170a" + "00000001000200030000"


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        (both(97, 4, 10, 3), "97 02"),  # the read runs past the end
        (both(9, 5, 98, 3), "97 02"),  # the write does
        (both(9, 126, 10, 3), "97 03"),
    ],
)
def test_where_a_part_is_refused_neither_is_done(hundred: Image, request_: bytes, answer: str) -> None:
    assert ask(hundred, request_.hex()) == answer
    assert ask(hundred, "03 00 0A 00 03") == "03 06" + " 00" * 6
    assert ask(hundred, "03 00 62 00 02") == "03 04" + " 00" * 4


@given(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF), st.integers(0, 0xFFFF))
@example(0x12, 0xF2, 0x25)
def test_a_mask_is_the_specification_s_formula(image_of: ImageOf, current: int, keep: int, put: int) -> None:
    """V1.1b3 6.16: (current AND and_mask) OR (or_mask AND NOT and_mask), worked out here bit by bit.

    With an OR mask of zero that is the AND of both, with an AND mask of zero the OR mask (the section's two notes).
    """
    image = image_of(REGISTER)
    respond(image, struct.pack(">BHH", 6, 7, current), ANYBODY, NOW)
    request = struct.pack(">BHHH", 22, 7, keep, put)
    assert respond(image, request, ANYBODY, NOW) == request
    bits = ((current if keep >> at & 1 else put) & 1 << at for at in range(16))
    assert respond(image, b"\3\0\7\0\1", ANYBODY, NOW) == b"\3\2" + struct.pack(">H", sum(bits))


def test_a_line_may_serve_functions_of_its_own(hundred: Image) -> None:
    serves = {**SERVES, 0x41: lambda tables, pdu, who, now: pdu + who.name.encode()}
    assert respond(hundred, b"\x41\7", ANYBODY, NOW, serves) == b"\x41\x07192.0.2.7"
    assert respond(hundred, b"\x41\7", ANYBODY, NOW) == b"\xc1\1"
    assert respond(hundred, b"\x04\0\x63\0\1", ANYBODY, NOW, serves) == b"\4\2\0\1"


# scapy's dissector and pymodbus's decoder as independent readers of our answers


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
        ("6.16 mask register 5", "ModbusPDU16MaskWriteRegisterResponse", {"andMask": 0xF2, "orMask": 0x25}),
        (
            "6.17 read registers 4-9, write 15-17",
            "ModbusPDU17ReadWriteMultipleRegistersResponse",
            {"registerVal": [0xFE, 0xACD, 1, 3, 13, 255]},
        ),
        ("7 output 1185 does not exist", "ModbusPDU01ReadCoilsError", {"exceptCode": 2}),
    ],
)  # fmt: skip
def test_an_independent_dissector_reads_the_same(
    specification: Image, function: str, class_name: str, facts: dict[str, object]
) -> None:
    answer = respond(specification, bytes.fromhex(EXAMPLES[function][0]), ANYBODY, NOW)
    dissected = ModbusADUResponse(struct.pack(">HHHB", 1, 0, len(answer) + 1, 1) + answer)
    assert type(dissected.payload).__name__ == class_name
    assert {name: getattr(dissected.payload, name) for name in facts} == facts
    assert not dissected.payload.payload  # and nothing is left over


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_independent_decoder_reads_the_same_and_would_have_sent_it(specification: Image, name: str) -> None:
    """pymodbus: what it reads in an answer, it encodes to the same bytes; what it reads in a request too."""
    request, answer = (bytes.fromhex(each) for each in EXAMPLES[name])
    assert respond(specification, request, ANYBODY, NOW) == answer
    for server, data in ((True, request), (False, answer)):
        decoded = DecodePDU(server).decode(data)
        assert decoded is not None
        function = decoded.function_code  # of an exception, with its highest bit
        assert bytes((function,)) + decoded.encode() == data
