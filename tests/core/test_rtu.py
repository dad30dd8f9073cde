"""How long a frame is, held against the specification's worked examples and an independent CRC.

Sources: MODBUS Application Protocol Specification V1.1b3 (worked examples by section), MODBUS over Serial Line V1.02
section 2.5.1; the CRCs are crccheck's, so that none of them is ours.
"""

from __future__ import annotations

import pytest
from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core import rtu


def framed(pdu: str, unit: int = 1) -> bytes:
    frame = bytes((unit,)) + bytes.fromhex(pdu)
    return frame + int(CrcModbus.calc(frame)).to_bytes(2, "little")


REQUESTS = {
    "6.1": "01 00 13 00 13",
    "6.2": "02 00 C4 00 16",
    "6.3": "03 00 6B 00 03",
    "6.4": "04 00 08 00 01",
    "6.5": "05 00 AC FF 00",
    "6.6": "06 00 01 00 03",
    "6.7": "07",
    "6.8": "08 00 00 A5 37",
    "6.9": "0B",
    "6.10": "0C",
    "6.11": "0F 00 13 00 0A 02 CD 01",
    "6.12": "10 00 01 00 02 04 00 0A 01 02",
    "6.13": "11",
    "6.14": "14 0E 06 00 04 00 01 00 02 06 00 03 00 09 00 02",
    "6.16": "16 00 04 00 F2 00 25",
    "6.17": "17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF",
    "6.18": "18 04 DE",
    "6.21": "2B 0E 01 00",
}
ANSWERS = {
    "6.1": "01 03 CD 6B 05",
    "6.2": "02 03 AC DB 35",
    "6.3": "03 06 02 2B 00 00 00 64",
    "6.4": "04 02 00 0A",
    "6.5": "05 00 AC FF 00",
    "6.6": "06 00 01 00 03",
    "6.7": "07 6D",
    "6.8": "08 00 00 A5 37",
    "6.9": "0B FF FF 01 08",
    "6.10, from memory": "0C 08 00 00 01 08 01 21 20 00",
    "6.11": "0F 00 13 00 0A",
    "6.12": "10 00 01 00 02",
    "6.14": "14 0C 05 06 0D FE 00 20 05 06 33 CD 00 40",
    "6.16": "16 00 04 00 F2 00 25",
    "6.17": "17 0C 00 FE 0A CD 00 01 00 03 00 0D 00 FF",
    "6.18": "18 00 06 00 02 01 B8 12 84",
    "7": "81 02",
}
# 01 03 00 00 00 01 84 0A and the like stand in the manuals of many servers; the CRC is V1.02 section 6.2.2's.
FRAMES = ("01 03 00 00 00 01 84 0A", "01 03 00 6B 00 03 74 17", "01 05 00 AC FF 00 4C 1B", "11 06 00 01 00 03 9A 9B")


@pytest.mark.parametrize("pdu", REQUESTS.values(), ids=REQUESTS)
def test_a_worked_request_is_whole_with_its_last_byte_and_not_before(pdu: str) -> None:
    frame = framed(pdu)
    assert [rtu.request_size(frame[:size]) for size in range(len(frame))] == [rtu.MORE] * len(frame)
    assert rtu.request_size(frame) == len(frame)
    assert rtu.request_size(frame + framed("03 00 00 00 01", 9)) == len(frame)


@pytest.mark.parametrize("pdu", [*REQUESTS.values(), *ANSWERS.values()])
def test_another_servers_frame_is_followed_to_its_end_whichever_it_is(pdu: str) -> None:
    frame = framed(pdu, 9)
    behind = framed("03 00 00 00 01")
    for answer_due in (True, False):
        assert rtu.any_size(frame, answer_due=answer_due, ended=True) == len(frame)
        sizes = {rtu.any_size(frame + behind[:size], answer_due=answer_due) for size in range(len(behind) + 1)}
        assert sizes <= {rtu.MORE, len(frame)}


@pytest.mark.parametrize("pdu", ANSWERS.values(), ids=ANSWERS)
def test_an_answer_that_is_due_is_whole_with_its_last_byte(pdu: str) -> None:
    assert rtu.any_size(framed(pdu, 9), answer_due=True) == len(framed(pdu, 9))


@pytest.mark.parametrize("frame", [bytes.fromhex(each) for each in FRAMES])
def test_published_frames_are_sound_and_one_wrong_bit_is_not(frame: bytes) -> None:
    assert rtu.sealed(frame[:-2]) == frame
    assert rtu.is_sound(frame)
    for bit in range(8 * len(frame)):
        wrong = (int.from_bytes(frame, "big") ^ 1 << bit).to_bytes(len(frame), "big")
        assert not rtu.is_sound(wrong)


def test_a_long_answer_that_begins_as_a_request_does_is_taken_whole_where_it_is_due() -> None:
    begins = framed("03 0B 00 00 01", 9)  # eight bytes with a right CRC; 0B counts eleven bytes of an answer
    whole = begins + bytes.fromhex("11 22 33 44 55 66")
    answer = whole + int(CrcModbus.calc(whole)).to_bytes(2, "little")
    assert rtu.any_size(answer, answer_due=True) == 16
    assert rtu.any_size(begins, answer_due=True) == rtu.MORE
    assert rtu.any_size(begins, answer_due=True, ended=True) == 8


def test_a_function_that_is_not_known_is_as_long_as_the_first_portion_whose_crc_is_right() -> None:
    frame = framed("41 01 02 03 04 05 06 07 08 09 0A", 9)
    assert rtu.any_size(frame + b"\x01\x03", answer_due=False) == len(frame)
    assert rtu.any_size(frame[:-1], answer_due=False) == rtu.MORE
    assert rtu.any_size(frame[:-1], answer_due=False, ended=True) == rtu.NONE


def test_no_frame_is_longer_than_256_bytes() -> None:  # V1.02 section 2.5.1
    longest = bytes((9, 0x41)) + bytes(252)
    longest += int(CrcModbus.calc(longest)).to_bytes(2, "little")
    assert rtu.any_size(longest, answer_due=False) == 256
    longer = bytes((9, 0x41)) + bytes(253)
    longer += int(CrcModbus.calc(longer)).to_bytes(2, "little")
    assert rtu.any_size(longer, answer_due=False) == rtu.NONE
    assert not rtu.is_sound(longer)
    assert rtu.request_size(bytes((1, 16, 0, 0, 0, 2, 255)) + bytes(300)) == rtu.NONE


@given(st.binary(max_size=300), st.booleans(), st.booleans())
def test_any_bytes_are_a_frame_or_none_or_too_few(heard: bytes, answer_due: bool, ended: bool) -> None:
    for size in (rtu.any_size(heard, answer_due=answer_due, ended=ended), rtu.request_size(heard, ended=ended)):
        if size > 0:
            assert CrcModbus.calc(heard[:size]) == 0
            assert 4 <= size <= len(heard)
        else:
            assert size == rtu.NONE if ended or len(heard) >= 256 else size in (rtu.NONE, rtu.MORE)
