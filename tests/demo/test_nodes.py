"""Radio nodes: their messages read back through the envelope that they were made for."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import jsonpointer
import pytest

from aggregator.config.configuration import Configuration
from aggregator.core.encoding import IDENTITY, Scale
from aggregator.core.meter import Meter
from aggregator.core.pointer import Pointer
from aggregator.core.profile import Binary, BinaryItem, DecodedField, Field, Profile
from aggregator.core.topic import matches
from aggregator.core.uplink import Envelope, PayloadText, Radio
from aggregator.demo.nodes import SOUND, Frame, Message, Node, Traits, document, message_of, topic_of

EPOCH = 1_780_000_000.0  # an arbitrary moment of 2026
EVERY = 300.0
DECODED = Profile("p", "P", (Field("h2s", "ppm", "h2s", 0, 100),), (DecodedField(0, Pointer("/h2s"), IDENTITY),))
ENVELOPE = Envelope(
    "lns/+/up",
    Pointer("/device/eui"),
    counter=Pointer("/frame/counter"),
    port=Pointer("/frame/port"),
    observed=Pointer("/measured"),
    received=Pointer("/received_at"),
    fields=Pointer("/decoded"),
    payload=Pointer("/frame/data"),
    rssi=Pointer("/radio/0/rssi"),
    snr=Pointer("/radio/0/snr"),
    spreading_factor=Pointer("/frame/sf"),
)


def node(traits: Traits = SOUND, profile: Profile = DECODED, seed: str = "a node") -> Node:
    meter = Meter("AT-1", "a detector", "site", profile, EVERY, 3 * EVERY, "0a1def0000000101")
    return Node(meter, ENVELOPE, lambda seconds: EPOCH + seconds, seed, traits)


def reports(node: Node, count: int) -> list[Message]:
    return [message for _ in range(count) for message in node.report()]


def counters(messages: list[Message]) -> list[int]:
    return [counter for each in messages if (counter := ENVELOPE.open(each.text).counter) is not None]


def test_a_message_opens_as_the_uplink_that_went_in() -> None:
    frame = Frame("0a1def0000000101", 41, 7, EPOCH, EPOCH + 1.5, Radio(-101, 5.5, 9), payload=b"\x01\x02")
    uplink = ENVELOPE.open(message_of(ENVELOPE, frame))
    assert (uplink.node, uplink.counter, uplink.port) == (frame.node, 41, 7)
    assert (uplink.observed, uplink.received) == (EPOCH, EPOCH + 1.5)
    assert (uplink.payload, uplink.decoded, uplink.radio) == (b"\x01\x02", None, frame.radio)


def test_a_message_carries_decoded_fields_where_the_envelope_has_them() -> None:
    frame = Frame("0a1def0000000101", 41, 7, EPOCH, EPOCH, Radio(), decoded={"/totals/volume": 12.5, "/flow": 3})
    assert ENVELOPE.open(message_of(ENVELOPE, frame)).decoded == {"totals": {"volume": 12.5}, "flow": 3}


def test_an_envelope_with_few_pointers_gets_a_small_message() -> None:
    envelope = Envelope("a/#", Pointer("/n"), payload=Pointer("/b"), payload_text=PayloadText.HEX)
    frame = Frame("0a1def0000000101", 41, 7, EPOCH, EPOCH, Radio(), payload=b"\xab\xcd")
    assert json.loads(message_of(envelope, frame)) == {"n": "0a1def0000000101", "b": "abcd"}


def test_a_message_hands_on_what_its_network_does_of_counter_session_and_radios() -> None:
    envelope = replace(
        ENVELOPE,
        counter_bits=16,
        session=Pointer("/device/address"),
        radios=Pointer("/radio"),
        rssi=Pointer("/rssi"),
        snr=Pointer("/snr"),
    )
    frame = Frame("0a1def0000000101", 65537, 7, EPOCH, EPOCH, Radio(-101, 5.5, 9), payload=b"\x01")
    uplink = envelope.open(message_of(envelope, frame))
    assert (uplink.counter, uplink.session, uplink.radio) == (1, "00000101", frame.radio)


def test_a_document_has_each_value_at_its_pointer() -> None:
    # RFC 6901 sections 3 and 5: ~1 is a slash, ~0 a tilde, digits index an array; jsonpointer is the other reader
    values: dict[str, object] = {"/a~1b": 1, "/m~0n": 8, "/foo/1": "baz", "/foo/0/x": "bar", "/": 0}
    made = document(values)
    assert {pointer: jsonpointer.resolve_pointer(made, pointer) for pointer in values} == values
    assert document({"/radio/1/rssi": -90}) == {"radio": [None, {"rssi": -90}]}


@pytest.mark.parametrize("filter_", ["lns/alder-fen/+/up", "radio/#", "+/+", "fixed/topic"])
def test_a_topic_falls_under_its_filter(filter_: str) -> None:
    envelope = Envelope(filter_, Pointer("/n"))
    assert matches(filter_, topic_of(envelope, "0a1def0000000101"))


def test_a_node_reports_at_its_interval_and_dates_what_it_says() -> None:
    sound = node()
    messages = reports(sound, 50)
    gaps = [later.at - earlier.at for earlier, later in itertools.pairwise(messages) if later.at > earlier.at + 1]
    assert messages[0].at < 30
    assert all(0.9 * EVERY < gap < 2.2 * EVERY for gap in gaps)  # a lost frame leaves two intervals
    assert len(set(gaps)) > 10
    for message in messages:
        uplink = ENVELOPE.open(message.text)
        assert uplink.received == pytest.approx(EPOCH + message.at, abs=0.002)
        assert uplink.observed is not None
        assert uplink.observed <= EPOCH + message.at + 0.002


def test_the_same_seed_makes_the_same_messages() -> None:
    assert reports(node(), 20) == reports(node(), 20)
    assert reports(node(), 20) != reports(node(seed="another"), 20)


def test_a_lost_frame_leaves_a_gap_in_the_counter() -> None:
    heard = counters(reports(node(Traits(loses_every=4)), 40))
    assert len(set(heard)) <= 30
    assert max(heard) - min(heard) >= 38


def test_a_frame_heard_by_two_radios_comes_twice_with_one_counter() -> None:
    messages = reports(node(Traits(doubles_every=3)), 30)
    by_counter: dict[int, list[Message]] = {}
    for counter, message in zip(counters(messages), messages, strict=True):
        by_counter.setdefault(counter, []).append(message)
    doubled = [each for each in by_counter.values() if len(each) == 2]
    assert len(doubled) >= 9
    radios = [[ENVELOPE.open(message.text).radio for message in each] for each in doubled]
    assert any(one != other for one, other in radios)
    assert all(0 < other.at - one.at < 60 for one, other in doubled)


def test_a_node_that_falls_silent_never_reports_again() -> None:
    quiet = node(Traits(silent_from=2.5 * EVERY))
    messages = reports(quiet, 10)
    assert messages
    assert max(message.at for message in messages) < 2.5 * EVERY + 1
    assert quiet.next_report == math.inf


def test_a_value_goes_out_of_range_for_a_time_and_comes_back() -> None:
    messages = reports(node(Traits(over_range=(2 * EVERY, 5 * EVERY))), 12)
    values = [(message.at, json.loads(message.text)["decoded"]["h2s"]) for message in messages]
    assert {value for at, value in values if 2 * EVERY + 1 <= at < 5 * EVERY} == {120}
    assert all(value <= 100 for at, value in values if not 2 * EVERY <= at < 5 * EVERY + 1)


def test_a_node_with_several_payloads_sends_each_on_its_own_port_and_no_decoded_fields() -> None:
    fields = (Field("h2s", "ppm", "h2s", 0, 100), Field("battery", "V", "battery", 2, 4))
    gas = Binary((BinaryItem(0, 0, 2, "uint", "big", None, Scale(0.1)),))
    service = Binary((BinaryItem(1, 0, 1, "uint", "big", None, Scale(0.02)),))
    profile = Profile("p", "P", fields, DECODED.decoded, {1: gas, None: service})
    uplinks = [ENVELOPE.open(message.text) for message in reports(node(profile=profile), 20)]
    assert {uplink.port for uplink in uplinks} == {1, 2}
    assert all(uplink.decoded is None for uplink in uplinks)
    for uplink in uplinks:
        assert uplink.payload is not None
        ((index, value),) = profile.decode_payload(uplink.port, uplink.payload)
        assert isinstance(value, float)
        assert index == (0 if uplink.port == 1 else 1)
        assert fields[index].low <= value <= fields[index].high


def test_radio_figures_are_those_of_a_radio(sample: Configuration) -> None:
    # LoRa spreading factors 7 to 12 (RP002 regional parameters, from memory)
    for message in reports(node(), 50):
        radio = ENVELOPE.open(message.text).radio
        assert radio.rssi is not None
        assert radio.spreading_factor in range(7, 13)
        assert -140 < radio.rssi < -40
