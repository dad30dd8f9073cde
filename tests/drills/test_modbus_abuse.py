"""A thousand connections that say nothing, floods, halves and garbage: who polls notices none of it.

The wire facts are those of MODBUS Messaging on TCP/IP Implementation Guide V1.0b section 3.1.3; what clients do to a
register server is common practice, no source.
"""

from __future__ import annotations

import contextlib
import fcntl
import random
import socket
import statistics
import struct
import termios
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.modbus_server import HALF_A_REQUEST

if TYPE_CHECKING:
    from tests.drills.conftest import Life, Pollers
    from tests.edges.caller import Caller

IDLE, HALVES, DEAF = 1000, 50, 3
OTHERS = 5  # three that poll, one that asks in every way, and the one that saw the service start
READ = struct.pack(">BHH", 4, 100, 125)
GARBAGE = (
    bytes.fromhex("00 01 00 01 00 06 01 04 00 64 00 01"),  # protocol 1
    bytes.fromhex("00 01 00 00 00 00 01 04 00 64 00 01"),  # length 0
    bytes.fromhex("00 01 00 00 00 01 01 04 00 64 00 01"),
    bytes.fromhex("00 01 00 00 FF FF 01 04 00 64 00 01"),
    b"GET / HTTP/1.1\r\nHost: gateway\r\n\r\n",
    bytes.fromhex("16 03 01 02 00 01 00 01 FC 03 03"),  # the beginning of a TLS handshake
    random.Random(15).randbytes(2000),
)


def memory(life: Life) -> float:
    """What the service holds, in MB."""
    return int(Path(f"/proc/{life.process.pid}/statm").read_text().split()[1]) * 4096 / 1e6


def connections(port: int) -> int:
    """How many connections a port of this machine has, as its kernel sees them (proc(5), /proc/net/tcp)."""
    rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return sum(row[1].endswith(f":{port:04X}") and row[3] == "01" for row in rows)


def unacknowledged(client: Caller) -> int:
    """Bytes sent that the other end's kernel has not acknowledged (tcp(7), SIOCOUTQ)."""
    return int(struct.unpack("i", fcntl.ioctl(client.sock, termios.TIOCOUTQ, bytes(4)))[0])


def flood(client: Caller) -> None:
    """Send requests, and read no answer, until no more can be sent."""
    client.sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    client.sock.settimeout(0.3)
    wave = b"".join(client.frame(tid, READ) for tid in range(500))
    with contextlib.suppress(TimeoutError):
        while True:
            client.sock.sendall(wave)


def ask_in_every_way(client: Caller) -> None:
    """Fifty at once, byte by byte, and one and a half: each answered once, in order, under its own number."""
    client.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    many = b"".join(client.frame(tid, READ) for tid in range(100, 150))
    client.sock.sendall(many)
    assert [client.answer()[0] for _ in range(50)] == list(range(100, 150))
    for at in range(12):
        client.sock.sendall(client.frame(7, READ)[at : at + 1])
    assert client.answer()[0] == 7
    client.sock.sendall((client.frame(8, READ) + client.frame(9, READ))[:18])
    assert client.answer()[0] == 8
    client.sock.sendall(client.frame(9, READ)[6:])
    assert client.answer()[0] == 9


def test_who_polls_notices_nothing_of_a_thousand_idle_connections_floods_halves_and_garbage(
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    pollers: Callable[..., Pollers],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
    record_property: Callable[[str, object], None],
) -> None:
    folder, port = small(9, listener="clients: 1200\n    clients_per_host: 1200")
    life = live(folder, port)
    polled = pollers(port)
    until(lambda: polled.waits)
    before = memory(life)
    idle = [caller(port) for _ in range(IDLE)]
    halves = [caller(port) for _ in range(HALVES)]
    for at, half in enumerate(halves):
        half.sock.sendall(half.frame(1, READ)[: 1 + at % 11])
    until(lambda: len(idle) + len(halves) <= connections(port), what="all connections")
    full = memory(life)
    for _ in range(DEAF):
        flood(caller(port))
    for bytes_ in GARBAGE:
        bad = caller(port)
        bad.sock.sendall(bytes_)
        assert bad.is_closed()
    ask_in_every_way(caller(port))
    for half in halves:  # a request that is begun and not ended
        half.sock.settimeout(3 * HALF_A_REQUEST)
        assert half.is_closed()
    assert all(each.ask(READ)[:2] == b"\x04\xfa" for each in idle)
    for each in (*idle, *halves):
        each.sock.close()
    until(lambda: connections(port) <= OTHERS + DEAF, what="all connections to be let go")
    said = f"memory {before:.1f} MB, {full:.1f} with {IDLE + HALVES} connections, {memory(life):.1f} after the floods"
    record_property("memory", said)
    print(said)
    polled.stop()
    assert polled.cut == 0
    assert statistics.median(polled.waits) < 0.1


@pytest.mark.parametrize("per_host", [20, 50])
def test_beyond_the_most_connections_the_longest_idle_make_room_and_who_polls_stays(
    per_host: int,
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    pollers: Callable[..., Pollers],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    folder, port = small(9, listener=f"clients: 50\n    clients_per_host: {per_host}")
    life = live(folder, port)
    polled = pollers(port)
    until(lambda: len(polled.waits) > 3)
    first = [caller(port) for _ in range(15)]
    for _ in range(200):
        caller(port)
    assert all(each.is_closed() for each in first)
    assert len(life.events("connection closed")) <= 2  # one line a minute for each host
    seen = len(polled.waits)
    until(lambda: len(polled.waits) > seen + 10)
    polled.stop()
    assert polled.cut == 0


@pytest.mark.parametrize("signs", [b"", b"\0\1\0\0\0\6\1\4"], ids=["between requests", "amid one"])
def test_a_cable_that_was_pulled_is_noticed_when_its_time_is_up(
    signs: bytes,
    small: Callable[..., tuple[Path, int]],
    live: Callable[..., Life],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    """The other end is gone without a word; the kernel is told to drop a connection so, where it lets us."""
    folder, port = small(9, listener="idle: 2 s")
    life = live(folder, port)
    life.client.sock.close()
    pulled = caller(port)
    assert pulled.ask(READ)[:2] == b"\x04\xfa"
    pulled.sock.sendall(signs)
    until(lambda: connections(port) == 1 and unacknowledged(pulled) == 0)  # else the acknowledgement would give it away
    try:
        pulled.sock.setsockopt(socket.IPPROTO_TCP, 19, 1)  # TCP_REPAIR: closed without FIN or RST
    except PermissionError:
        pytest.skip("dropping a connection is not permitted here")
    pulled.sock.close()
    staying = caller(port)
    assert connections(port) == 2  # it still seems to stand

    def let_go() -> bool:
        assert staying.ask(READ)[:2] == b"\x04\xfa"
        return connections(port) == 1

    until(let_go, what="the connection to be let go")
    assert "silent for" in life.events("connection closed")[0]["reason"]
