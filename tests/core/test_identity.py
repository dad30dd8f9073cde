"""What a device says of itself, against the specification's text and with two independent readers.

Source: MODBUS Application Protocol Specification V1.1b3 sections 6.13 and 6.21. The published answer of 6.21 has a
wrong length in it (13 for a text of 15 characters), so the example below is that one with its lengths put right.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from scapy.contrib.modbus import ModbusADUResponse

from aggregator import __version__
from aggregator.core.errors import ExceptionCode, ModbusError
from aggregator.core.identity import LONGEST_OBJECT, LONGEST_PDU, Identity, identity_of

BASIC, REGULAR, EXTENDED, INDIVIDUAL = 1, 2, 3, 4
SITE = "Alder Fen biogas works"
WHO = identity_of(SITE, 7, 0x1234ABCD, "7")
EXAMPLE = Identity({0: b"Company identification", 1: b"Product code XX", 2: b"V2.11"}, b"")


def objects_of(answer: bytes) -> dict[int, bytes]:
    """The objects of an answer, and that it has as many as it says and nothing after them."""
    found, rest = {}, answer[7:]
    while rest:
        found[rest[0]] = rest[2 : 2 + rest[1]]
        assert len(found[rest[0]]) == rest[1]
        rest = rest[2 + rest[1] :]
    assert len(found) == answer[6]
    return found


def test_the_specification_s_example_is_answered_byte_for_byte_with_its_lengths_put_right() -> None:
    """6.21. The conformity level is 81 where the example has 01: this device offers single objects as well."""
    assert EXAMPLE.read(BASIC, 0) == bytes.fromhex(
        "2B 0E 01 81 00 00 03 00 16 43 6F 6D 70 61 6E 79 20 69 64 65 6E 74 69 66 69 63 61 74 69 6F 6E"
        "01 0F 50 72 6F 64 75 63 74 20 63 6F 64 65 20 58 58 02 05 56 32 2E 31 31"
    )


@pytest.mark.parametrize(("access", "last"), [(BASIC, 0x02), (REGULAR, 0x06), (EXTENDED, 0xFF)])
def test_a_stream_has_all_objects_of_its_category_and_those_before(access: int, last: int) -> None:
    answer = WHO.read(access, 0)
    assert answer[:6] == bytes((0x2B, 0x0E, access, 0x83, 0, 0))  # extended, as stream and one by one; nothing follows
    assert objects_of(answer) == {each: value for each, value in WHO.objects.items() if each <= last}


def test_what_a_device_says() -> None:
    assert objects_of(WHO.read(EXTENDED, 0)) == {
        0x00: b"meter-aggregator",
        0x01: b"meter-aggregator",
        0x02: __version__.encode(),
        0x04: b"Edge aggregator for gas metering",
        0x05: b"Virtual register device, unit 7",
        0x06: SITE.encode(),
        0x80: SITE.encode(),
        0x81: b"1234abcd",
        0x82: b"7",
        0x83: b"Monitoring, not a safety function",
    }


@pytest.mark.parametrize("number", sorted(WHO.objects))
def test_each_object_can_be_asked_for_alone(number: int) -> None:
    value = WHO.objects[number]
    assert WHO.read(INDIVIDUAL, number) == bytes((0x2B, 0x0E, 4, 0x83, 0, 0, 1, number, len(value))) + value


def test_an_object_that_is_not_there_is_refused_alone_and_begins_a_stream_anew() -> None:
    """6.21: exception 02 for individual access; a stream answers as if object 0 had been asked for."""
    for number in set(range(256)) - set(WHO.objects):
        with pytest.raises(ModbusError) as refused:
            WHO.read(INDIVIDUAL, number)
        assert refused.value.code is ExceptionCode.ILLEGAL_DATA_ADDRESS
        assert WHO.read(EXTENDED, number) == WHO.read(EXTENDED, 0)
    assert WHO.read(BASIC, 0x04) == WHO.read(BASIC, 0)  # there, but in no stream of basic objects


def test_a_stream_may_begin_in_the_middle() -> None:
    assert list(objects_of(WHO.read(REGULAR, 2))) == [2, 4, 5, 6]


@pytest.mark.parametrize("access", [0, 5, 255])
def test_an_access_code_that_does_not_exist_is_a_wrong_value(access: int) -> None:
    with pytest.raises(ModbusError) as refused:
        WHO.read(access, 0x7F)
    assert refused.value.code is ExceptionCode.ILLEGAL_DATA_VALUE


@pytest.mark.parametrize(("last", "level"), [(2, 0x81), (6, 0x82), (0x80, 0x83)])
def test_the_conformity_level_is_that_of_what_is_there(last: int, level: int) -> None:
    """6.21: 81 basic, 82 regular, 83 extended, each with individual access; asked for more, that is what comes."""
    device = Identity({0: b"a", 1: b"b", 2: b"c", last: b"d"}, b"")
    for access in (BASIC, REGULAR, EXTENDED):
        assert device.read(access, 0)[2:4] == bytes((access, level))
    assert objects_of(device.read(EXTENDED, 0)) == device.objects


def streamed(device: Identity, access: int) -> tuple[dict[int, bytes], int]:
    """All objects, asked for as a client does: again from the next one for as long as more follows."""
    found: dict[int, bytes] = {}
    following, answers = 0, 0
    while True:
        answer = device.read(access, following)
        assert len(answer) <= LONGEST_PDU
        part = objects_of(answer)
        assert part
        assert not set(part) & set(found)
        found |= part
        answers += 1
        if not answer[4]:
            assert answer[5] == 0
            return found, answers
        assert answer[4] == 0xFF
        following = answer[5]


def test_what_one_answer_cannot_hold_follows_in_the_next() -> None:
    """6.21: MoreFollows FF, and the next object to ask for; an object is never split (PDU of 253 bytes: 4.1)."""
    device = Identity(dict.fromkeys((0, 1, 2, 4, 0x80), bytes(100)), b"")
    first = device.read(EXTENDED, 0)
    assert (len(first), first[4:7]) == (7 + 2 * 102, bytes((0xFF, 2, 2)))
    assert streamed(device, EXTENDED) == (device.objects, 3)


def test_an_answer_may_be_as_long_as_a_pdu_and_not_a_byte_longer() -> None:
    fits = Identity({0: bytes(120), 1: bytes(LONGEST_PDU - 7 - 2 - 120 - 2)}, b"")
    assert (len(fits.read(BASIC, 0)), fits.read(BASIC, 0)[4]) == (253, 0)
    too_long = Identity({0: bytes(120), 1: bytes(LONGEST_PDU - 7 - 2 - 120 - 1)}, b"")
    assert (len(too_long.read(BASIC, 0)), too_long.read(BASIC, 0)[4:6]) == (129, b"\xff\1")


@given(st.dictionaries(st.integers(0, 255), st.binary(max_size=LONGEST_OBJECT), min_size=1, max_size=40))
def test_any_objects_come_over_whole_in_order_and_once(objects: dict[int, bytes]) -> None:
    found, answers = streamed(Identity(objects, b""), EXTENDED)
    assert found == objects
    assert list(found) == sorted(objects)
    assert answers <= len(objects)


@given(st.text(max_size=400), st.text(max_size=300), st.integers(1, 247), st.integers(0, 2**32 - 1))
def test_any_name_fits(site: str, revision: str, unit: int, fingerprint: int) -> None:
    """The specification's own objects are ASCII strings (6.21); what is cut is never cut inside a sign."""
    device = identity_of(site, unit, fingerprint, revision)
    assert all(value and len(value) <= LONGEST_OBJECT for value in device.objects.values())
    assert all(value.isascii() for number, value in device.objects.items() if number < 0x80)
    assert site.startswith(device.objects.get(0x80, b"").decode())
    assert len(device.report()) <= LONGEST_PDU
    assert streamed(device, EXTENDED)[0] == device.objects


def test_a_name_that_is_too_long_is_cut_between_two_signs() -> None:
    for site in ("ä" * 200, "x" + "ä" * 200, "€" * 200):
        kept = identity_of(site, 1, 1).objects[0x80]
        assert LONGEST_OBJECT - 3 < len(kept) <= LONGEST_OBJECT
        assert site.startswith(kept.decode())


def test_a_name_with_accents_is_plain_where_the_specification_wants_ascii() -> None:
    device = identity_of("Erlenmoor Gärwerk €", 1, 1)
    assert device.objects[0x06] == b"Erlenmoor Garwerk ?"
    assert device.objects[0x80].decode() == "Erlenmoor Gärwerk €"


def test_function_17_says_which_server_that_it_runs_and_its_version() -> None:
    """6.13: byte count, server id, run indicator FF for on, then what the device likes to add.

    Neither scapy nor pymodbus can read it: one takes all for the id, the other the last byte for the run indicator.
    """
    answer = WHO.report()
    text = f"meter-aggregator {__version__} {SITE}".encode()
    assert answer == bytes((0x11, 2 + len(text), 0x4D, 0xFF)) + text


@pytest.mark.parametrize("access", [BASIC, REGULAR, EXTENDED])
def test_independent_readers_find_the_same_objects(access: int) -> None:
    answer = WHO.read(access, 0)
    expected = objects_of(answer)
    decoded = DecodePDU(False).decode(answer)
    assert isinstance(decoded, ReadDeviceInformationResponse)
    assert decoded.information == expected
    assert (decoded.conformity, decoded.more_follows, decoded.next_object_id) == (0x83, 0, 0)
    layer = ModbusADUResponse(bytes((0, 1, 0, 0, 0, len(answer) + 1, 7)) + answer).payload
    assert (layer.readCode, layer.conformityLevel, layer.objCount) == (access, 0x83, len(expected))
    found = {}
    while layer.payload:
        layer = layer.payload
        found[layer.id] = bytes(layer.value)
    assert found == expected
