"""The broker link against a real broker: logging in, sessions, and what a broker refuses.

What counts is what plant software reads (the gateway block) and what a person finds in the log.
"""

from __future__ import annotations

import json
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from tests.edges.broker import Broker, Publisher
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

VERSIONS = pytest.mark.parametrize("version", ["5", "3.1.1"])
MOSQUITTO = pytest.mark.peer("mosquitto")
PERSISTENT = ("allow_anonymous true", "persistence true", "autosave_interval 1", "autosave_on_changes true")
NEVER_SEEN = 1 << 2 | 3  # the status word's reason and grade (aggregator/core/reading.py)


@MOSQUITTO
@VERSIONS
def test_an_uplink_reaches_the_registers(
    version: str, rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig(version=version)
    road.publisher.send(uplink(1, flow=12.5, volume=1000))
    until(lambda: road.accepted() == 1)
    status, age, *flow = road.client.registers(100, 4)
    assert (status, flow) == (1, [0x4148, 0x0000])  # good; 12.5 is 0x41480000 (IEEE 754-2019 section 3.4)
    assert age < 5
    assert road.connected()


@MOSQUITTO
def test_each_topic_filter_reads_by_its_own_envelope(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig(meters=2)
    payload = struct.pack(">HI", 125, 1000)  # flow in tenths, volume
    packet = {"from": "0A-1D-EF-00-00-00-01-02", "seq": 1, "port": 2, "heard": None, "bytes": payload.hex()}
    road.publisher.send(json.dumps(packet).encode(), topic="radio/alder-fen/tower/up")
    road.publisher.send(uplink(1, flow=12.5, volume=1000), topic="lns/alder-fen/one/up")
    road.publisher.send(uplink(2), topic="lns/another-site/one/up")  # not subscribed to
    until(lambda: road.accepted() == 2)
    assert road.client.registers(100, 8)[2:] == road.client.registers(116, 8)[2:]


@pytest.mark.peer("mosquitto", "mosquitto_pub")
def test_another_programs_uplink_is_taken(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], peer: dict[str, str], until: Callable[..., Any]
) -> None:
    road = rig()
    command = [peer["mosquitto_pub"], "-p", str(road.broker.port), "-q", "1", "-t", "lns/alder-fen/x/up", "-s"]
    subprocess.run(command, input=uplink(1), check=True, timeout=10)
    until(lambda: road.accepted() == 1)


LOGIN = '  version: "%s"\n  user: aggregator\n  password: {environment: ALDER_FEN_PASSWORD}'


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    """The password of user `aggregator` is `red shift`, hashed as mosquitto.conf(5) describes by its own tool."""
    path = tmp_path / "passwords"
    path.write_text("aggregator:red shift\n")
    subprocess.run(["mosquitto_passwd", "-U", str(path)], check=True, timeout=10)
    return path


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
@VERSIONS
def test_a_broker_that_wants_a_password_gets_it_and_nobody_else_does(
    version: str,
    password_file: Path,
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    there = broker("allow_anonymous false", f"password_file {password_file}")
    running, client = gateway(there.port, {"ALDER_FEN_PASSWORD": "red shift"}, extra=LOGIN % version)
    until(lambda: client.figure("state") & 1, what="the log-in")
    assert "red shift" not in running.log_file.read_text()


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
@VERSIONS
def test_a_refused_password_is_said_in_the_log_and_the_service_goes_on(
    version: str,
    password_file: Path,
    broker: Callable[..., Broker],
    gateway: Callable[..., tuple[Service, Caller]],
    until: Callable[..., Any],
) -> None:
    there = broker("allow_anonymous false", f"password_file {password_file}")
    running, client = gateway(there.port, {"ALDER_FEN_PASSWORD": "blue shift"}, extra=LOGIN % version)
    lines = until(lambda: running.log("no broker"))
    assert "refuses the connection" in lines[0]["reason"]
    assert "uthori" in lines[0]["reason"]  # "Not authorized" (MQTT 5 section 3.2.2.2, 3.1.1 section 3.2.2.3)
    assert client.figure("state") & 1 == 0
    assert "blue shift" not in running.log_file.read_text()


@MOSQUITTO
@VERSIONS
def test_uplinks_wait_at_the_broker_while_the_service_is_away(
    version: str, rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    """A session that outlives its connection (MQTT 5 section 3.1.2.11.2, MQTT 3.1.1 section 3.1.2.4)."""
    road = rig(*PERSISTENT, version=version)
    assert road.service.log("broker connected")[0]["session"] == "new"
    road.publisher.send(uplink(1))
    until(lambda: road.accepted() == 1)
    road.service.stop()
    road.publisher.send(*(uplink(counter) for counter in range(2, 52)))
    road.again()
    until(lambda: road.accepted() == 50)
    assert road.service.log("broker connected")[0]["session"] == "resumed"


@MOSQUITTO
@VERSIONS
def test_what_a_killed_service_had_not_acknowledged_comes_again(
    version: str, rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    road = rig(*PERSISTENT, version=version)
    road.publisher.send(*(uplink(counter) for counter in range(1, 21)))
    until(lambda: road.accepted() == 20)
    road.service.process.send_signal(signal.SIGSTOP)  # so that the next lie in its socket when it dies
    road.publisher.send(*(uplink(counter) for counter in range(21, 101)))
    road.service.kill()
    road.again()
    until(lambda: road.accepted() >= 80)


DIES_AT = """
import asyncio, os, sys
from aggregator.mqtt import Broker, BrokerLink
port, version, dies_at, log = int(sys.argv[1]), sys.argv[2], int(sys.argv[3]), open(sys.argv[4], "ab", buffering=0)
taken = 0
def take(topic, payload, retained, *safe):
    global taken
    if taken == dies_at:
        os._exit(9)
    taken += 1
    log.write(payload + b"\\n")
    for each in safe:
        each()
link = BrokerLink(Broker("127.0.0.1", port, version, client="alder-fen-test"), ["lns/alder-fen/+/up"], take, print)
asyncio.run(link.run())
"""


@MOSQUITTO
@VERSIONS
def test_a_message_is_acknowledged_only_once_it_is_taken(
    version: str,
    broker: Callable[..., Broker],
    publisher: Callable[..., Publisher],
    tmp_path: Path,
    until: Callable[..., Any],
) -> None:
    """The process ends inside `take`, at message 21 of 100; the library's own way would have lost what it had read."""
    there = broker(*PERSISTENT)
    taken = tmp_path / "taken"

    def consume(dies_at: int) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-c", DIES_AT, str(there.port), version, str(dies_at), str(taken)]
        return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    first = consume(20)
    until(there.subscriptions)
    publisher(there).send(*(b"%d" % number for number in range(100)))
    assert first.wait(20) == 9
    second = consume(1000)
    try:
        until(lambda: len(set(taken.read_text().split())) == 100)
    finally:
        second.kill()
        second.wait(10)
    numbers = [int(number) for number in taken.read_text().split()]
    assert numbers[:20] == list(range(20))
    assert set(numbers[20:]) >= set(range(20, 100))


@MOSQUITTO
@VERSIONS
def test_a_retained_message_freshens_nothing_however_often_it_comes(
    version: str,
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Service],
    publisher: Callable[..., Publisher],
    caller: Callable[[int], Caller],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
) -> None:
    there = broker(*PERSISTENT)
    publisher(there).send(uplink(1), retain=True)
    folder = site(there.port, extra=f'  version: "{version}"')
    for _ in range(2):
        running = service(folder)
        client = caller(running.port)
        until(lambda client=client: client.figure("uplinks_rejected") == 1)
        assert client.registers(100, 2) == (NEVER_SEEN, 0xFFFF)
        assert client.figure("uplinks_accepted") == 0
        assert running.log("uplink refused")[0]["reason"] == "retained message"
        running.stop()


@MOSQUITTO
def test_a_subscription_that_the_broker_quietly_starves_shows_in_the_registers(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Service],
    publisher: Callable[..., Publisher],
    caller: Callable[[int], Caller],
    uplink: Callable[..., bytes],
    tmp_path: Path,
    until: Callable[..., Any],
) -> None:
    """The broker grants a subscription that its access list forbids, and then sends nothing (measured, 2.0.11).

    Nothing can be told from the protocol; what tells is the time since the last uplink, which stays without a value.
    """
    rules = tmp_path / "rules"
    rules.write_text("topic write lns/#\ntopic readwrite radio/#\n")
    there = broker("allow_anonymous true", f"acl_file {rules}")
    running = service(site(there.port))
    client = caller(running.port)
    until(there.subscriptions)
    mine = publisher(there)
    mine.send(uplink(1))
    packet = {"from": "0a1def0000000102", "seq": 1, "port": 2, "bytes": "007d000003e8"}
    assert client.figure("last_uplink_age") == 0xFFFF_FFFF
    mine.send(json.dumps(packet).encode(), topic="radio/alder-fen/tower/up")
    until(lambda: client.figure("uplinks_accepted") == 1)  # by then the first would have come, too
    assert client.registers(100, 1) == (NEVER_SEEN,)
    assert running.log("subscription refused") == []


@pytest.fixture
def scripted_broker() -> Iterator[Callable[[bytes, bytes], int]]:
    """A scripted broker of a few bytes: accepts the connection with the first, answers SUBSCRIBE with the second."""
    servers: list[socket.socket] = []

    def start(connack: bytes, suback: bytes) -> int:
        server = socket.create_server(("127.0.0.1", 0))
        servers.append(server)

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                connection.recv(1000)
                connection.sendall(connack)
                subscribe = connection.recv(1000)
                assert subscribe[0] == 0x82
                connection.sendall(suback[:2] + subscribe[2:4] + suback[4:])
                connection.recv(1000)

        threading.Thread(target=serve, daemon=True).start()
        port: int = server.getsockname()[1]
        return port

    yield start
    for server in servers:
        server.close()


ANSWERS = {
    # fixed header, then CONNACK flags and code; SUBACK packet id and one code a filter
    "5": ("20 03 00 00 00", "90 05 00 00 00 87 01"),  # 0x87 not authorized (MQTT 5 section 3.9.3)
    "3.1.1": ("20 02 00 00", "90 04 00 00 80 01"),  # 0x80 failure (MQTT 3.1.1 section 3.9.3)
}


@VERSIONS
def test_a_refused_subscription_is_said_in_the_log_with_its_topic(
    version: str,
    scripted_broker: Callable[[bytes, bytes], int],
    site: Callable[..., Path],
    service: Callable[..., Service],
    until: Callable[..., Any],
) -> None:
    connack, suback = (bytes.fromhex(text) for text in ANSWERS[version])
    running = service(site(scripted_broker(connack, suback), extra=f'  version: "{version}"'))
    refused = until(lambda: running.log("subscription refused"))
    assert [(line["topic"], line["level"]) for line in refused] == [("lns/alder-fen/+/up", "error")]


@VERSIONS
def test_a_broker_that_sends_what_is_no_mqtt_is_left_with_a_word_in_the_log(
    version: str,
    scripted_broker: Callable[[bytes, bytes], int],
    site: Callable[..., Path],
    service: Callable[..., Service],
    until: Callable[..., Any],
) -> None:
    connack, suback = (bytes.fromhex(text) for text in ANSWERS[version])
    message_of_qos_3 = bytes.fromhex("36 08 00 03 61 2f 62 00 0a 00")  # there is none: MQTT 5 section 3.3.1.2
    running = service(site(scripted_broker(connack, suback + message_of_qos_3), extra=f'  version: "{version}"'))
    lost = until(lambda: running.log("no broker"))
    assert "the broker sends what is no MQTT" in lost[0]["reason"]
