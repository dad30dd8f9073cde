"""The register server against plain sockets, on both kinds of event loop.

Wire facts are those of MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3 and MODBUS Application
Protocol Specification V1.1b3; what closes a connection follows field practice (common practice, no source).
"""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from ipaddress import ip_network
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import structlog

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.access import Access, Right, Rule
from aggregator.core.account import Accounts
from aggregator.core.outbox import Outbox
from aggregator.core.refusals import Refusals, Refused
from aggregator.core.site import Site
from aggregator.modbus_server import A_TURN, HALF_A_REQUEST, CannotListen, ClientLimits, ModbusServer

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Served

READ_TEST_BLOCK = bytes.fromhex("04 00 28 00 04")  # four input registers from 40
TEST_BLOCK = bytes.fromhex("04 08 12 34 FF FE 12 34 56 78")  # 0x1234, -2, 0x12345678: the map declares them
SCRATCH = 9000


def requests(count: int) -> list[bytes]:
    """Requests that each have another right answer: scratch writes and reads of the test block, in turn."""
    writes = [struct.pack(">BHH", 6, SCRATCH, value) for value in range(count)]
    return [write if at % 2 else READ_TEST_BLOCK for at, write in enumerate(writes)]


def right_answer(pdu: bytes) -> bytes:
    return pdu if pdu[0] == 6 else TEST_BLOCK  # a single write is echoed (V1.1b3 section 6.6)


def answers_right(client: Caller, pdus: list[bytes], tids: list[int]) -> bool:
    got = [client.answer() for _ in pdus]
    return got == [(tid, 1, right_answer(pdu)) for tid, pdu in zip(tids, pdus, strict=True)]


def test_pipelined_requests_are_each_answered_once_in_order_with_their_own_transaction_id(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    client = caller(served().port)
    pdus, tids = requests(50), random.Random(5).sample(range(65536), 50)
    client.sock.sendall(b"".join(client.frame(tid, pdu) for tid, pdu in zip(tids, pdus, strict=True)))
    assert answers_right(client, pdus, tids)
    assert client.ask(bytes.fromhex("03 23 28 00 01")) == bytes.fromhex("03 02 00 31")  # the last write, 49
    client.sock.settimeout(0.2)
    with pytest.raises(TimeoutError):
        client.answer()  # and not one answer more


@pytest.mark.parametrize("portion", [1, 5, 7, 11, 13, 18])
def test_requests_may_come_in_any_portions(
    portion: int, served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    client = caller(served().port)
    client.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    pdus, tids = requests(12), list(range(100, 112))
    stream = b"".join(client.frame(tid, pdu) for tid, pdu in zip(tids, pdus, strict=True))
    for at in range(0, len(stream), portion):
        client.sock.sendall(stream[at : at + portion])
    assert answers_right(client, pdus, tids)


def test_a_request_and_a_half_answers_the_whole_one_and_waits_for_the_rest(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    client = caller(served().port)
    second = client.frame(2, READ_TEST_BLOCK)
    client.sock.sendall(client.frame(1, READ_TEST_BLOCK) + second[:6])
    assert client.answer() == (1, 1, TEST_BLOCK)
    client.sock.sendall(second[6:])
    assert client.answer() == (2, 1, TEST_BLOCK)


GARBAGE = {
    "protocol 1": bytes.fromhex("00 01 00 01 00 06 01 04 00 28 00 04"),
    "length 0": bytes.fromhex("00 01 00 00 00 00 01 04 00 28 00 04"),
    "length 1": bytes.fromhex("00 01 00 00 00 01 01 04 00 28 00 04"),
    "length 255": bytes.fromhex("00 01 00 00 00 FF 01 04 00 28 00 04"),
    "length 65535": bytes.fromhex("00 01 00 00 FF FF 01 04 00 28 00 04"),
    "a web browser": b"GET / HTTP/1.1\r\nHost: gateway\r\n\r\n",
    "TLS": bytes.fromhex("16 03 01 02 00 01 00 01 FC 03 03"),
    "noise": bytes(random.Random(15).randbytes(300)),
}


@pytest.mark.parametrize("garbage", GARBAGE.values(), ids=GARBAGE.keys())
def test_what_cannot_be_modbus_closes_that_connection_alone_with_one_line(
    garbage: bytes, served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    port = served().port
    good, bad = caller(port), caller(port)
    assert good.ask(READ_TEST_BLOCK) == bad.ask(READ_TEST_BLOCK) == TEST_BLOCK
    own_name = "{}:{}".format(*bad.sock.getsockname())
    with structlog.testing.capture_logs() as log:
        bad.sock.sendall(good.frame(7, READ_TEST_BLOCK) + garbage)
        assert bad.answer() == (7, 1, TEST_BLOCK)  # what came before the garbage is answered
        assert bad.is_closed()
        assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert [(line["event"], line["log_level"]) for line in log] == [("connection closed", "warning")]
    assert log[0]["client"] == own_name
    assert "header" in log[0]["reason"]


def test_every_length_the_guide_allows_is_taken(served: Callable[..., Served], caller: Callable[[int], Caller]) -> None:
    """MB-T4: length counts unit id and PDU, 2 to 254. Computed from the guide's section 3.1.3."""
    client = caller(served().port)
    for size in (1, 2, 252, 253):
        assert client.ask(bytes([0x41]) * size) == bytes.fromhex("C1 01")  # no such function (V1.1b3 section 7)


def test_the_longest_idle_client_makes_room_for_a_new_one(
    served: Callable[..., Served], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    house = served(ClientLimits(clients=3))
    first, second, third = (caller(house.port) for _ in range(3))

    def let_time_pass() -> None:  # some loops count it in whole milliseconds
        before = house.call(house.server.time)
        until(lambda: house.call(house.server.time) > before)

    for client in (second, third, first):
        let_time_pass()
        client.ask(READ_TEST_BLOCK)
    fourth = caller(house.port)
    assert fourth.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert second.is_closed()
    assert first.ask(READ_TEST_BLOCK) == third.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert house.call(lambda: len(house.server.clients)) == 3


def test_those_who_have_never_asked_make_room_before_any_who_has(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    """A crowd of connections within one polling interval: nobody in it may cost the one who polls its place."""
    house = served(ClientLimits(clients=4))
    polling = caller(house.port)
    assert polling.ask(READ_TEST_BLOCK) == TEST_BLOCK
    crowd = [caller(house.port) for _ in range(20)]
    assert all(each.is_closed() for each in crowd[:-3])
    assert polling.ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert {each.ask(READ_TEST_BLOCK) for each in crowd[-3:]} == {TEST_BLOCK}


def test_a_client_that_stopped_reading_is_closed_when_its_time_is_up(
    served: Callable[..., Served], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    """One whose cable was pulled amid its answers looks so: they wait, and nothing is read from it meanwhile."""
    house = served(ClientLimits(idle=600.0))
    deaf = caller(house.port)
    deaf.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    deaf.sock.settimeout(0.3)
    wave = b"".join(deaf.frame(tid, bytes.fromhex("04 00 28 00 28")) for tid in range(500))
    with contextlib.suppress(TimeoutError):
        while True:
            deaf.sock.sendall(wave)
    good = caller(house.port)
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK

    def let_time_pass() -> None:
        house.call(lambda: house.server.close_idle(next(iter(house.server.clients)).last_heard + 600.0))

    def make_good_newer() -> None:
        list(house.server.clients)[-1].last_heard += 600.0

    house.call(make_good_newer)
    let_time_pass()
    until(lambda: house.call(lambda: len(house.server.clients)) == 1)
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_a_block_read_runs_over_gaps_and_not_past_the_end(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    """Function 03 or 04 alike; outside every block 02 (V1.1b3 section 7), though what is inside be asked for too."""
    client = caller(served().port)
    for function in (3, 4):
        whole = client.ask(struct.pack(">BHH", function, 100, 32))  # two meters of 16
        assert whole[:2] == bytes((function, 64))
        assert client.ask(struct.pack(">BHH", function, 100, 33)) == bytes((function | 0x80, 2))
        assert client.ask(struct.pack(">BHH", function, 99, 2)) == bytes((function | 0x80, 2))


def test_a_silent_client_is_closed_when_its_time_is_up_and_no_other(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    house = served(ClientLimits(idle=600.0))
    silent, talking = caller(house.port), caller(house.port)
    silent.ask(READ_TEST_BLOCK)
    began = house.call(house.server.time)
    talking.ask(READ_TEST_BLOCK)
    house.call(lambda: house.server.close_idle(began + 599.0))
    assert silent.ask(READ_TEST_BLOCK) == talking.ask(READ_TEST_BLOCK) == TEST_BLOCK

    def make_older() -> None:
        oldest = next(iter(house.server.clients))
        oldest.last_heard -= 600.0
        house.server.close_idle(house.server.time())

    house.call(make_older)
    assert silent.is_closed()
    assert talking.ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_a_clients_seconds_are_its_own_however_fast_the_clock_of_the_site_runs(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    house = served(ClientLimits(idle=600.0))
    house.server.speed = 60.0
    client = caller(house.port)
    client.ask(READ_TEST_BLOCK)
    heard = next(iter(house.server.clients)).last_heard
    house.call(lambda: house.server.close_idle(heard + 60 * 599.0))
    assert client.ask(READ_TEST_BLOCK) == TEST_BLOCK
    heard = next(iter(house.server.clients)).last_heard
    house.call(lambda: house.server.close_idle(heard + 60 * 601.0))
    assert client.is_closed()


def test_the_idle_watch_runs_by_itself(served: Callable[..., Served], caller: Callable[[int], Caller]) -> None:
    house = served(ClientLimits(idle=0.5))
    assert caller(house.port).is_closed()


def test_an_unfinished_request_costs_its_client_the_connection(
    served: Callable[..., Served], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    house = served()
    house.call(house.server._sweeper.cancel)  # the looks below are the only ones
    half, idle = caller(house.port), caller(house.port)
    idle.ask(READ_TEST_BLOCK)
    half.sock.sendall(half.frame(1, READ_TEST_BLOCK)[:9])
    until(lambda: any(house.call(lambda: [c.conversation.waits_for_more for c in house.server.clients])))
    began = house.call(house.server.time)
    house.call(lambda: house.server.close_idle(began))
    half.sock.sendall(half.frame(1, READ_TEST_BLOCK)[9:10])  # one byte more is no request either
    with structlog.testing.capture_logs() as log:
        house.call(lambda: house.server.close_idle(began + HALF_A_REQUEST))
        assert half.is_closed()
    assert [line["event"] for line in log] == ["connection closed"]
    assert "unfinished" in log[0]["reason"]
    assert idle.ask(READ_TEST_BLOCK) == TEST_BLOCK


def test_requests_that_come_in_pieces_are_no_unfinished_request(
    served: Callable[..., Served], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    """A client whose every look of the idle watch falls into the middle of another request is only slow."""
    house = served()
    house.call(house.server._sweeper.cancel)  # the looks below are the only ones
    client = caller(house.port)
    frame = client.frame(1, READ_TEST_BLOCK)
    began = house.call(house.server.time)
    client.sock.sendall(frame[:9])
    for step in range(1, 5):
        until(lambda: any(house.call(lambda: [c.conversation.waits_for_more for c in house.server.clients])))
        house.call(lambda step=step: house.server.close_idle(began + step * 0.6 * HALF_A_REQUEST))  # type: ignore[misc]
        client.sock.sendall(frame[9:] + frame[:9])
        assert client.answer() == (1, 1, TEST_BLOCK)


def test_a_port_scan_floods_no_log(served: Callable[..., Served], caller: Callable[[int], Caller]) -> None:
    port = served().port
    with structlog.testing.capture_logs() as log:
        for _ in range(50):
            scanner = caller(port)
            scanner.sock.sendall(b"GET / HTTP/1.0\r\n\r\n")
            assert scanner.is_closed()
    assert len([line for line in log if line["event"] == "connection closed"]) == 1


def test_a_client_with_thousands_of_requests_at_once_takes_turns_with_the_others(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    house = served()
    greedy = caller(house.port)
    greedy.ask(READ_TEST_BLOCK)
    wave = b"".join(greedy.frame(tid, READ_TEST_BLOCK) for tid in range(20_000))

    def receive_all_at_once() -> int:
        client = next(iter(house.server.clients))
        before = client.conversation.requests
        client.data_received(wave)
        return client.conversation.requests - before

    assert 0 < house.call(receive_all_at_once) <= A_TURN // 12  # a read request has 12 bytes
    good = caller(house.port)
    tids: list[int] = []
    for _ in range(100):
        assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK
        tids += [greedy.answer()[0] for _ in range(200)]
    assert tids == list(range(20_000))


def test_a_client_that_never_reads_holds_up_nobody(
    served: Callable[..., Served], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> None:
    house = served()
    deaf, good = caller(house.port), caller(house.port)
    deaf.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    deaf.sock.settimeout(0.3)
    wave = b"".join(deaf.frame(tid, bytes.fromhex("04 00 28 00 28")) for tid in range(500))

    def flood() -> None:
        for _ in range(20_000):
            deaf.sock.sendall(wave)

    with pytest.raises(TimeoutError):  # its requests pile up in front of the server, not inside it
        flood()
    assert good.ask(READ_TEST_BLOCK) == TEST_BLOCK
    held = house.call(lambda: max(c._transport.get_write_buffer_size() for c in house.server.clients))
    assert held < 500_000


def test_many_idle_connections_cost_the_others_nothing(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    house = served(ClientLimits(clients=300, per_host=300))
    idle = [caller(house.port) for _ in range(200)]
    busy = [caller(house.port) for _ in range(4)]

    def ask_often(each: Caller) -> list[bytes]:
        return [each.ask(READ_TEST_BLOCK) for _ in range(200)]

    with ThreadPoolExecutor(4) as threads:
        asked = [threads.submit(ask_often, each) for each in busy]
        assert all(answer == TEST_BLOCK for each in asked for answer in each.result(30))
    assert {each.ask(READ_TEST_BLOCK) for each in idle} == {TEST_BLOCK}


def test_a_unit_that_is_not_declared_answers_that_it_does_not_respond(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    """Exception 0B (V1.1b3 section 7); 0 and 255 are the first device (guide section 4.4.1.3, from memory)."""
    client = caller(served().port)
    assert client.ask(READ_TEST_BLOCK, unit=7) == bytes.fromhex("84 0B")
    assert client.ask(READ_TEST_BLOCK, unit=0) == client.ask(READ_TEST_BLOCK, unit=255) == TEST_BLOCK


def test_a_host_that_opens_too_many_connections_loses_its_own_longest_idle_one(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    house = served(ClientLimits(per_host=2))
    first, second, third = (caller(house.port) for _ in range(3))
    assert first.is_closed()
    assert second.ask(READ_TEST_BLOCK) == third.ask(READ_TEST_BLOCK) == TEST_BLOCK


READ_ONLY = Access.for_all(Right.READ)


def test_who_may_only_read_writes_nothing_and_reads_on(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    """Exception 01, MODBUS/TCP Security v21 (from memory)."""
    client = caller(served(access=READ_ONLY).port)
    for write in ("06 23 28 00 07", "05 00 64 FF 00", "10 23 28 00 01 02 00 07", "0F 00 64 00 01 01 01", "05 FF"):
        function = int(write[:2], 16)
        assert client.ask(bytes.fromhex(write)) == bytes([function | 0x80, 1])
    assert client.ask(bytes.fromhex("03 23 28 00 01")) == bytes.fromhex("03 02 00 00")
    assert client.ask(bytes.fromhex("01 00 64 00 01")) == bytes.fromhex("01 01 00")


@pytest.mark.parametrize("rules", [(), ("192.0.2.0/24", "198.51.100.7/32")])
def test_a_client_of_a_network_that_may_not_connect_is_closed_at_once(
    rules: tuple[str, ...], served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    access = Access(Rule(ip_network(each), Right.READ) for each in rules)
    house = served(access=access)
    with structlog.testing.capture_logs() as log:
        clients = [caller(house.port) for _ in range(5)]
        assert all(each.is_closed() for each in clients)
    assert [(line["log_level"], line["reason"]) for line in log] == [("warning", "its network may not connect")]
    assert house.call(lambda: len(house.server.clients)) == 0


@pytest.mark.parametrize("host", ["127.0.0.1", "0.0.0.0", "::1"])
async def test_the_programs_own_poll_is_answered_whoever_may_connect(site: Callable[..., Path], host: str) -> None:
    clock = Clock()
    small = Site(load(site()).declared, clock.now())
    server = ModbusServer(small.units(), clock, ClientLimits(clients=1), Access([]), Accounts(small.refusals))
    await server.start(host, 0)
    try:
        assert await server.answers_itself(5.0)
    finally:
        await server.stop()


def test_a_host_over_its_pace_is_answered_later_and_nobody_else(
    served: Callable[..., Served], caller: Callable[..., Caller]
) -> None:
    house = served(ClientLimits(rate=50))
    greedy, same = caller(house.port), caller(house.port)
    began = time.monotonic()
    greedy.sock.sendall(b"".join(greedy.frame(tid, READ_TEST_BLOCK) for tid in range(100)))
    assert [greedy.answer() for _ in range(100)] == [(tid, 1, TEST_BLOCK) for tid in range(100)]
    took = time.monotonic() - began
    assert took > 0.8  # 50 at once, 50 more at 50 a second, the last few of them in one turn
    assert same.ask(READ_TEST_BLOCK) == TEST_BLOCK  # of the same host: it shares the pace, and is answered
    assert house.site.refusals.counts[Refused.PACE] > 0
    other = caller(house.port, "127.0.0.2")  # another host
    greedy.sock.sendall(b"".join(greedy.frame(tid, READ_TEST_BLOCK) for tid in range(50)))
    began = time.monotonic()
    assert [other.ask(READ_TEST_BLOCK) for _ in range(20)] == [TEST_BLOCK] * 20
    assert time.monotonic() - began < 0.9
    assert [greedy.answer()[0] for _ in range(50)] == list(range(50))


def test_a_request_in_two_halves_is_answered_at_any_pace(
    served: Callable[..., Served], caller: Callable[[int], Caller]
) -> None:
    client = caller(served(ClientLimits(rate=1000)).port)
    for cut in range(1, 12):
        frame = client.frame(cut, READ_TEST_BLOCK)
        client.sock.sendall(frame[:cut])
        client.sock.sendall(frame[cut:])
        assert client.answer() == (cut, 1, TEST_BLOCK)


def test_what_is_refused_is_counted_by_kind(served: Callable[..., Served], caller: Callable[..., Caller]) -> None:
    house = served(ClientLimits(per_host=2), access=Access([Rule(ip_network("127.0.0.1"), Right.READ)]))
    for _ in range(3):
        assert caller(house.port, "127.0.0.2").is_closed()
    first, second = caller(house.port), caller(house.port)
    assert second.ask(bytes.fromhex("06 23 28 00 07")) == b"\x86\1"
    assert caller(house.port).ask(READ_TEST_BLOCK) == TEST_BLOCK
    assert first.is_closed()
    second.sock.sendall(b"GET / HTTP/1.1\r\n\r\n")
    assert second.is_closed()
    assert house.call(lambda: dict(house.site.refusals.counts)) == {
        Refused.NETWORK: 3,
        Refused.WRITE: 1,
        Refused.CROWD: 1,
        Refused.HEADER: 1,
    }
    [account] = house.call(lambda: list(house.server.accounts))
    assert (account.host, account.connected, account.connections) == ("127.0.0.1", 3, 1)


async def test_a_port_that_is_taken_is_named_with_the_cure(port: int) -> None:
    with socket.create_server(("127.0.0.1", port)):
        server = ModbusServer([None] * 256, Clock(), ClientLimits(), READ_ONLY, Accounts(Refusals(Outbox())))
        with pytest.raises(CannotListen, match=f"127.0.0.1:{port}: another program listens there.*site.yaml"):
            await server.start("127.0.0.1", port)
