"""Real peers around a real service: a broker process, a service process, plain sockets, and a small site for them.

The small site has `meters` meters (FT-101, FT-102, ...) of one model at input registers 100, 116, ... of unit 1:

    +0 status  +1 age  +2 flow float32  +4 volume float64  +8 pair uint32  +10 quad uint64  +14 status of pair
    +15 status of quad                             coil 100, 101, ... under test; discrete 100, 108, ... stale, bad

`pair` and `quad` are numbers whose halves can be made to agree, so that a torn read shows. The gateway block stands at
0, the test block at input 40, holding 9000, discrete 0 and coil 0.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import os
import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import paho.mqtt.client as mqtt
import pytest
import uvloop
from paho.mqtt.enums import CallbackAPIVersion

from aggregator.clock import Clock
from aggregator.config import load
from aggregator.core.site import Site
from aggregator.modbus_server import ClientLimits, ModbusServer

T = TypeVar("T")
PROFILE = """\
profile: gas-point
title: Gas flow meter
fields:
  flow: {unit: m3/h, range: 0 .. 1000}
  volume: {unit: m3}
  pair: {unit: "-", range: 0 .. 2147483647, optional: yes}
  quad: {unit: "-", range: 0 .. 4611686018427387904, optional: yes}
payloads:
  - port: 2
    binary: {items: [{field: flow, at: 0, as: uint16, scale: 0.1}, {field: volume, at: 2, as: uint32}]}
"""
LAYOUT = """\
layouts:
  gas-point:
    input:
      0: status
      1: age
      2: {field: flow, as: float32}
      4: {field: volume, as: float64}
      8: {field: pair, as: uint32}
      10: {field: quad, as: uint64}
      14: {status_of: pair}
      15: {status_of: quad}
    discrete: {0: stale, 1: bad}
    coil: {0: under_test}
devices:
  - unit: 1
    gateway_block: 0
    test_block: {input: 40, holding: 9000, discrete: 0, coil: 0}
    place:
      - layout: gas-point
        input: {from: 100, every: 16}
        discrete: {from: 100, every: 8}
        coil: {from: 100, every: 1}
        meters: [%s]
"""
UPLINKS = """\
uplinks:
  - topic: lns/alder-fen/+/up
    node: /device/eui
    counter: /frame/counter
    port: /frame/port
    received: /received_at
    fields: /decoded
    payload: {at: /frame/data, as: base64}
  - topic: radio/alder-fen/+/up
    node: /from
    counter: /seq
    port: /port
    received: /heard
    payload: {at: /bytes, as: hex}
"""


def node_of(meter: int) -> str:
    """The DevEUI on the meter at this place of the small site, counted from 0."""
    return f"0a1def00000001{meter + 1:02x}"


@pytest.fixture
def until() -> Callable[..., Any]:
    """Wait until something is the case: `until(lambda: ..., within=10)`; returns it, fails after the deadline."""

    def wait(condition: Callable[[], T], within: float = 15.0, what: str = "the condition") -> T:
        deadline = time.monotonic() + within
        while True:
            found = condition()
            if found:
                return found
            if time.monotonic() > deadline:
                pytest.fail(f"{what} did not come within {within:g} s; last seen: {found!r}")
            time.sleep(0.02)

    return wait


_ports = itertools.count(10_000 + os.getpid() * 97 % 20_000)


def free_port() -> int:
    """A port below those the system gives to outgoing connections, so that none of these takes it meanwhile."""
    for port in _ports:
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError


@pytest.fixture
def port() -> int:
    """A port that nobody listens on."""
    return free_port()


@pytest.fixture
def site(tmp_path: Path) -> Callable[..., Path]:
    """Write the small site: `site(broker=1883, meters=2, extra="  version: 3.1.1")`; returns its folder.

    `extra` is more lines under `broker:`, `listener` more keys of the listener, such as `clients: 3`.
    """

    def write(
        broker: int = 9,
        meters: int = 2,
        extra: str = "",
        listener: str = "",
        *,
        client: str = "alder-fen-test",
        tcp: str = "127.0.0.1:0",
        name: str = "site",
        stale_after: str = "40 min",
        keepalive: int = 15,
    ) -> Path:
        folder = tmp_path / name
        (folder / "profiles").mkdir(parents=True, exist_ok=True)
        (folder / "profiles" / "gas-point.yaml").write_text(PROFILE)
        tags = [f"FT-{101 + at}" for at in range(meters)]
        lines = [
            f"  - {{tag: {tag}, name: Point {tag}, profile: gas-point, node: {node_of(at)}}}"
            for at, tag in enumerate(tags)
        ]
        defaults = f"defaults: {{reports_every: 15 min, stale_after: {stale_after}}}\nmeters:\n"
        (folder / "meters.yaml").write_text(defaults + "\n".join(lines) + "\n")
        (folder / "map.yaml").write_text(LAYOUT % ", ".join(tags))
        (folder / "site.yaml").write_text(
            f"site: Alder Fen biogas works\nbroker:\n  host: 127.0.0.1\n  port: {broker}\n  client: {client}\n"
            f"  keepalive: {keepalive} s\n{extra}\n{UPLINKS}"
            f"listeners:\n  - tcp: {tcp}\n" + (f"    {listener}\n" if listener else "")
        )
        return folder

    return write


@pytest.fixture
def uplink() -> Callable[..., bytes]:
    """One uplink of the small site: `uplink(counter=1, meter=0, flow=12.5, volume=7)`; `ago` s since the network."""

    def build(counter: int, meter: int = 0, ago: float = 0.0, **decoded: object) -> bytes:
        message = {
            "device": {"eui": node_of(meter)},
            "frame": {"counter": counter, "port": 2},
            "received_at": time.time() - ago,
            "decoded": decoded or {"flow": 12.5, "volume": 1000},
        }
        return json.dumps(message).encode()

    return build


@dataclass
class Caller:
    """A Modbus/TCP client of nothing but a socket: what is sent and what comes back is exactly what stands here."""

    sock: socket.socket
    _next: itertools.count[int] = field(default_factory=lambda: itertools.count(1))

    @classmethod
    def to(cls, port: int) -> Caller:
        return cls(socket.create_connection(("127.0.0.1", port), timeout=10))

    @staticmethod
    def frame(tid: int, pdu: bytes, unit: int = 1) -> bytes:
        return struct.pack(">HHHB", tid, 0, len(pdu) + 1, unit) + pdu

    def answer(self) -> tuple[int, int, bytes]:
        """The next answer: transaction id, unit id, PDU."""
        tid, protocol, length, unit = struct.unpack(">HHHB", self._exactly(7))
        assert protocol == 0
        return tid, unit, self._exactly(length - 1)

    def ask(self, pdu: bytes, unit: int = 1) -> bytes:
        """Send one request and take its answer's PDU."""
        tid = next(self._next) & 0xFFFF
        self.sock.sendall(self.frame(tid, pdu, unit))
        answered, answered_unit, answer = self.answer()
        assert (answered, answered_unit) == (tid, unit)
        return answer

    def registers(self, start: int, count: int, unit: int = 1) -> tuple[int, ...]:
        """Input registers."""
        answer = self.ask(struct.pack(">BHH", 4, start, count), unit)
        assert answer[0] == 4, answer.hex()
        return struct.unpack(f">{count}H", answer[2:])

    def is_closed(self) -> bool:
        """Whether the other end has ended the connection, everything before that read away."""
        try:
            while self.sock.recv(65536):
                pass
        except ConnectionError:
            return True
        except TimeoutError:
            return False
        return True

    def figure(self, name: str) -> int:
        """A figure of the gateway block; offsets as README.md promises them."""
        offset, size = FIGURES[name]
        words = self.registers(offset, size)
        return words[0] if size == 1 else words[0] << 16 | words[1]

    def _exactly(self, size: int) -> bytes:
        data = b""
        while len(data) < size:
            more = self.sock.recv(size - len(data))
            if not more:
                raise ConnectionError(f"closed after {len(data)} of {size} bytes")
            data += more
        return data


FIGURES = {
    "heartbeat": (0, 1),
    "state": (1, 1),
    "meters_good": (7, 1),
    "uplinks_accepted": (16, 2),
    "uplinks_duplicate": (18, 2),
    "uplinks_late": (20, 2),
    "uplinks_rejected": (22, 2),
    "last_uplink_age": (26, 2),
}


@pytest.fixture
def caller() -> Iterator[Callable[[int], Caller]]:
    """Connect a plain Modbus/TCP client to a port; closed at the end."""
    callers: list[Caller] = []

    def connect(port: int) -> Caller:
        callers.append(Caller.to(port))
        return callers[-1]

    yield connect
    for each in callers:
        each.sock.close()


@pytest.fixture
def command() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run `aggregator` with some arguments to its end, in a process of its own: `command("export", folder)`."""

    def run(*arguments: str | Path, environment: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
        line = [sys.executable, "-m", "aggregator", *map(str, arguments)]
        variables = {**os.environ, "COLUMNS": "200", **(environment or {})}
        ended = subprocess.run(line, capture_output=True, text=True, timeout=60, check=False, env=variables)
        assert "Traceback" not in ended.stderr, ended.stderr
        return ended

    return run


@dataclass
class Service:
    """A service process of its own, its log in a file of JSON lines."""

    process: subprocess.Popen[bytes]
    log_file: Path
    port: int = 0

    def log(self, event: str | None = None) -> list[dict[str, Any]]:
        """The log's lines so far, or those of one event."""
        text = self.log_file.read_text()
        lines = [json.loads(line) for line in text.splitlines() if text.endswith("\n") or line.endswith("}")]
        return [line for line in lines if event is None or line["event"] == event]

    def stop(self, within: float = 10.0) -> int:
        """SIGTERM, and the exit code."""
        self.process.terminate()
        return self.process.wait(within)

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        self.process.kill()
        self.process.wait(10)


@pytest.fixture
def service(tmp_path: Path, until: Callable[..., Any]) -> Iterator[Callable[..., Service]]:
    """Run a site folder in a process of its own: `service(folder, environment={...})`. Returns once it listens."""
    running: list[Service] = []

    def run(folder: Path, environment: dict[str, str] | None = None) -> Service:
        log_file = tmp_path / f"service-{len(running)}.log"
        with log_file.open("wb") as log:
            command = [sys.executable, "-m", "aggregator", "run", str(folder), "--log", "json"]
            process = subprocess.Popen(command, stderr=log, stdout=log, env={**os.environ, **(environment or {})})
        started = Service(process, log_file)
        running.append(started)
        until(lambda: started.log("listening") or process.poll() is not None, 20, "the service's listener")
        assert process.poll() is None, log_file.read_text()
        started.port = int(started.log("listening")[0]["modbus_tcp"].rpartition(":")[2])
        return started

    yield run
    for each in running:
        if each.process.poll() is None:
            each.kill()
    for each in running:  # whatever a test did to the service, it must not have brought it to a defect
        assert "Traceback" not in each.log_file.read_text()
        assert "a defect of this program" not in each.log_file.read_text()


@dataclass
class Broker:
    """A mosquitto process with a folder and a configuration file of its own."""

    program: str
    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and return once it takes connections."""
        command = [self.program, "-c", str(self.folder / "broker.conf")]
        with (self.folder / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        deadline = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                running = self.process.poll() is None and time.monotonic() < deadline
                assert running, (self.folder / "broker.log").read_text()
                time.sleep(0.02)
            else:
                return

    def subscriptions(self, client: str = "alder-fen-test") -> int:
        """How often a client has subscribed to the small site's first topic, by the broker's own log."""
        return (self.folder / "broker.log").read_text().count(f"{client} 1 lns/alder-fen/+/up")

    def signal(self, number: int) -> None:
        assert self.process
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it at once, as a power cut does."""
        assert self.process
        self.process.kill()
        self.process.wait(10)

    def publisher(self, user: str | None = None, password: str | None = None) -> Publisher:
        return Publisher(self.port, user, password)


class Publisher:
    """What publishes uplinks; each `send` returns once the broker has acknowledged."""

    def __init__(self, port: int, user: str | None = None, password: str | None = None) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self.client.max_inflight_messages_set(200)
        self.client.username_pw_set(user, password)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def send(self, *messages: bytes, topic: str = "lns/alder-fen/node/up", retain: bool = False) -> None:
        sent = [self.client.publish(topic, each, qos=1, retain=retain) for each in messages]
        for each in sent:
            each.wait_for_publish(30)
            assert each.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def broker(tmp_path: Path, peer: dict[str, str]) -> Iterator[Callable[..., Broker]]:
    """Start a broker: `broker("allow_anonymous true", ...)`, its lines of configuration; anonymous by default."""
    started: list[Broker] = []

    def start(*lines: str, listener: Sequence[str] = ()) -> Broker:
        folder = tmp_path / f"broker-{len(started)}"
        folder.mkdir()
        port = free_port()
        mine = ["per_listener_settings false", "set_tcp_nodelay true", "max_queued_messages 100000"]
        mine += ["user root"] if os.geteuid() == 0 else []
        mine += [f"log_type {kind}" for kind in ("error", "warning", "notice", "information", "subscribe")]
        mine += lines or ("allow_anonymous true",)
        mine += [f"persistence_location {folder}/", f"listener {port} 127.0.0.1", *listener]
        (folder / "broker.conf").write_text("\n".join(mine) + "\n")
        started.append(Broker(peer["mosquitto"], folder, port))
        started[-1].start()
        return started[-1]

    yield start
    for each in started:
        if each.process and each.process.poll() is None:
            each.kill()


@pytest.fixture
def publisher() -> Iterator[Callable[[Broker], Publisher]]:
    """Connect a publisher to a broker; disconnected at the end."""
    connected: list[Publisher] = []

    def connect(to: Broker, user: str | None = None, password: str | None = None) -> Publisher:
        connected.append(to.publisher(user, password))
        return connected[-1]

    yield connect
    for each in connected:
        each.close()


@dataclass
class Rig:
    """A broker, the service on it, and both ends of what runs through them."""

    broker: Broker
    service: Service
    client: Caller
    publisher: Publisher
    folder: Path

    def accepted(self) -> int:
        return self.client.figure("uplinks_accepted")

    def connected(self) -> bool:
        """Whether the registers say that the broker is connected: bit 0 of the gateway's state."""
        return bool(self.client.figure("state") & 1)


@pytest.fixture
def rig(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    publisher: Callable[..., Publisher],
    until: Callable[..., Any],
) -> Callable[..., Rig]:
    """A whole road, ready when the subscription stands: `rig("persistence true", version="3.1.1", meters=2)`."""

    def build(*lines: str, version: str = "5", extra: str = "", **keys: Any) -> Rig:
        there = broker(*lines)
        folder = site(there.port, extra=f'  version: "{version}"\n{extra}', **keys)
        running = service(folder)
        until(there.subscriptions, what="the subscription")
        return Rig(there, running, caller(running.port), publisher(there), folder)

    return build


@dataclass
class Served:
    """A register server in this process, on a loop in a thread of its own, over a site that can be reached into."""

    loop: asyncio.AbstractEventLoop
    server: ModbusServer
    site: Site

    @property
    def port(self) -> int:
        return self.server.port

    def call(self, function: Callable[[], T]) -> T:
        """Run something on the loop, between two requests, and return what it returns."""
        done: Future[T] = Future()

        def run() -> None:
            try:
                done.set_result(function())
            except BaseException as error:  # noqa: BLE001 - handed to the caller
                done.set_exception(error)

        self.loop.call_soon_threadsafe(run)
        return done.result(30)


@pytest.fixture(params=["asyncio", "uvloop"])
def served(request: pytest.FixtureRequest, site: Callable[..., Path]) -> Iterator[Callable[..., Served]]:
    """Serve the small site in this process on each kind of loop: `served(ClientLimits(clients=3))`."""
    stops: list[tuple[asyncio.AbstractEventLoop, ModbusServer, threading.Thread]] = []

    def serve(limits: ClientLimits = ClientLimits()) -> Served:  # noqa: B008 - frozen
        clock = Clock()
        new_loop = uvloop.new_event_loop if request.param == "uvloop" else asyncio.new_event_loop
        loop = new_loop()
        small = Site(load(site()).declared, clock.now())

        async def start() -> ModbusServer:
            server = ModbusServer(small.units(), clock.now, limits)
            await server.start("127.0.0.1", 0)
            return server

        thread = threading.Thread(target=loop.run_forever, name="served", daemon=True)
        thread.start()
        server = asyncio.run_coroutine_threadsafe(start(), loop).result(10)
        stops.append((loop, server, thread))
        return Served(loop, server, small)

    yield serve
    for loop, server, thread in stops:
        asyncio.run_coroutine_threadsafe(server.stop(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
