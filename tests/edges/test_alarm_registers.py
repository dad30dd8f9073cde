"""Alarms as plant software sees and answers them, over TCP, by clients whose code shares nothing with ours.

Unit 1 shows the small site's meters with these items, from input, discrete and coil 20000 on, ten addresses a meter,
and from holding 35000 on, four a meter; the site's block of alarms stands at 30000, that of the group `line` at 30100:

    input +0 word active  +1 word unacknowledged  +2 state of flow high  +3 number of flow high, uint32
          +5 state of flow high-high  +6 limit of flow high, float32      holding +0 limit of flow high  +2 acknowledge
    discrete +0 any active  +1 any unacknowledged                         coil +0 acknowledge  +1 reset
"""

from __future__ import annotations

import json
import struct
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusTcpClient

from aggregator.core.alarm_state import State

if TYPE_CHECKING:
    from tests.edges.broker import Broker, Publisher
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

pytestmark = pytest.mark.peer("mosquitto")
Command = Callable[..., subprocess.CompletedProcess[str]]
ALARMS = (
    "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h}, "
    "{field: flow, high_high: 150 m3/h, deadband: 5 m3/h, priority: critical, latches: yes}"
)
FOUR = f"{ALARMS}, {{field: flow, rising: 1 m3/h/s, priority: medium}}, {{field: volume, high: 10 m3, priority: low}}"
GROUPS = """\
groups:
  - {group: line, alarm: flow high, members: [FT-101, FT-102], vote: {needed: 2, priority: critical}}
"""
LAYOUT = """\
  alarm-point:
    input:
      0: {alarms: [flow high, flow high-high]}
      1: {unacknowledged: [flow high, flow high-high]}
      2: {alarm_state: flow high}
      3: {alarm_sequence: flow high}
      5: {alarm_state: flow high-high}
      6: {setpoint_of: flow high}
    holding: {0: {setpoint_of: flow high}, 2: acknowledge}
    discrete: {0: alarm_active, 1: alarm_unacknowledged}
    coil: {0: acknowledge, 1: reset}
devices:
"""
BLOCKS = """\
    alarm_blocks:
      - {input: %(site)d, holding: %(site)d, discrete: %(site)d, coil: %(site)d}
      - {group: line, input: %(group)d, discrete: %(group)d, coil: %(group)d}
    place:
      - layout: alarm-point
        input: {from: 20000, every: 10}
        holding: {from: %(holding)d, every: 4}
        discrete: {from: 20000, every: 10}
        coil: {from: 20000, every: 10}
        meters: [%(tags)s]
"""
POINT, EVERY, SITE, GROUP = 20000, 10, 30000, 30100
HOLDING = 35000  # where no input register stands, so that function 03 reads those all
FLOOD = 250  # meters, four alarms each
SLOWEST_POLL = 0.25  # s that a poll may take in a flood, on a machine with other work


@dataclass
class Plant:
    """A running site whose alarms are mapped, and what reaches it."""

    folder: Path
    broker: Broker
    service: Service
    publisher: Publisher
    send: Callable[..., None]


@pytest.fixture
def plant_of(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Service],
    publisher: Callable[..., Publisher],
    uplink: Callable[..., bytes],
    caller: Callable[..., Caller],
    until: Callable[..., Any],
) -> Callable[..., Plant]:
    def build(meters: int = 2, alarms: str = ALARMS) -> Plant:
        there = broker()
        allow = "allow: [{from: 127.0.0.3, may: [read]}, {from: any, may: [read, acknowledge, command]}]"
        folder = site(there.port, meters=meters, alarms=alarms, groups=GROUPS, allow=allow)
        tags = ", ".join(f"FT-{101 + at}" for at in range(meters))
        blocks = BLOCKS % {"site": SITE, "group": GROUP, "holding": HOLDING, "tags": tags}
        text = (folder / "map.yaml").read_text().replace("devices:\n", LAYOUT).replace("    place:\n", blocks)
        (folder / "map.yaml").write_text(text)
        running, mine, counters = service(folder), publisher(there), iter(range(1, 10_000))
        until(there.subscriptions, what="the subscription")
        watcher, sent = caller(running.port), []

        def send(meter: int, flow: float) -> None:
            sent.append(meter)
            mine.send(uplink(next(counters), meter=meter, flow=flow, volume=7))
            until(lambda: watcher.figure("uplinks_accepted") == len(sent), what="the uplink")

        return Plant(folder, there, running, mine, send)

    return build


@pytest.fixture
def plant(plant_of: Callable[..., Plant]) -> Plant:
    built = plant_of()
    for meter in range(2):
        built.send(meter, 10)
    return built


@pytest.fixture
def library_of() -> Iterator[Callable[..., ModbusTcpClient]]:
    """Connect the library's client, from another address of this machine where one is named."""
    clients: list[ModbusTcpClient] = []

    def connect(plant: Plant, host: str = "127.0.0.1") -> ModbusTcpClient:
        clients.append(ModbusTcpClient("127.0.0.1", port=plant.service.port, source_address=(host, 0)))
        assert clients[-1].connect()  # type: ignore[no-untyped-call]
        return clients[-1]

    yield connect
    for each in clients:
        each.close()  # type: ignore[no-untyped-call]


def states(client: ModbusTcpClient, meter: int = 0) -> list[State]:
    """The states of flow high and flow high-high; this client has seen them then."""
    words = client.read_input_registers(POINT + EVERY * meter, count=8).registers
    return [State(words[2]), State(words[5])]


def told(command: Command, plant: Plant, event: str) -> list[str]:
    """Who did what of a kind, by the journal."""
    lines = command("export", plant.folder, "--as", "json", "--journal").stdout.splitlines()
    return [row["who"] for row in map(json.loads, lines) if row["event"] == event]


def test_an_operator_reads_acknowledges_and_resets_a_leak(
    plant: Plant, library_of: Callable[..., ModbusTcpClient], command: Command
) -> None:
    room = library_of(plant)
    plant.send(0, 160)
    assert room.read_discrete_inputs(POINT, count=2).bits[:2] == [True, True]
    assert room.read_input_registers(POINT, count=8).registers[:6] == [0b11, 0b11, 2, 0, 1, 2]
    assert not room.write_coil(POINT, True).isError()
    assert room.read_coils(POINT, count=2).bits[:2] == [False, False]
    assert states(room) == [State.ACKNOWLEDGED, State.ACKNOWLEDGED]
    assert room.write_coil(POINT + 1, True).exception_code == 3  # the gas is still there
    plant.send(0, 10)
    assert states(room) == [State.NORMAL, State.LATCHED]
    assert not room.write_coil(POINT + 1, True).isError()
    assert states(room) == [State.NORMAL, State.NORMAL]
    assert room.read_discrete_inputs(POINT, count=2).bits[:2] == [False, False]
    assert [who.rpartition(":")[0] for who in told(command, plant, "alarm acknowledged")] == ["127.0.0.1"] * 2


@pytest.mark.peer("mosquitto", "mbpoll")
def test_the_program_acknowledges_by_number_and_hears_of_a_wrong_one(plant: Plant, peer: dict[str, str]) -> None:
    def run(*arguments: str) -> subprocess.CompletedProcess[str]:
        line = [peer["mbpoll"], "-m", "tcp", "-p", str(plant.service.port), "-0", "-1", "-B", "-o", "5", *arguments]
        return subprocess.run(line, capture_output=True, text=True, timeout=20, check=False)

    plant.send(0, 120)
    read = run("-r", str(POINT + 3), "-t", "3:int", "127.0.0.1")
    assert f"[{POINT + 3}]: \t1" in read.stdout
    wrong = run("-r", str(HOLDING + 2), "-t", "4:int", "127.0.0.1", "9")
    assert "Illegal data value" in wrong.stdout + wrong.stderr
    assert run("-r", str(HOLDING + 2), "-t", "4:int", "127.0.0.1", "1").returncode == 0
    assert f"[{POINT + 2}]: \t{int(State.ACKNOWLEDGED)}" in run("-r", str(POINT + 2), "-t", "3", "127.0.0.1").stdout


def test_an_alarm_that_came_after_the_read_stays_unacknowledged(
    plant: Plant, library_of: Callable[..., ModbusTcpClient]
) -> None:
    room = library_of(plant)
    plant.send(0, 120)
    room.read_input_registers(POINT, count=8)
    plant.send(0, 160)
    assert not room.write_coil(POINT, True).isError()
    assert states(room) == [State.ACKNOWLEDGED, State.UNACKNOWLEDGED]


def test_what_one_control_room_has_read_another_has_not_seen(
    plant: Plant, library_of: Callable[..., ModbusTcpClient]
) -> None:
    first, second = library_of(plant), library_of(plant, "127.0.0.2")
    plant.send(0, 120)
    first.read_input_registers(POINT, count=8)
    assert not second.write_coil(POINT, True).isError()
    assert states(first)[0] is State.UNACKNOWLEDGED
    assert not first.write_coil(POINT, True).isError()
    assert states(second)[0] is State.ACKNOWLEDGED


def test_a_reader_acknowledges_nothing(plant: Plant, library_of: Callable[..., ModbusTcpClient]) -> None:
    reader = library_of(plant, "127.0.0.3")
    plant.send(0, 120)
    assert states(reader)[0] is State.UNACKNOWLEDGED
    assert reader.write_coil(POINT, True).exception_code == 1
    assert states(reader)[0] is State.UNACKNOWLEDGED


def test_a_write_that_is_sent_again_does_nothing_twice(
    plant: Plant, library_of: Callable[..., ModbusTcpClient], command: Command
) -> None:
    room = library_of(plant)
    plant.send(0, 120)
    states(room)
    for _ in range(3):
        assert not room.write_coil(POINT, True).isError()
        assert not room.write_registers(HOLDING, list(struct.unpack(">2H", struct.pack(">f", 110.1)))).isError()
    assert len(told(command, plant, "alarm acknowledged")) == 1
    assert len(told(command, plant, "setpoint changed")) == 1


@pytest.mark.parametrize("value", [49.9, 200.1, float("nan")])
def test_a_limit_outside_its_limits_is_refused_and_changes_nothing(
    plant: Plant, library_of: Callable[..., ModbusTcpClient], value: float
) -> None:
    room = library_of(plant)
    words = list(struct.unpack(">2H", struct.pack(">f", value)))
    assert room.write_registers(HOLDING, words).exception_code == 3
    assert room.write_register(HOLDING, words[0]).exception_code == 3  # half of one
    for read, address in ((room.read_holding_registers, HOLDING), (room.read_input_registers, POINT + 6)):
        assert struct.pack(">2H", *read(address, count=2).registers) == struct.pack(">f", 100.0)


def test_all_goes_on_after_the_service_was_killed(
    plant: Plant,
    library_of: Callable[..., ModbusTcpClient],
    service: Callable[..., Service],
    until: Callable[..., Any],
    command: Command,
) -> None:
    room = library_of(plant)
    plant.send(0, 160)
    plant.send(1, 120)
    states(room)
    room.write_coil(POINT, True)
    room.write_registers(HOLDING + 4, list(struct.unpack(">2H", struct.pack(">f", 70.0))))
    before = room.read_input_registers(POINT, count=18).registers
    until(lambda: told(command, plant, "setpoint changed"), what="the store")  # what came last; one writer, in order
    plant.service.kill()
    plant.service = service(plant.folder)
    again = library_of(plant)
    assert again.read_input_registers(POINT, count=18).registers == before
    assert states(again, 1)[0] is State.UNACKNOWLEDGED
    again.write_coil(POINT + EVERY, True)
    assert states(again, 1)[0] is State.ACKNOWLEDGED


def test_a_group_and_then_the_whole_site_are_acknowledged(
    plant_of: Callable[..., Plant], library_of: Callable[..., ModbusTcpClient]
) -> None:
    plant = plant_of(3)
    room = library_of(plant)
    for meter in range(3):
        plant.send(meter, 10)
    for meter in (1, 0, 2):
        plant.send(meter, 120)
    group = room.read_input_registers(GROUP, count=30).registers
    assert group[:3] == [3, 3, 4]  # two members and the vote
    assert group[18:22] == [State.UNACKNOWLEDGED, 2, 0, 2]
    assert struct.pack(">8H", *group[22:]).rstrip(b"\0") == b"FT-102"
    assert not room.write_coil(GROUP, True).isError()
    assert room.read_input_registers(SITE, count=2).registers == [4, 1]
    assert not room.write_coil(SITE + 2, True).isError()
    assert room.read_discrete_inputs(SITE, count=3).bits[:3] == [True, True, False]
    assert not room.write_coil(SITE, True).isError()
    assert room.read_input_registers(SITE, count=2).registers == [4, 0]


def test_a_flood_of_alarms_is_shown_and_journalled_and_delays_no_poll(
    plant_of: Callable[..., Plant],
    uplink: Callable[..., bytes],
    caller: Callable[..., Caller],
    until: Callable[..., Any],
    command: Command,
) -> None:
    plant = plant_of(FLOOD, FOUR)
    room = caller(plant.service.port)
    calm = [uplink(1, meter=at, flow=10, volume=7) for at in range(FLOOD)]
    plant.publisher.send(*calm)
    until(lambda: room.figure("uplinks_accepted") == FLOOD, what="the calm before")
    time.sleep(0.1)  # so that the flow has a rate to rise at
    leaks = [uplink(2, meter=at, flow=900, volume=70) for at in range(FLOOD)]
    flood = threading.Thread(target=plant.publisher.send, args=leaks)
    flood.start()
    began, slowest, polls, shown = time.monotonic(), 0.0, 0, 0
    while shown < 4 * FLOOD and time.monotonic() - began < 20:
        asked = time.monotonic()
        room.registers(POINT, 125)
        slowest = max(slowest, time.monotonic() - asked)
        polls += 1
        high, low = room.registers(SITE + 16, 2)
        shown = (high << 16 | low) - (high << 16 | low > 4 * FLOOD)
    took = time.monotonic() - began
    print(f"{shown} alarms shown after {took:.2f} s; {polls} polls, the slowest {1000 * slowest:.1f} ms")
    flood.join()
    assert room.registers(SITE, 2)[0] == 4 * FLOOD + 1  # and the vote
    assert slowest < SLOWEST_POLL
    until(lambda: len(told(command, plant, "alarm raised")) == 4 * FLOOD + 1, what="the journal")
