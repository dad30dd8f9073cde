"""PUBLISH packets, held to the specification's examples and to two other programs' encoders."""

from __future__ import annotations

import pytest
from amqtt.mqtt.publish import PublishPacket
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from aggregator.mqtt.message import Malformed, Message, length_at, message_in

TOPICS = st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="+#"), min_size=1, max_size=40)


def read(packet: bytes, *, is_5: bool) -> Message:
    """The message of a packet that is whole."""
    length = length_at(packet, 1)
    assert length is not None
    assert length[0] + length[1] == len(packet)
    return message_in(packet, packet[0], length[1], len(packet), is_5=is_5)


def packet_of(flags: int, rest: bytes) -> bytes:
    """A packet of less than 128 bytes."""
    return bytes((0x30 | flags, len(rest))) + rest


@pytest.mark.parametrize(
    ("value", "encoded"),
    [
        (0, "00"),
        (127, "7f"),
        (128, "8001"),
        (16_383, "ff7f"),
        (16_384, "808001"),
        (2_097_151, "ffff7f"),
        (2_097_152, "80808001"),
        (268_435_455, "ffffff7f"),
    ],
)
def test_lengths_are_those_of_the_specifications_table(value: int, encoded: str) -> None:
    """MQTT 5.0 section 1.5.5, table 1-1; MQTT 3.1.1 section 2.2.3, table 2.4."""
    data = bytes.fromhex(encoded)
    assert length_at(b"x" + data + b"rest", 1) == (value, 1 + len(data))
    for end in range(len(data)):
        assert length_at(data[:end], 0) is None


def test_a_length_of_five_bytes_is_none() -> None:
    with pytest.raises(Malformed, match="four bytes"):
        length_at(bytes.fromhex("8080808001"), 0)


def test_the_specifications_example_is_read() -> None:
    """MQTT 5.0 section 3.3.2.4 (non-normative): topic a/b, packet identifier 10, no properties; from memory."""
    packet = packet_of(0b0010, bytes.fromhex("0003612f62000a00") + b"payload")
    assert read(packet, is_5=True) == Message("a/b", b"payload", False, 1, 10)


@given(TOPICS, st.binary(max_size=500), st.booleans(), st.booleans(), st.integers(1, 65535), st.booleans())
def test_what_another_program_has_packed_for_3_1_1_is_read(
    topic: str, payload: bytes, retained: bool, again: bool, number: int, acknowledged: bool
) -> None:
    """Peer: amqtt's codec, which knows MQTT 3.1.1."""
    qos = int(acknowledged)
    packet = PublishPacket.build(topic, payload, number if qos else None, again, qos, retained).to_bytes()
    assert read(packet, is_5=False) == Message(topic, payload, retained, qos, number * qos)


@given(TOPICS, st.binary(max_size=200), st.lists(st.text("ab:", min_size=1, max_size=60), max_size=9))
def test_properties_of_any_length_are_passed_over(topic: str, payload: bytes, names: list[str]) -> None:
    """Peer: the properties are packed by paho."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.MessageExpiryInterval = 60
    properties.ContentType = "application/json"
    if names:
        properties.UserProperty = [(name, name) for name in names]
    name = topic.encode()
    rest = len(name).to_bytes(2, "big") + name + b"\x12\x34" + properties.pack() + payload  # type: ignore[no-untyped-call]
    assert message_in(rest, 0x32, 0, len(rest), is_5=True) == Message(topic, payload, False, 1, 0x1234)


@pytest.mark.parametrize(
    ("flags", "rest", "is_5"),
    [
        (2, "", True),
        (2, "0003612f62", True),  # no packet identifier
        (2, "0003612f62000a", True),  # no properties
        (2, "0003612f62000a0501", True),  # properties beyond the end
        (2, "ffff612f62000a00", True),  # a topic beyond the end
        (2, "0003612f6200", False),
        (0, "0005612f62", False),
        (2, "0003ff2f62000a00", True),  # not UTF-8
        (4, "0003612f62000a00", True),  # QoS 2, which nobody asked for
        (6, "0003612f62000a00", True),  # QoS 3, which there is not: MQTT 5.0 section 3.3.1.2
    ],
)
def test_what_is_no_message_is_malformed(flags: int, rest: str, is_5: bool) -> None:
    with pytest.raises(Malformed):
        read(packet_of(flags, bytes.fromhex(rest)), is_5=is_5)


@given(st.integers(0, 15), st.binary(max_size=60), st.booleans())
def test_bytes_are_a_message_or_malformed_and_nothing_else(flags: int, rest: bytes, is_5: bool) -> None:
    try:
        message = message_in(rest, 0x30 | flags, 0, len(rest), is_5=is_5)
    except Malformed:
        return
    assert message.payload == rest[len(rest) - len(message.payload) :]
