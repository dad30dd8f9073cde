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
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import pytest
import uvloop

from aggregator.clock import Clock
from aggregator.config.configuration import load
from aggregator.core.access import EVERYTHING, Access
from aggregator.core.account import Accounts
from aggregator.core.functions import Tables
from aggregator.core.site import Site
from aggregator.modbus_server import ClientLimits, ListenerTls, ModbusServer
from tests.edges.broker import Broker, Publisher
from tests.edges.caller import Caller
from tests.edges.libmodbus import build
from tests.nursery import Forked, Nursery

T = TypeVar("T")
ANYBODY = Access.for_all(EVERYTHING)
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

    `extra` is more lines under `broker:`, `listener` more keys of the listener, such as `clients: 3`; `alarms` are
    those of each meter, `groups` more parts of meters.yaml. The file links the first `linked` meters, else all.
    """

    def write(
        broker: int = 9,
        meters: int = 2,
        extra: str = "",
        listener: str = "",
        *,
        client: str = "alder-fen-test",
        tcp: str = "127.0.0.1:0",
        allow: str = "allow: [{from: any, may: [read, command]}]",
        name: str = "site",
        stale_after: str = "40 min",
        keepalive: int = 15,
        alarms: str = "",
        groups: str = "",
        linked: int | None = None,
    ) -> Path:
        folder = tmp_path / name
        (folder / "profiles").mkdir(parents=True, exist_ok=True)
        (folder / "profiles" / "gas-point.yaml").write_text(PROFILE)
        tags = [f"FT-{101 + at}" for at in range(meters)]
        lines = [
            f"  - {{tag: {tag}, name: Point {tag}, profile: gas-point,"
            f"{'' if linked is not None and at >= linked else f' node: {node_of(at)},'} alarms: [{alarms}]}}"
            for at, tag in enumerate(tags)
        ]
        defaults = f"defaults: {{reports_every: 15 min, stale_after: {stale_after}}}\nmeters:\n"
        (folder / "meters.yaml").write_text(defaults + "\n".join(lines) + "\n" + groups)
        (folder / "map.yaml").write_text(LAYOUT % ", ".join(tags))
        (folder / "site.yaml").write_text(
            f"site: Alder Fen biogas works\nbroker:\n  host: 127.0.0.1\n  port: {broker}\n  client: {client}\n"
            f"  keepalive: {keepalive} s\n{extra}\n{UPLINKS}"
            f"listeners:\n  - tcp: {tcp}\n    {allow}\n" + (f"    {listener}\n" if listener else "")
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


@pytest.fixture
def caller() -> Iterator[Callable[..., Caller]]:
    """Connect a plain Modbus/TCP client to a port, from another address of this machine; closed at the end."""
    callers: list[Caller] = []

    def connect(port: int, host: str = "127.0.0.1") -> Caller:
        callers.append(Caller.to(port, host))
        return callers[-1]

    yield connect
    for each in callers:
        each.sock.close()


@pytest.fixture
def command(nursery: Nursery) -> Callable[..., subprocess.CompletedProcess[str]]:
    """Run `aggregator` with some arguments to its end, in a process of its own: `command("export", folder)`."""

    def run(*arguments: str | Path, environment: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
        ended = nursery.command([*map(str, arguments)], {"COLUMNS": "200", **(environment or {})})
        assert "Traceback" not in ended.stderr, ended.stderr
        return ended

    return run


@dataclass
class Service:
    """A service process of its own, its log in a file of JSON lines."""

    process: subprocess.Popen[bytes] | Forked
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
def service(tmp_path: Path, nursery: Nursery, until: Callable[..., Any]) -> Iterator[Callable[..., Service]]:
    """Run a site folder in a process of its own: `service(folder, environment={...})`. Returns once it has started.

    An environment takes an interpreter of its own, for it is what an interpreter starts from.
    """
    running: list[Service] = []

    def begin(folder: Path, log_file: Path, environment: dict[str, str] | None) -> subprocess.Popen[bytes] | Forked:
        if environment is None:
            return nursery.run(folder, log_file)
        with log_file.open("wb") as log:
            command = [sys.executable, "-m", "aggregator", "run", str(folder), "--log", "json"]
            return subprocess.Popen(command, stderr=log, stdout=log, env={**os.environ, **environment})

    def run(folder: Path, environment: dict[str, str] | None = None) -> Service:
        log_file = tmp_path / f"service-{len(running)}.log"
        log_file.touch()
        started = Service(begin(folder, log_file, environment), log_file)
        running.append(started)
        until(lambda: started.log("started") or started.process.poll() is not None, 20, "the service's start")
        assert started.process.poll() is None, log_file.read_text()
        listening = started.log("listening")[0]
        address = listening["modbus_tls"] if "modbus_tls" in listening else listening["modbus_tcp"]
        started.port = int(address.rpartition(":")[2])
        return started

    yield run
    for each in running:
        if each.process.poll() is None:
            each.kill()
    for each in running:  # whatever a test did to the service, it must not have brought it to a defect
        assert "Traceback" not in each.log_file.read_text()
        assert "a defect of this program" not in each.log_file.read_text()


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


@pytest.fixture
def gateway(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> Callable[..., tuple[Service, Caller]]:
    """Run the small site on a broker's port, and connect a client to it: `gateway(1883, extra="  tls: {}")`."""

    def run(broker: int, environment: dict[str, str] | None = None, **keys: Any) -> tuple[Service, Caller]:
        running = service(site(broker, **keys), environment)
        return running, caller(running.port)

    return run


@dataclass
class Rig:
    """A broker, the service on it, and both ends of what runs through them."""

    broker: Broker
    service: Service
    client: Caller
    publisher: Publisher
    folder: Path
    run: Callable[[], tuple[Service, Caller]]  # of the same folder

    def accepted(self) -> int:
        return self.client.figure("uplinks_accepted")

    def connected(self) -> bool:
        """Whether the registers say that the broker is connected: bit 0 of the gateway's state."""
        return bool(self.client.figure("state") & 1)

    def again(self) -> None:
        """Run the service anew, once it has been stopped or killed, with a client of its own."""
        self.service, self.client = self.run()


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

        def run() -> tuple[Service, Caller]:
            running = service(folder)
            return running, caller(running.port)

        running, client = run()
        until(there.subscriptions, what="the subscription")
        return Rig(there, running, client, publisher(there), folder, run)

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
    """Serve the small site in this process on each kind of loop: `served(ClientLimits(clients=3))`.

    `units` is 256 tables of one's own in place of the site's.
    """
    stops: list[tuple[asyncio.AbstractEventLoop, ModbusServer, threading.Thread]] = []

    def serve(
        limits: ClientLimits = ClientLimits(),  # noqa: B008 - frozen
        units: Sequence[Tables | None] | None = None,
        access: Access = ANYBODY,
        tls: ListenerTls | None = None,
    ) -> Served:
        clock = Clock()
        new_loop = uvloop.new_event_loop if request.param == "uvloop" else asyncio.new_event_loop
        loop = new_loop()
        small = Site(load(site()).declared, clock.now())

        async def start() -> ModbusServer:
            server = ModbusServer(units or small.units(), clock, limits, access, Accounts(small.refusals), tls=tls)
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


@pytest.fixture(scope="session")
def program(tmp_path_factory: pytest.TempPathFactory, peer: dict[str, str]) -> Path:
    """The program on libmodbus, built from its source."""
    return build(peer["gcc"], tmp_path_factory.mktemp("libmodbus"))
