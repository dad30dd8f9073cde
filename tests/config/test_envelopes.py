"""Envelopes: where the parts of an uplink stand."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import pytest

from aggregator.config.configuration import load
from aggregator.core.dating import ORDINARY, NodeClock
from aggregator.core.uplink import Envelope


@pytest.fixture
def envelopes(good_site: Path) -> tuple[Envelope, ...]:
    return tuple(load(good_site).declared.envelopes)


def test_every_part_is_found_where_the_file_says(envelopes: tuple[Envelope, ...]) -> None:
    message = {
        "device": {"eui": "70B3D57ED0000101"},
        "frame": {"counter": 41, "port": 2, "data": base64.b64encode(b"\x01\x02").decode(), "sf": 9},
        "measured_at": "2026-11-25T08:00:00Z",
        "received_at": 1795593605,
        "decoded": {"flow_rate": 1},
        "radio": [{"rssi": -101, "snr": 5.5}],
    }
    uplink = envelopes[0].open(json.dumps(message).encode())
    assert (uplink.node, uplink.counter, uplink.port) == ("70b3d57ed0000101", 41, 2)
    assert uplink.payload == b"\x01\x02"
    assert uplink.decoded == {"flow_rate": 1}
    # 2026-11-25T08:00:00Z is 1 795 593 600 s after 1970 (computed with GNU date)
    assert (uplink.observed, uplink.received) == (1795593600, 1795593605)
    assert (uplink.radio.rssi, uplink.radio.snr, uplink.radio.spreading_factor) == (-101, 5.5, 9)


def test_parts_that_the_file_leaves_out_are_not_looked_for(envelopes: tuple[Envelope, ...]) -> None:
    second = envelopes[1]
    assert second.topic == "raw/#"
    assert (second.counter, second.port, second.observed, second.received, second.fields) == (None,) * 5
    assert (second.rssi, second.snr, second.spreading_factor) == (None,) * 3


def test_the_whole_message_is_a_place_too(envelopes: tuple[Envelope, ...]) -> None:
    """RFC 6901 section 5: the empty pointer is the whole document."""
    assert envelopes[1].payload is not None
    assert envelopes[1].payload.find("0102") == "0102"


def test_an_envelope_knows_its_place(envelopes: tuple[Envelope, ...]) -> None:
    assert [envelope.place.short for envelope in envelopes] == ["site.yaml:13", "site.yaml:22"]


def test_what_tells_uplinks_and_clocks_apart_is_as_declared(good_site: Path) -> None:
    site = good_site / "site.yaml"
    text = site.read_text(encoding="utf-8")
    assert "    counter: /frame/counter\n" in text
    more = (
        "    counter: /frame/counter\n    counter_bits: 16\n    session: /device/address\n"
        "    node_clock: {not_before: 2026-01-01, oldest: 3 d, ahead: 5 min}\n"
    )
    site.write_text(text.replace("    counter: /frame/counter\n", more), encoding="utf-8")
    envelope = load(good_site).declared.envelopes[0]
    assert (envelope.counter_bits, str(envelope.session)) == (16, "/device/address")
    # 2026-01-01T00:00:00Z is 1 767 225 600 s after 1970 (computed with GNU date)
    assert envelope.node_clock == NodeClock(1767225600, 3 * 86400, 300)


def test_where_nothing_is_said_a_counter_has_32_bits_and_clocks_the_usual_room(envelopes: tuple[Envelope, ...]) -> None:
    assert [(each.counter_bits, each.session, each.radios) for each in envelopes] == [(32, None, None)] * 2
    assert [each.node_clock for each in envelopes] == [ORDINARY] * 2
