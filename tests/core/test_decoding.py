"""What an uplink reads by one profile or another."""

from __future__ import annotations

import struct
from dataclasses import replace

import pytest

from aggregator.core.decoding import fits, read
from aggregator.core.encoding import Scale
from aggregator.core.errors import DecodeError
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary, BinaryItem, DecodedField, Field, Profile
from aggregator.core.reading import Reason
from aggregator.core.records import DecodedRecords
from aggregator.core.uplink import NO_RADIO, Uplink

LEVEL = Profile(
    name="level",
    title="Gas holder level",
    fields=(Field("level", "%", "level", 0.0, 100.0),),
    payloads={2: Binary((BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1)),))},
)


def uplink(payload: bytes | None = None, decoded: object = None, port: int = 2) -> Uplink:
    return Uplink("70b3d57ed0000009", 1, port, None, None, decoded, payload, NO_RADIO)


def test_the_likeliest_profile_comes_first(profile: Profile) -> None:
    payload = struct.pack(">HIf", 1250, 4711, 1.5)  # flow 125.0, volume 4711, methane 1.5; as a level it is 125 %
    found = fits([LEVEL, profile], uplink(payload))
    assert [each.profile for each in found] == ["gas-point", "level"]
    assert [(each.field, each.value, each.unit) for each in found[0].read] == [
        ("flow", 125.0, "m3/h"),
        ("volume", 4711, "m3"),
        ("methane", 1.5, "%LEL"),
    ]
    (level,) = found[1].read
    assert (level.value, level.reasons) == (125.0, Reason.OUT_OF_RANGE)


def test_of_equally_likely_profiles_the_one_that_reads_more_comes_first(profile: Profile) -> None:
    assert [each.profile for each in fits([LEVEL, profile], uplink(struct.pack(">HIf", 125, 4711, 1.5)))] == [
        "gas-point",
        "level",
    ]


def test_a_profile_that_reads_the_battery_alone_comes_after_one_that_reads_the_meter(profile: Profile) -> None:
    """Every node sends its battery, whatever meter it is on."""
    battery = Profile("another", "Another", (Field("level", "%", "level"), Field("battery", "V", "battery")))
    other = replace(
        battery,
        decoded=tuple(
            DecodedField(index, Pointer(f"/{name}"), Scale()) for index, name in enumerate(("level", "battery"))
        ),
    )
    sent = uplink(decoded={"flow": 900.0, "methane": 250.0, "battery": 3.6})  # beyond what the meter measures
    found = fits([other, profile], sent)
    assert [(each.profile, each.likely) for each in found] == [("gas-point", 0.0), ("another", 0.0)]


def test_a_profile_that_cannot_read_it_is_left_out(profile: Profile) -> None:
    assert [each.profile for each in fits([LEVEL, profile], uplink(b"\x00\x7d"))] == ["level"]
    assert fits([LEVEL, profile], uplink(b"\x00")) == []
    assert fits([LEVEL, profile], uplink(b"\x00\x7d", port=0)) == []


def test_of_several_readings_in_one_uplink_the_newest_is_read(profile: Profile) -> None:
    batched = replace(profile, decoded_records=DecodedRecords(Pointer("/log"), Pointer("/at"), None))
    log = {"log": [{"at": 1.8e9, "flow": 2.0}, {"at": 1.7e9, "flow": 1.0}]}
    assert [each.value for each in read(batched, uplink(decoded=log))] == [2.0]


def test_what_cannot_be_read_raises(profile: Profile) -> None:
    with pytest.raises(DecodeError):
        read(profile, uplink(b"\x00"))
