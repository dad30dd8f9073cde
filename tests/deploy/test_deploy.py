"""What is shipped for the gateway: the unit's promises, and the broker's settings under a real broker."""

from __future__ import annotations

import configparser
import getpass
import itertools
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

import paho.mqtt.client as mqtt
import pytest
import typer.main
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pymodbus.client import ModbusTcpClient

from aggregator.cli import app
from aggregator.config.configuration import load
from aggregator.core.uplink import LONGEST_MESSAGE
from tests.conftest import FILES

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
WITHIN = 30.0  # s that a condition may take on a busy machine
UPLINKS = "lns/alder-fen/ft-101/up"
QUEUED = 1500  # more than the 1000 that mosquitto holds by default (mosquitto.conf(5), max_queued_messages)


def until(condition: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + WITHIN
    while not condition():
        assert time.monotonic() < end, f"not within {WITHIN:.0f} s: {what}"
        time.sleep(0.01)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port


def accepts(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port)).close()
    except OSError:
        return False
    return True


@pytest.fixture(scope="module")
def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None, strict=False)  # some keys stand there several times
    parser.optionxform = str  # type: ignore[assignment, method-assign] # keys of a unit are case-sensitive
    parser.read_string((DEPLOY / "aggregator.service").read_text(encoding="utf-8"))
    return parser


def settings() -> dict[str, str]:
    """The shipped broker settings by name, without comments."""
    lines = (DEPLOY / "mosquitto.conf").read_text(encoding="utf-8").splitlines()
    return dict(line.split(maxsplit=1) for line in lines if line and not line.startswith("#"))


def rights() -> dict[str, set[str]]:
    """What each user of the shipped access list may do, such as `read radio/+/up`."""
    granted: dict[str, set[str]] = {}
    for line in (DEPLOY / "mosquitto.acl").read_text(encoding="utf-8").splitlines():
        word, _, rest = line.partition(" ")
        if word == "user":
            granted[rest] = set()
        elif word == "topic":
            list(granted.values())[-1].add(rest)
    return granted


# The unit


def test_the_service_is_restarted_for_ever(unit: configparser.ConfigParser) -> None:
    assert unit["Service"]["Restart"] == "always"
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"


def test_the_service_says_when_it_is_ready_and_is_watched_from_then_on(unit: configparser.ConfigParser) -> None:
    assert unit["Service"]["Type"] == "notify"
    assert int(unit["Service"]["WatchdogSec"]) > 0


def test_the_service_has_no_right_but_the_low_ports(unit: configparser.ConfigParser) -> None:
    service = unit["Service"]
    assert service["User"] == "aggregator"
    assert service["AmbientCapabilities"] == service["CapabilityBoundingSet"] == "CAP_NET_BIND_SERVICE"
    assert service["NoNewPrivileges"] == "yes"


def test_the_service_writes_nowhere_but_into_its_own_folder(unit: configparser.ConfigParser) -> None:
    service = unit["Service"]
    assert (service["ProtectSystem"], service["StateDirectory"]) == ("strict", "aggregator")
    assert "ReadWritePaths" not in service


def test_of_the_devices_the_service_opens_serial_ports_and_no_other(unit: configparser.ConfigParser) -> None:
    """systemd.resource-control(5): `closed` lets it open null, random and their like, and what DeviceAllow names."""
    service = unit["Service"]
    assert service["DevicePolicy"] == "closed"
    assert "PrivateDevices" not in service  # its own /dev would have no serial port in it (systemd.exec(5))
    text = (DEPLOY / "aggregator.service").read_text(encoding="utf-8")
    allowed = re.findall(r"(?m)^DeviceAllow=(.*)$", text)
    assert len(allowed) >= 3
    assert all(re.fullmatch(r"char-tty[A-Z]+ rw", each) for each in allowed)
    assert service["SupplementaryGroups"] == "dialout"  # Debian gives serial ports to it


def test_the_service_may_ask_the_kernel_whether_the_clock_is_right(unit: configparser.ConfigParser) -> None:
    """Both of these would answer adjtimex(2) with EPERM, and every clock would be shown as not trustworthy."""
    assert "ProtectClock" not in unit["Service"]
    assert {"adjtimex", "clock_adjtime"} <= set(unit["Service"]["SystemCallFilter"].split())


def test_the_password_is_no_part_of_the_unit(unit: configparser.ConfigParser) -> None:
    assert unit["Service"]["EnvironmentFile"] == "-/etc/aggregator/broker.env"
    assert "Environment" not in unit["Service"]


def test_every_command_of_the_unit_and_of_the_guide_is_one_of_the_command_line(unit: configparser.ConfigParser) -> None:
    started = {unit["Service"][key] for key in ("ExecStartPre", "ExecStart")}
    assert started == {f"/opt/aggregator/bin/aggregator {verb} /etc/aggregator" for verb in ("check", "run")}
    guide = (DEPLOY / "README.md").read_text(encoding="utf-8")
    verbs = set(re.findall(r"bin/aggregator (\w+)", guide)) | {"check", "run"}
    command = typer.main.get_command(app)
    known = getattr(command, "commands", {})
    assert verbs <= set(known), verbs - set(known)


def test_the_check_before_the_start_accepts_the_sample_site(unit: configparser.ConfigParser) -> None:
    arguments = unit["Service"]["ExecStartPre"].replace("/etc/aggregator", str(ROOT / "config")).split()[1:]
    done = subprocess.run([sys.executable, "-m", "aggregator", *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "is in order" in done.stdout


# The broker's files against the program's own


def test_the_broker_passes_what_the_aggregator_would_take() -> None:
    assert int(settings()["message_size_limit"]) == LONGEST_MESSAGE


def test_the_broker_keeps_sessions_for_longer_than_the_sample_site_asks_for() -> None:
    keeps = load(ROOT / "config").service.broker.keeps
    expiration = settings()["persistent_client_expiration"]
    assert expiration.endswith("d")
    assert int(expiration.removesuffix("d")) * 86400 > keeps


def test_the_access_list_lets_the_aggregator_read_what_the_sample_site_subscribes_to() -> None:
    topics = {f"read {envelope.topic}" for envelope in load(ROOT / "config").declared.envelopes}
    assert rights()["aggregator"] == topics


def test_every_topic_the_aggregator_reads_is_written_by_somebody() -> None:
    granted = rights()
    written = {right for user, each in granted.items() if user != "aggregator" for right in each}
    assert written == {right.replace("read ", "write ") for right in granted["aggregator"]}


def test_the_container_holds_what_the_build_needs() -> None:
    copied: set[str] = set()
    for line in (DEPLOY / "Containerfile").read_text(encoding="utf-8").splitlines():
        if line.startswith("COPY ") and "--from" not in line:
            copied |= set(line.split()[1:-1])
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    needed = {*wheel["packages"], *wheel["force-include"], project["project"]["readme"], "pyproject.toml", "LICENSE"}
    assert copied == needed
    assert all((ROOT / name).exists() for name in copied)


def test_the_runner_installs_the_peers_that_the_tests_ask_for() -> None:
    runner = (ROOT / "tests" / "run").read_text(encoding="utf-8")
    named = re.search(r"^PEER_PROGRAMS=\((.*)\)$", runner, re.MULTILINE)
    asked: set[str] = set()
    for path in (ROOT / "tests").rglob("test_*.py"):
        for names in re.findall(r"mark\.peer\((.*?)\)", path.read_text(encoding="utf-8")):
            asked |= set(re.findall(r'"(\w+)"', names))
    assert named
    assert asked - FILES.keys() <= set(named[1].split())
    files = re.search(r"^PEER_FILES=\((.*)\)$", runner, re.MULTILINE)
    assert files
    assert {FILES[name] for name in asked & FILES.keys()} <= set(files[1].split())


# The broker itself


class Mosquitto:
    """A real broker under the shipped files, each path and the port moved to where a test may write."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.passwords = {user: f"{user}'s password" for user in rights()}
        self.database = folder / "mosquitto.db"
        (folder / "conf.d").mkdir()
        (folder / "conf.d" / "aggregator.conf").write_text(self._moved("mosquitto.conf"), encoding="utf-8")
        shutil.copy(DEPLOY / "mosquitto.acl", folder / "aggregator.acl")
        self._write_passwords()
        # What the distribution's own file says around ours (Debian 12, mosquitto 2.0.11).
        self.main = folder / "mosquitto.conf"
        self.main.write_text(
            f"user {getpass.getuser()}\npid_file {folder}/mosquitto.pid\npersistence true\n"
            f"persistence_location {folder}/\nlog_dest file {folder}/mosquitto.log\ninclude_dir {folder}/conf.d\n",
            encoding="utf-8",
        )
        self.process: subprocess.Popen[bytes] | None = None

    def _moved(self, name: str) -> str:
        text = (DEPLOY / name).read_text(encoding="utf-8")
        moved = text.replace("/etc/mosquitto/", f"{self.folder}/").replace("listener 1883 ", f"listener {self.port} ")
        assert f"\nlistener {self.port} 127.0.0.1" in moved
        return moved

    def _write_passwords(self) -> None:
        file = self.folder / "aggregator.passwords"
        file.touch(mode=0o600)
        for user, password in self.passwords.items():
            subprocess.run(["mosquitto_passwd", "-b", str(file), user, password], check=True, capture_output=True)

    def start(self, program: str) -> None:
        self.process = subprocess.Popen([program, "-c", str(self.main)], stderr=subprocess.PIPE)
        until(lambda: self._ended() or accepts(self.port), "the broker starts")
        assert not self._ended(), (self.folder / "mosquitto.log").read_text(encoding="utf-8")

    def _ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def end(self, by: signal.Signals = signal.SIGTERM) -> None:
        if self.process is not None:
            self.process.send_signal(by)
            self.process.communicate(timeout=WITHIN)
            self.process = None


class Client:
    """A client of the broker that counts what it gets."""

    def __init__(self, broker: Mosquitto, user: str | None, client_id: str = "") -> None:
        self.broker = broker
        self.refused: ReasonCode | None = None
        self.accepted = False
        self.subscribed = False
        self.payloads: list[bytes] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        self.client.max_inflight_messages_set(100)
        if user is not None:
            self.client.username_pw_set(user, broker.passwords[user])
        self.client.on_connect = self._on_connect
        self.client.on_message = lambda _client, _data, message: self.payloads.append(bytes(message.payload))
        self.client.on_subscribe = self._on_subscribe

    def _on_connect(
        self, _client: object, _data: object, _flags: object, code: ReasonCode, _properties: object
    ) -> None:
        self.refused, self.accepted = (code, False) if code.is_failure else (None, True)

    def _on_subscribe(self, *_arguments: object) -> None:
        self.subscribed = True

    def __enter__(self) -> Self:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 604800
        self.client.connect("127.0.0.1", self.broker.port, clean_start=False, properties=properties)
        self.client.loop_start()
        until(lambda: self.accepted or self.refused is not None, "the broker answers")
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def subscribe(self, topic: str) -> None:
        self.client.subscribe(topic, 1)
        until(lambda: self.subscribed, "the broker takes the subscription")

    def publish(self, topic: str, payloads: list[bytes]) -> None:
        """Publish and wait until the broker has confirmed each, or refused it."""
        sent = [self.client.publish(topic, payload, 1) for payload in payloads]
        for each in sent:
            each.wait_for_publish(WITHIN)
            assert each.is_published()


@pytest.fixture
def broker(tmp_path: Path, peer: dict[str, str]) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(tmp_path)
    mosquitto.start(peer["mosquitto"])
    yield mosquitto
    mosquitto.end()


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
def test_a_killed_broker_still_delivers_all_it_queued_for_an_absent_aggregator(
    broker: Mosquitto, peer: dict[str, str]
) -> None:
    uplinks = [b"uplink %04d" % number for number in range(QUEUED)]
    with Client(broker, "aggregator", "aggregator") as aggregator:
        aggregator.subscribe("lns/alder-fen/+/up")
    with Client(broker, "network-server") as server:
        server.publish(UPLINKS, uplinks)
    until(
        lambda: broker.database.exists() and uplinks[-1] in broker.database.read_bytes(), "the last uplink is on disk"
    )
    broker.end(signal.SIGKILL)
    broker.start(peer["mosquitto"])
    with Client(broker, "aggregator", "aggregator") as aggregator:
        until(lambda: len(aggregator.payloads) >= QUEUED, "all queued uplinks come")
        assert aggregator.payloads == uplinks


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
def test_nobody_connects_without_a_password(broker: Mosquitto) -> None:
    with Client(broker, None) as stranger:
        assert str(stranger.refused) == "Not authorized"


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
def test_a_wrong_password_is_refused(broker: Mosquitto) -> None:
    broker.passwords["aggregator"] = "another"
    with Client(broker, "aggregator") as stranger:
        assert str(stranger.refused) == "Not authorized"


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
def test_each_user_does_only_what_is_theirs(broker: Mosquitto) -> None:
    with (
        Client(broker, "aggregator") as aggregator,
        Client(broker, "network-server") as server,
        Client(broker, "packet-radio") as radio,
    ):
        aggregator.subscribe("#")
        server.subscribe("#")
        aggregator.publish(UPLINKS, [b"by the aggregator"])
        radio.publish(UPLINKS, [b"by the packet radio"])
        server.publish("elsewhere/up", [b"on another topic"])
        server.publish(UPLINKS, [b"as it should be"])
        radio.publish("radio/alder-fen/one/up", [b"as it should be, too"])
        until(lambda: len(aggregator.payloads) >= 2, "what may pass has passed")
        assert aggregator.payloads == [b"as it should be", b"as it should be, too"]
        assert server.payloads == []


# All of it together


@pytest.fixture
def site(tmp_path: Path, broker: Mosquitto) -> tuple[Path, int]:
    """The sample site with the broker's port and a free one of its own."""
    folder, port = tmp_path / "site", free_port()
    shutil.copytree(ROOT / "config", folder)
    text = (folder / "site.yaml").read_text(encoding="utf-8")
    moved = text.replace("port: 1883", f"port: {broker.port}").replace("127.0.0.1:5020", f"127.0.0.1:{port}")
    (folder / "site.yaml").write_text(moved, encoding="utf-8")
    return folder, port


@pytest.mark.peer("mosquitto", "mosquitto_passwd")
def test_the_started_service_is_ready_alive_and_serves_an_uplink_of_the_shipped_broker(
    unit: configparser.ConfigParser, broker: Mosquitto, site: tuple[Path, int], tmp_path: Path
) -> None:
    folder, port = site
    manager = tmp_path / "notify"
    arguments = unit["Service"]["ExecStart"].replace("/etc/aggregator", str(folder)).split()[1:]
    environment = {
        **os.environ,
        "AGGREGATOR_BROKER_PASSWORD": broker.passwords["aggregator"],
        "NOTIFY_SOCKET": str(manager),
        "WATCHDOG_USEC": "2000000",
    }
    environment.pop("WATCHDOG_PID", None)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as notified:
        notified.bind(str(manager))
        notified.settimeout(WITHIN)
        command = [sys.executable, "-m", "aggregator", *arguments]
        with subprocess.Popen(command, env=environment, cwd=tmp_path, stderr=subprocess.DEVNULL) as service:
            try:
                assert notified.recv(100) == b"READY=1"
                assert accepts(port)
                assert notified.recv(100) == b"WATCHDOG=1"
                _publish_until_served(broker, port)
            finally:
                service.terminate()
                code = service.wait(WITHIN)
        assert code == 0


def _publish_until_served(broker: Mosquitto, port: int) -> None:
    """The link is shown a moment before the broker has the subscription, so the first uplinks may reach nobody."""
    counter = itertools.count(1)
    with ModbusTcpClient("127.0.0.1", port=port) as client, Client(broker, "network-server") as server:

        def shows_the_flow_of_a_new_uplink() -> bool:
            server.publish(UPLINKS, [_uplink(next(counter))])
            return _register(client, 102) == 0x4226  # 41.5 as float32 is 4226 0000 (IEEE 754)

        until(lambda: bool(_register(client, 1) & 1), "the service has found the broker")
        until(shows_the_flow_of_a_new_uplink, "the flow stands in its registers")
        assert _register(client, 103) == 0


def _uplink(counter: int) -> bytes:
    message = {
        "device": {"eui": "0a1def0000000101"},
        "frame": {"counter": counter, "port": 2, "sf": 9},
        "received_at": datetime.now(UTC).isoformat(),
        "decoded": {"flow": 41.5},
    }
    return json.dumps(message).encode()


def _register(client: ModbusTcpClient, address: int) -> int:
    answer = client.read_input_registers(address, count=1, device_id=1)
    assert not answer.isError()
    return int(answer.registers[0])
