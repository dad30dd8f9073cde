"""Messages of a network server: strict JSON (RFC 8259), and every part taken only where it is what it should be."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from aggregator.core.errors import DecodeError, Refusal
from aggregator.core.pointer import Pointer
from aggregator.core.uplink import (
    LONGEST_MESSAGE,
    NO_RADIO,
    Envelope,
    PayloadText,
    Radio,
    Uplink,
    normal_node,
    read_json,
)

MessageOf = Callable[..., bytes]
BARE = Envelope("up", Pointer("/n"))


def refusal_of(envelope: Envelope, message: bytes) -> DecodeError:
    with pytest.raises(DecodeError) as caught:
        envelope.open(message)
    return caught.value


def test_an_uplink_comes_out_of_its_envelope(envelope: Envelope, message: MessageOf) -> None:
    opened = envelope.open(message(41, observed="2026-11-25T08:00:00Z", payload=b"\x01\x03", port=3))
    assert opened == Uplink(
        node="70b3d57ed0000001",
        counter=41,
        port=3,
        observed=1795593600.0,
        received=1795600000.0,
        decoded=None,
        payload=b"\x01\x03",
        radio=Radio(-101, 5.5, 9),
    )


def test_an_envelope_that_names_only_the_node_takes_only_the_node() -> None:
    opened = BARE.open(b'{"n": "70b3d57ed0000001", "port": "odd"}')
    assert opened == Uplink("70b3d57ed0000001", None, None, None, None, None, None, NO_RADIO)


@pytest.mark.parametrize(
    "text",
    [
        "70B3D57ED0000001",
        "70:b3:d5:7e:d0:00:00:01",
        "70-B3-D5-7E-D0-00-00-01",
        "70b3d57e.d0000001",
        " 70 b3 d5 7e d0 00 00 01 ",
    ],
)
def test_a_node_is_one_node_however_it_is_spelt(text: str) -> None:
    assert normal_node(text) == "70b3d57ed0000001"


@pytest.mark.parametrize(
    "text", ["", "70b3d57ed000001", "70b3d57ed00000012", "70b3d57ed000000g", "\uff17\uff10b3d57ed0000001"]
)
def test_what_is_no_node_is_none(text: str) -> None:
    assert normal_node(text) is None


@pytest.mark.parametrize(
    ("message", "refusal", "detail"),
    [
        (b"{}", Refusal.MISSING, "no node at /n"),
        (b'{"n": 17}', Refusal.WRONG_TYPE, "the node at /n is 17, not text"),
        (b'{"n": "abc"}', Refusal.WRONG_TYPE, "the node at /n is 'abc', not 16 hexadecimal digits"),
        (b"[]", Refusal.MISSING, "no node at /n"),
        (b"", Refusal.BAD_JSON, "no JSON from line 1, column 1 on"),
        (b"\xff", Refusal.BAD_JSON, "byte 0 is not UTF-8"),
        (b'{"n": 1, "n": 2}', Refusal.BAD_JSON, "the key 'n' stands twice"),
        (b'{"n": {"b": 1, "a": 1, "b": 2}}', Refusal.BAD_JSON, "the key 'b' stands twice"),
        (b'{"n": NaN}', Refusal.BAD_JSON, "NaN is not JSON"),
        (b'{"n": -Infinity}', Refusal.BAD_JSON, "-Infinity is not JSON"),
        (b'{"n": 1} junk', Refusal.BAD_JSON, "no JSON from line 1, column 10 on"),
    ],
)
def test_a_message_that_cannot_be_read_says_why(message: bytes, refusal: Refusal, detail: str) -> None:
    error = refusal_of(BARE, message)
    assert (error.refusal, error.detail, error.node) == (refusal, detail, None)


@pytest.mark.parametrize(
    ("at", "value", "refusal", "detail"),
    [
        ("/frame/counter", None, Refusal.MISSING, "nothing at /frame/counter"),
        ("/frame/counter", -1, Refusal.WRONG_TYPE, "/frame/counter is -1, not a whole number from 0 to 4294967295"),
        ("/frame/counter", True, Refusal.WRONG_TYPE, "/frame/counter is True, not a whole number from 0 to 4294967295"),
        ("/frame/counter", 1.5, Refusal.WRONG_TYPE, "/frame/counter is 1.5, not a whole number from 0 to 4294967295"),
        ("/frame/counter", 2**32, Refusal.WRONG_TYPE, None),
        ("/frame/port", "2", Refusal.WRONG_TYPE, "/frame/port is '2', not a whole number from 0 to 255"),
        ("/frame/port", 256, Refusal.WRONG_TYPE, "/frame/port is 256, not a whole number from 0 to 255"),
        ("/received_at", "noon", Refusal.WRONG_TYPE, "/received_at is 'noon', not an RFC 3339 time"),
        ("/received_at", True, Refusal.WRONG_TYPE, "/received_at is True, not a time"),
        ("/received_at", -1, Refusal.WRONG_TYPE, "/received_at is -1, not a time"),
        ("/observed_at", [], Refusal.WRONG_TYPE, "/observed_at is [], not a time"),
        ("/frame/data", 17, Refusal.WRONG_TYPE, "the payload at /frame/data is 17, not text"),
        ("/frame/data", "A", Refusal.BAD_PAYLOAD, None),
        ("/frame/data", "AQ==\n!", Refusal.BAD_PAYLOAD, None),
    ],
)  # fmt: skip
def test_a_part_that_is_wrong_is_named_and_so_is_the_node(
    envelope: Envelope, message: MessageOf, at: str, value: object, refusal: Refusal, detail: str | None
) -> None:
    document = json.loads(message(1))
    *way, last = at.strip("/").split("/")
    inner = document[way[0]] if way else document
    inner[last] = value
    error = refusal_of(envelope, json.dumps(document).encode())
    assert (error.refusal, error.node) == (refusal, "70b3d57ed0000001")
    assert detail is None or error.detail == detail


def test_a_number_beyond_every_float_is_no_time(envelope: Envelope, message: MessageOf) -> None:
    """`1e999` is infinite to a JSON reader, and 400 digits are an integer that no float holds."""
    for number in (b"1e999", b"9" * 400):
        text = message(1).replace(b'"observed_at": null', b'"observed_at": ' + number)
        assert refusal_of(envelope, text).refusal is Refusal.WRONG_TYPE


@pytest.mark.parametrize(
    ("written", "seconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),  # RFC 3339 section 5.8
        ("1996-12-19T16:39:57-08:00", 851042397.0),  # RFC 3339 section 5.8
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),  # RFC 3339 section 5.8
        ("2026-11-25T08:00:00", 1795593600.0),  # no zone is taken as UTC
        (1795593600, 1795593600.0),
        (1795593600.25, 1795593600.25),
    ],
)
def test_times_are_rfc_3339_or_seconds(envelope: Envelope, message: MessageOf, written: object, seconds: float) -> None:
    """The texts are RFC 3339 section 5.8's examples (from memory); their seconds computed with the calendar."""
    assert envelope.open(message(1, observed=written)).observed == pytest.approx(seconds, abs=1e-6)


@pytest.mark.parametrize("odd", [True, "strong", None, pytest.param(10**400, id="400 digits"), 5000, [], -1e999])
def test_an_odd_radio_figure_is_left_out_and_the_uplink_taken(
    envelope: Envelope, message: MessageOf, odd: object
) -> None:
    text = message(1, rssi=odd).replace(b"-Infinity", b"-1e999")
    assert envelope.open(text).radio == Radio(None, 5.5, 9)


def test_a_payload_may_be_written_in_hex(envelope: Envelope, message: MessageOf) -> None:
    in_hex = replace(envelope, payload_text=PayloadText.HEX)
    text = message(1, payload=b"?").replace(b'"Pw=="', b'"01 03 ff"')
    assert in_hex.open(text).payload == b"\x01\x03\xff"
    assert refusal_of(in_hex, message(1, payload=b"?")).refusal is Refusal.BAD_PAYLOAD


def test_a_message_larger_than_any_uplink_is_not_even_parsed() -> None:
    error = refusal_of(BARE, b" " * (LONGEST_MESSAGE + 1))
    assert error.refusal is Refusal.BAD_JSON
    assert error.detail == "262145 bytes are more than an uplink has"


def test_a_deeply_nested_message_is_refused() -> None:
    assert refusal_of(BARE, b"[" * 100_000).refusal is Refusal.BAD_JSON


@pytest.mark.parametrize("depth", range(400, 1000, 50))
def test_no_depth_of_nesting_raises_anything_else(depth: int) -> None:
    message = b'{"n": ' + b"[" * depth + b"]" * depth + b"}"
    assert refusal_of(BARE, message).refusal in (Refusal.BAD_JSON, Refusal.WRONG_TYPE)


def test_a_long_odd_value_makes_no_long_report() -> None:
    message = json.dumps({"n": ["x" * 200_000]}).encode()
    assert len(str(refusal_of(BARE, message))) < 200


def test_a_doubled_key_among_thousands_is_found_at_once() -> None:
    """Comparing each key with each other took half a minute on such a message."""
    keys = ",".join(f'"k{at}":0' for at in range(20_000))
    begin = time.process_time()
    error = refusal_of(BARE, f'{{{keys},"k19999":1}}'.encode())
    assert error.detail == "the key 'k19999' stands twice"
    assert time.process_time() - begin < 1.0


JSON_TEXTS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=10,
)


@given(st.binary() | JSON_TEXTS.map(lambda document: json.dumps(document).encode()))
@example(b"\xef\xbb\xbf{}")  # a byte order mark
@example(b'"\\ud800"')  # half a surrogate pair
@example(b"9" * 5000)  # more digits than Python reads
@example(b"-1e999")
def test_any_bytes_are_a_document_or_a_decode_error(message: bytes) -> None:
    try:
        read_json(message)
    except DecodeError as error:
        assert error.refusal is Refusal.BAD_JSON  # noqa: PT017  # most inputs raise nothing


@given(st.sampled_from(["counter", "port", "data", "eui", "at"]), JSON_TEXTS)
def test_any_document_is_an_uplink_or_a_decode_error(key: str, odd: object) -> None:
    envelope = Envelope(
        "up",
        Pointer("/eui"),
        Pointer("/counter"),
        Pointer("/port"),
        Pointer("/at"),
        Pointer("/at"),
        Pointer("/at"),
        Pointer("/data"),
        rssi=Pointer("/at"),
    )
    good = {"eui": "70b3d57ed0000001", "counter": 1, "port": 2, "data": "AQ==", "at": 0}
    try:
        opened = envelope.open(json.dumps({**good, key: odd}).encode())
    except DecodeError:
        return
    assert opened.node == normal_node(str(odd if key == "eui" else good["eui"]))
