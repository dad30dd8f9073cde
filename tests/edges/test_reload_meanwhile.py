"""A site's files taken anew while something else is under way: a replay, a broker that is away, a serial line."""

from __future__ import annotations

import contextlib
import json
import struct
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusSerialClient
from pymodbus.exceptions import ModbusException

from aggregator.control import ask
from aggregator.core.keeping import KeptAside
from aggregator.store import Limits, Store
from tests.edges.test_serial_port import Pair, client_on, pair  # noqa: F401 - a fixture

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
Until = Callable[..., Any]
MANY = 3000


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


def test_every_message_of_a_replay_is_taken_once_while_files_are_taken_anew(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    command: Command,
    uplink: Callable[..., bytes],
    until: Until,
) -> None:
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write(f"storage: {{set_aside: {MANY}}}\n")
    store = Store.open(folder / "data" / "history.db", Limits(most_aside=MANY))
    began = time.time()
    for at in range(MANY):
        ago = float(MANY - at)
        message = uplink(at, meter=at % 2, ago=ago, flow=10.0, volume=at)
        topic = "lns/alder-fen/node/up"
        store.put([KeptAside(began - ago, "unknown node", "x", topic, None, message)])
    assert store.close() == 0
    client = caller(service(folder).port)
    told: list[dict[str, Any]] = []
    replay = threading.Thread(target=lambda: told.append(ask(folder / "data", {"do": "replay aside"}, 60)))
    replay.start()
    until(lambda: client.figure("uplinks_accepted") > 0, what="the first of the replay")
    reloads = 0
    while replay.is_alive():
        ask(folder / "data", {"do": "reload", "who": "test"})
        reloads += client.figure("uplinks_accepted") < MANY
    replay.join()
    assert reloads > 0  # at least one while the replay was under way
    assert told == [{"shown": MANY, "late": 0, "known": 0, "refused": {}}]
    assert client.figure("uplinks_accepted") == MANY
    high, low = (float(MANY - 2), float(MANY - 1))
    assert [volume(client, meter) for meter in (0, 1)] == [high, low]
    kept = command("export", folder, "--as", "json", "--field", "volume").stdout.splitlines()
    assert sorted(json.loads(line)["value"] for line in kept) == [float(at) for at in range(MANY)]


def volume(client: Caller, meter: int) -> float:
    return float(struct.unpack(">d", struct.pack(">4H", *client.registers(104 + 16 * meter, 4)))[0])


@pytest.mark.peer("mosquitto")
def test_files_are_taken_anew_while_the_broker_is_away_and_uplinks_go_on_when_it_is_back(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Until, command: Command
) -> None:
    running = rig()
    running.publisher.send(uplink(1, flow=160, volume=7))
    until(lambda: running.accepted() == 1)
    running.broker.kill()
    until(lambda: not running.connected(), what="the bit")
    before = running.client.registers(102, 14)
    change(running.folder / "meters.yaml", "name: Point FT-102", "name: Another name")
    assert command("reload", running.folder).returncode == 0
    assert not running.connected()
    assert running.client.registers(102, 14) == before
    change(running.folder / "site.yaml", "lns/alder-fen/+/up", "lns/other/+/up")  # a link of its own, begun without
    assert command("reload", running.folder).returncode == 0
    assert "away" in command("status", running.folder).stdout
    running.broker.start()
    until(running.connected, 40, "the broker")
    until(running.publisher.client.is_connected, 40, "the publisher")

    def arrived() -> bool:
        running.publisher.send(uplink(2, flow=20, volume=8), topic="lns/other/a/up")
        return running.accepted() == 2

    until(arrived, what="an uplink on the new topic")


def test_a_device_that_only_gets_another_name_answers_on_at_its_connections(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site()
    running = service(folder)
    client = caller(running.port)
    assert client.ask(bytes.fromhex("06 23 28 12 34")).hex() == "0623281234"  # a scratch register of the test block
    assert client.ask(bytes.fromhex("05 00 01 ff 00")).hex() == "050001ff00"
    before = client.registers(100, 32)
    assert command("freeze", folder).returncode == 0
    change(folder / "map.yaml", "  - unit: 1\n", "  - unit: 1\n    name: plant\n")
    change(folder / "site.yaml", "allow:", "devices: [plant]\n    allow:")
    told = command("reload", folder)
    assert (told.returncode, told.stderr) == (0, "")
    assert client.registers(100, 32) == before
    assert client.ask(bytes.fromhex("03 23 28 00 01")).hex() == "03021234"  # what was written stands
    assert client.ask(bytes.fromhex("01 00 00 00 02")).hex() == "010102"
    assert "plant" in command("explain", "30101", "--site", folder).stdout
    assert command("clients", folder).returncode == 0


@pytest.mark.peer("socat")
def test_a_serial_line_comes_changes_and_goes_with_the_files(
    pair: Pair,  # noqa: F811
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    command: Command,
    until: Until,
) -> None:
    folder = site()
    running = service(folder)
    client = caller(running.port)
    plain = (folder / "site.yaml").read_text()
    line = "  - serial: {port: %s, baud: %d, parity: none}\n"

    def along(client: ModbusSerialClient) -> bool:
        with contextlib.suppress(ModbusException):
            return client.read_input_registers(40, count=1, device_id=1).registers == [0x1234]
        return False

    for baud in (19200, 9600):
        (folder / "site.yaml").write_text(plain + line % (pair.ours, baud))
        assert command("reload", folder).returncode == 0
        until(lambda baud=baud: f"{pair.ours} {baud} 8N2" in str(running.log("serial port open")), what="the port")
        with client_on(pair) as there:
            until(lambda: along(there), what="an answer along the line")
        assert client.registers(34, 1) == (0,)
    (folder / "site.yaml").write_text(plain + line % (pair.ours.parent / "missing", 9600))
    assert command("reload", folder).returncode == 0
    until(lambda: client.registers(34, 1) == (1,), what="the bit of a line that cannot be used")
    (folder / "site.yaml").write_text(plain)
    assert command("reload", folder).returncode == 0
    assert client.registers(34, 1) == (0,)
    with client_on(pair, within=0.3) as there:
        assert not along(there)  # nobody has the port any more
    assert "serial" not in command("status", folder).stdout
    assert running.stop() == 0
