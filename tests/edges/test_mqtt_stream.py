"""The stand-in for the broker's socket: nothing lost, nothing reordered.

Packets are those of MQTT 3.1.1.
"""

from __future__ import annotations

import contextlib
import itertools
import socket
import threading
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.mqtt.broker import Broker, connect, new_client
from aggregator.mqtt.message import Malformed, Message
from aggregator.mqtt.stream import Stream, StreamingClient

PUBACK = bytes.fromhex("4002")  # MQTT 3.1.1 section 3.4, before the packet identifier
PINGRESP = bytes.fromhex("d000")  # section 3.13
LARGE = 4_000_000  # bytes, more than any socket takes at once


@pytest.fixture
def pair() -> Iterator[tuple[Stream, socket.socket]]:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        theirs.settimeout(10)
        yield Stream(ours, is_5=False), theirs


def received(sock: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        part = sock.recv(size - len(data))
        assert part, f"{len(data)} of {size} bytes came"
        data += part
    return data


PACKETS = (
    (PINGRESP, None),
    (bytes.fromhex("900400010000"), None),  # SUBACK, section 3.9
    (bytes.fromhex("30050003612f62"), Message("a/b", b"", False, 0, 0)),
    (bytes.fromhex("33090003612f62000a7b7d"), Message("a/b", b"{}", True, 1, 10)),
    (b"\x32\x87\x02\0\x03a/b\0\x0b" + b"x" * 256, Message("a/b", b"x" * 256, False, 1, 11)),
)


def read_all(stream: Stream) -> list[object]:
    """What is there, in order: messages, and each packet that is the library's, read byte by byte as it does."""
    found: list[object] = []
    while (message := stream.take()) is not None or stream.lends:
        found.append(read_packet(stream) if message is None else message)
    return found


def read_packet(stream: Stream) -> bytes:
    packet = b""
    with contextlib.suppress(BlockingIOError):
        while True:
            packet += stream.recv(1)
    return packet


@given(st.lists(st.sampled_from(PACKETS), max_size=12), st.lists(st.integers(0, 3000), max_size=12))
def test_packets_are_the_same_however_the_bytes_come(
    packets: list[tuple[bytes, Message | None]], cuts: list[int]
) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.setblocking(False)
        stream, found = Stream(ours, is_5=False), []
        data = b"".join(packet for packet, _ in packets)
        for begin, end in itertools.pairwise((0, *sorted(cuts), len(data))):
            theirs.sendall(data[begin:end])
            found += read_all(stream)
        assert found == [packet if message is None else message for packet, message in packets]


def test_the_library_gets_nothing_of_a_message_and_no_part_of_a_packet(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    theirs.sendall(PACKETS[3][0][:5])
    assert stream.take() is None
    assert not stream.lends
    with pytest.raises(BlockingIOError):
        stream.recv(1)
    theirs.sendall(PACKETS[3][0][5:] + PINGRESP[:1])
    assert stream.take() == PACKETS[3][1]
    assert stream.take() is None
    assert not stream.lends
    theirs.sendall(PINGRESP[1:])
    assert stream.take() is None
    assert stream.lends
    assert stream.recv(9) == PINGRESP


def test_a_message_longer_than_any_read_comes_whole(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    payload = bytes(range(250)) * 4000
    rest = b"\0\x01t\0\x07" + payload
    packet = b"\x32" + bytes((len(rest) & 127 | 128, len(rest) >> 7 & 127 | 128, len(rest) >> 14)) + rest
    sending = threading.Thread(target=theirs.sendall, args=(packet,))
    sending.start()
    while (message := stream.take()) is None:
        assert not stream.lends
    sending.join()
    assert message == Message("t", payload, False, 1, 7)


def test_what_came_before_the_end_is_taken_first(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    theirs.sendall(PACKETS[3][0] + PACKETS[4][0] + b"\x32")
    theirs.close()
    assert [stream.take(), stream.take()] == [PACKETS[3][1], PACKETS[4][1]]
    assert stream.take() is None
    assert stream.take() is None
    assert stream.lends
    assert stream.recv(1) == b""


def test_what_is_no_mqtt_is_malformed(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    theirs.sendall(PACKETS[3][0] + b"\x32\x80\x80\x80\x80\x01")
    assert stream.take() == PACKETS[3][1]
    with pytest.raises(Malformed):
        stream.take()


def test_nothing_is_sent_before_the_flush_and_all_of_it_then(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    assert stream.send(b"ab") == 2
    assert stream.send(bytearray(b"c")) == 1
    theirs.setblocking(False)
    with pytest.raises(BlockingIOError):
        theirs.recv(9)
    assert stream.flush()
    assert theirs.recv(9) == b"abc"


def test_what_the_socket_does_not_take_goes_with_the_next_flush(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    sent = bytes(range(250)) * (LARGE // 250)
    stream.send(sent)
    assert not stream.flush()
    got = b""
    while not stream.flush():
        got += theirs.recv(1_000_000)
    assert got + received(theirs, LARGE - len(got)) == sent


def test_a_close_sends_what_waits(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    stream.send(b"last word")
    stream.close()
    assert stream.fileno() == -1
    assert received(theirs, 9) == b"last word"
    stream.close()  # once more hurts nobody


def test_a_link_that_has_ended_is_told_by_reading(pair: tuple[Stream, socket.socket]) -> None:
    stream, theirs = pair
    theirs.close()
    stream.send(b"into the void")
    assert stream.flush()  # there is nobody to wait for
    assert stream.take() is None
    assert stream.lends
    assert stream.recv(1) == b""


def test_the_librarys_client_speaks_through_the_stream_and_acknowledges_in_one_piece() -> None:
    """It is asked for a socket by a method of the library's own; a new version may ask by another name."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        broker = Broker("127.0.0.1", listener.getsockname()[1], version="3.1.1")
        client = new_client(StreamingClient, broker, None)
        client.manual_ack_set(True)
        client.on_socket_register_write = lambda *_: None
        connect(client, broker)
        theirs, _ = listener.accept()
        with theirs:
            theirs.settimeout(10)
            stream = client.socket()
            assert isinstance(stream, Stream)
            client.loop_write()
            stream.flush()
            assert theirs.recv(1000)[0] == 0x10  # CONNECT, section 3.1
            for number in (1, 2, 3):
                client.ack(number, 1)
            client.loop_write()
            assert stream.flush()
            assert theirs.recv(1000) == b"".join(PUBACK + number.to_bytes(2, "big") for number in (1, 2, 3))
            client.disconnect()
            client.loop_write()
            assert theirs.recv(1000)[0] == 0xE0  # DISCONNECT, section 3.14
