"""How an uplink reads is told step by step, and every value is the one that the meter would show."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.core.crc import crc16
from aggregator.core.decoding import decode
from aggregator.core.encoding import Encoding, Scale
from aggregator.core.errors import DecodeError
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
from aggregator.core.reading import Fault
from aggregator.core.records import DecodedRecords, Records, Stamp
from aggregator.core.site import Site
from aggregator.core.snapshot import uplinks_told
from aggregator.core.unpacking import Unpacked, unpack
from aggregator.core.uplink import NO_RADIO, Uplink
from tests.core.alarmed import Plant

FIELDS = (
    Field("methane", "%LEL", "methane", 0.0, 100.0),
    Field("pressure", "mbar", "pressure", 0.0, 2000.0),
    Field("mode", "", "operating mode"),
)
BINARY = Binary(
    (
        BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1, -5), {0xFFFF: "sensor missing"}),
        BinaryItem(1, 2, 4, "float", "little", None, Scale()),
        BinaryItem(2, 6, 1, "uint", "big", (4, 6), Scale()),
    )
)
RESPONSE = Response(
    (Window(4, 10),),
    frozenset({"address", "function", "count", "crc"}),
    (
        RegisterItem(1, 4, 10, Encoding.number("float32")),
        RegisterItem(0, 4, 12, Encoding.number("int16"), Scale(0.1)),
        RegisterItem(2, 4, 13, Encoding.number("uint16"), bits=(0, 0)),
        RegisterItem(2, 4, 40, Encoding.number("uint16")),
    ),
)
PROFILE = Profile(
    "gas-point",
    "Gas detector",
    FIELDS,
    decoded=(DecodedField(0, Pointer("/ch4"), Scale()), DecodedField(1, Pointer("/p/0"), Scale(100))),
    payloads={2: BINARY, 3: RESPONSE},
)


def uplink(payload: bytes | None = None, port: int = 2, decoded: object = None) -> Uplink:
    return Uplink("70b3d57ed0000001", 1, port, None, None, decoded, payload, NO_RADIO)


def rows(unpacked: Unpacked) -> list[tuple[object, ...]]:
    return [(each.field, each.where, each.data, each.raw, each.scale, each.value) for each in unpacked.steps]


def test_bytes_are_told_with_where_they_stand_and_what_is_made_of_them() -> None:
    found = unpack(PROFILE, uplink(struct.pack(">H", 420) + struct.pack("<f", 2150.5) + b"\x30"))
    assert rows(found) == [
        ("methane", "bytes 0-1", "01 a4", 420, "x 0.1 - 5", 37.0),
        ("pressure", "bytes 2-5", "00 68 06 45", 2150.5, "", 2150.5),
        ("mode", "byte 6, bits 4-6", "30", 3, "", 3),
    ]
    assert [each.quality for each in found.steps] == ["good", "uncertain: out of range", "good"]
    assert (found.way, found.wrong) == ("bytes", None)


def test_a_code_of_the_meters_is_told_in_its_words_and_is_no_value() -> None:
    step = unpack(PROFILE, uplink(b"\xff\xff" + b"\x00\x00\xc0\x7f" + b"\x00")).steps
    assert (step[0].raw, step[0].value, step[0].says, step[0].quality) == (
        65535, None, "sensor missing", "bad: sensor fault",
    )  # fmt: skip
    assert (step[1].raw, step[1].value, step[1].says) == (None, None, "no value")  # a NaN


def test_registers_are_told_by_the_meters_own_addresses() -> None:
    frame = bytes([17, 4, 8]) + struct.pack(">fhH", 101.25, 375, 0xFFFF)
    found = unpack(PROFILE, uplink(frame + crc16(frame).to_bytes(2, "little"), port=3))
    assert rows(found) == [
        ("pressure", "registers 10-11 (function 04)", "42 ca 80 00", 101.25, "", 101.25),
        ("methane", "register 12 (function 04)", "01 77", 375, "x 0.1", 37.5),
        ("mode", "register 13 (function 04), bit 0", "ff ff", 1, "", 1),
    ]
    assert found.way == "response"


def test_decoded_fields_are_told_by_their_pointers() -> None:
    found = unpack(PROFILE, uplink(decoded={"ch4": 12, "p": [21.5]}))
    assert rows(found) == [
        ("methane", "/ch4", "", 12, "", 12),
        ("pressure", "/p/0", "", 21.5, "x 100", 2150.0),
    ]
    assert found.way == "decoded"


def test_records_are_told_one_after_the_other() -> None:
    small = Binary((BinaryItem(0, 1, 1, "uint", "big", None, Scale()),))
    batches = Profile("log", "", FIELDS, records={None: Records(1, 2, Stamp(0, 1, "big", 60.0), small)})
    found = unpack(batches, uplink(bytes([9, 2, 50, 1, 60])))
    assert [(each.where, each.data, each.value) for each in found.steps] == [("byte 2", "32", 50), ("byte 4", "3c", 60)]
    listed = Profile(
        "log", "", FIELDS, PROFILE.decoded, decoded_records=DecodedRecords(Pointer("/log"), Pointer("/age"), 1.0)
    )
    found = unpack(listed, uplink(decoded={"log": [{"age": 60, "ch4": 5}, {"age": 0, "ch4": 6}]}))
    assert [(each.where, each.value) for each in found.steps] == [("/log/0/ch4", 5), ("/log/1/ch4", 6)]


@pytest.mark.parametrize(
    ("sent", "wrong"),
    [
        (uplink(b"\x01"), "1 bytes where 7 are declared"),
        (uplink(b"\x01", port=9), "declares no payload for port 9"),
        (uplink(bytes.fromhex("1184 02 c2c4"), port=3), "the response's CRC does not match|exception 02"),
        (uplink(decoded={"ch4": "12"}), "not a number"),
        (uplink(), "neither decoded fields nor a payload"),
    ],
    ids=["short", "port", "exception", "text", "empty"],
)
def test_what_cannot_be_read_says_why(sent: Uplink, wrong: str) -> None:
    found = unpack(PROFILE, sent)
    assert found.steps == ()
    assert found.wrong is not None
    assert re.search(wrong, found.wrong)


@given(st.binary(max_size=20), st.sampled_from([None, 0, 2, 3, 9]))
def test_the_steps_give_what_the_profile_gives_for_any_payload(payload: bytes, port: int | None) -> None:
    sent = uplink(payload)._replace(port=port)
    found = unpack(PROFILE, sent)
    try:
        pairs = decode(PROFILE, sent)
    except DecodeError:
        assert found.wrong is not None
        assert found.steps == ()
        return
    assert found.wrong is None
    expected = [(FIELDS[index].name, None if isinstance(value, Fault) else value) for index, value in pairs]
    assert [(each.field, each.value) for each in found.steps] == expected


def test_the_last_uplinks_of_a_meter_are_there_newest_first_also_those_that_could_not_be_read(
    site_of: Callable[..., Site], message: Callable[..., bytes]
) -> None:
    from aggregator.core.heard import LARGEST, NEWEST
    from tests.core.conftest import START

    site = site_of()
    for counter in range(1, NEWEST + 3):
        site.receive("lns/a/up", message(counter, flow=float(counter)), retained=False, now=START)
    site.receive("lns/a/up", message(99, flow="much"), retained=False, now=START)
    huge = message(100, flow=1.0)[:-1] + b', "more": "' + b"x" * LARGEST + b'"}'
    site.receive("lns/a/up", huge, retained=False, now=START)
    state = site.states["FT-101"]
    told = uplinks_told(state)
    assert state.counter == 100
    assert [each["counter"] for each in told] == [99, *range(NEWEST + 2, 3, -1)]
    assert told[0]["wrong"]
    assert told[1]["steps"][0]["value"] == NEWEST + 2


def test_a_reload_keeps_them() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    after = Site(plant.site.declared, plant.now, plant.site)
    after.take_over(plant.site, "test", plant.now)
    assert [len(uplinks_told(each)) for each in after.states.values()] == [1, 0, 0]
