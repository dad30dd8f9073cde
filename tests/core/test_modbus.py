"""Frames and streams of them: MBAP headers, any portions, one answer a request; and the CRC of the serial line.

Sources: MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3, MODBUS Application Protocol Specification
V1.1b3 (sections beside the requests), MODBUS over Serial Line V1.02 (CRCs verified with crccheck and others).
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from aggregator.core.access import Party
from aggregator.core.encoding import Encoding, ItemCodec
from aggregator.core.functions import respond
from aggregator.core.identity import identity_of
from aggregator.core.image import Image
from aggregator.core.modbus import Conversation, HeaderError
from aggregator.core.reading import Now
from tests.core.conftest import ANYBODY, talk_to

ImageOf = Callable[..., Image]
NOW = Now(5000.0, 1_795_600_000.0)
WORD = ItemCodec(Encoding.number("uint16"), filler=0)


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
    return talk_to([image] * 256)


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),  # V1.1b3 6.3
        ("04 00 08 00 01", "04 02 00 0A"),  # 6.4
        ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),  # 6.12
        ("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF"),  # 6.17
        ("01 04 A1 00 01", "81 02"),  # 7
    ],
)
def test_answers_are_the_same_whole_byte_by_byte_and_before_the_next_request(
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


@pytest.mark.parametrize(
    ("request_", "answer"),
    [
        # The request of the TCP/IP guide's section 4.4.1.2 (address taken as 4; layout of 3.1.3, bytes by scapy)
        ("15 01 00 00 00 06 FF 03 00 04 00 01", "15 01 00 00 00 05 FF 03 02 0A CD"),
        ("00 01 00 00 00 06 01 03 00 6B 00 03", "00 01 00 00 00 09 01 03 06 02 2B 00 00 00 64"),
        ("00 01 00 00 00 06 01 01 04 A1 00 01", "00 01 00 00 00 03 01 81 02"),
    ],
)
def test_frames_over_tcp_are_those_of_the_guide(specification: Image, request_: str, answer: str) -> None:
    assert talk(specification).receive(bytes.fromhex(request_), NOW) == bytes.fromhex(answer)


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

    identity = identity_of()
    changes = 0

    def __init__(self) -> None:
        self.writes: list[tuple[int, list[bool] | bytes, Party]] = []

    def read_coils(self, start: int, count: int, now: Now) -> bytes:
        return bytes((count + 7) // 8)

    read_discrete_inputs = read_coils

    def read_holding_registers(self, start: int, count: int, now: Now) -> bytes:
        return b"".join(struct.pack(">H", (start + at) & 0xFFFF) for at in range(count))

    read_input_registers = read_holding_registers

    def write_coils(self, start: int, values: list[bool], who: Party, now: Now) -> None:
        self.writes.append((start, values, who))

    def write_registers(self, start: int, data: bytes, who: Party, now: Now) -> None:
        self.writes.append((start, data, who))

    def mask_register(self, address: int, keep: int, put: int, who: Party, now: Now) -> None:
        self.writes.append((address, struct.pack(">HH", keep, put), who))


@given(st.lists(st.tuples(REQUESTS, st.integers(0, 65535)), min_size=1, max_size=8), st.lists(st.integers(0, 250)))
def test_any_split_of_a_stream_gives_the_same_answers(requests: list[tuple[bytes, int]], cuts: list[int]) -> None:
    stream = b"".join(adu(pdu, transaction) for pdu, transaction in requests)
    at_once, whole, piecewise = Fake(), b"", Fake()
    whole = talk_to([at_once] * 256).receive(stream, NOW)
    conversation = talk_to([piecewise] * 256)
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
    answers = talk_to([Fake()] * 256).receive(stream, NOW)
    assert frames(answers) == [adu(respond(Fake(), pdu, ANYBODY, NOW), transaction) for pdu, transaction in requests]


def test_a_pipelined_write_is_done_once_and_names_its_client() -> None:
    tables = Fake()
    stream = b"".join(adu(bytes.fromhex("06 00 01 00 03"), number) for number in range(23))
    answers = talk_to([tables] * 256).receive(stream, NOW)
    assert answers == stream
    assert tables.writes == [(1, b"\x00\x03", ANYBODY)] * 23


@given(st.binary(max_size=300))
@example(adu(b"\x03"))
@example(b"\0\1\0\0\0\2\1\x80")
def test_any_bytes_give_answers_or_a_header_error(data: bytes) -> None:
    conversation = talk_to([Fake()] * 256)
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
    assert talk_to([Fake()] * 256).receive(frame, NOW) == adu(b"\xc1\x01")


def test_a_unit_that_nobody_answers_for_gets_0b_and_its_neighbours_are_answered(specification: Image) -> None:
    """V1.1b3 section 7: 0B, gateway target device failed to respond."""
    units: list[Image | None] = [None] * 256
    units[1] = specification
    conversation = talk_to(units)
    request = bytes.fromhex("04 00 08 00 01")
    stream = adu(request, 1, unit=9) + adu(request, 2, unit=1) + adu(b"\xff\1", 3, unit=9)
    assert conversation.receive(stream, NOW) == (
        adu(b"\x84\x0b", 1, unit=9) + adu(b"\x04\2\0\x0a", 2, unit=1) + adu(b"\xff\x0b", 3, unit=9)
    )


# CRC-16/MODBUS
