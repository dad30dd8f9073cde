"""An operator's whole shift: registers, command and journal say the same of every alarm, at every step of it.

The three are looked at by what shares nothing with the service: a Modbus library, a process of the command, and the
last state that the exported journal has of each alarm. States are those of ISA-18.2 (section 5.4, from memory); the
numbers that stand for them are those of config/README.md, written out here once more.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusTcpClient

if TYPE_CHECKING:
    from tests.drills.conftest import Life
    from tests.edges.broker import Publisher

pytestmark = pytest.mark.peer("mosquitto")
Command = Callable[..., subprocess.CompletedProcess[str]]
Key = tuple[str, str]
NUMBERS = {
    "normal": 1,
    "unacknowledged": 2,
    "acknowledged": 3,
    "returned, unacknowledged": 4,
    "latched, unacknowledged": 5,
    "latched, acknowledged": 6,
    "shelved": 7,
}
ACTIVE, OWED = {2, 3}, {2, 4, 5}
TAGS, NAMES = ("FT-101", "FT-102"), ("flow high", "flow high-high")
ALARMS = (
    "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high}, "
    "{field: flow, high_high: 150 m3/h, deadband: 5 m3/h, priority: critical, latches: yes}"
)
LAYOUT = """\
  alarm-point:
    input: {0: {alarms: [flow high, flow high-high]}, 1: {unacknowledged: [flow high, flow high-high]},
            2: {alarm_state: flow high}, 3: {alarm_state: flow high-high}}
    coil: {0: acknowledge, 1: reset}
devices:
"""
PLACE = """\
    place:
      - {layout: alarm-point, input: {from: 20000, every: 4}, coil: {from: 20000, every: 2}, meters: [FT-101, FT-102]}
"""
POINT = 20000  # input registers, four a meter; and coils, two a meter
IN_ALARM, UNACKNOWLEDGED = 13, 14  # of the gateway's figures


@dataclass
class Shift:
    """One site, its running service, and the three ways to learn of its alarms."""

    folder: Path
    life: Life
    room: ModbusTcpClient
    command: Command

    def by_registers(self) -> dict[Key, int]:
        """The states that the registers show, after their bits and the gateway's figures were held against them."""
        words = self.room.read_input_registers(POINT, count=8).registers
        blocks = dict(zip(TAGS, (words[:4], words[4:]), strict=True))
        for active, owed, *states in blocks.values():
            assert active == sum(1 << at for at, state in enumerate(states) if state in ACTIVE)
            assert owed == sum(1 << at for at, state in enumerate(states) if state in OWED)
        figures = self.room.read_input_registers(IN_ALARM, count=2).registers
        assert figures == [
            sum(block[0] > 0 for block in blocks.values()),
            sum(b[1].bit_count() for b in blocks.values()),
        ]
        return {
            (tag, name): state for tag, block in blocks.items() for name, state in zip(NAMES, block[2:], strict=True)
        }

    def by_command(self) -> dict[Key, int]:
        told = json.loads(self.command("alarms", self.folder, "--all", "--json").stdout)
        found = {(each["tag"], each["alarm"]): NUMBERS[each["state"]] for each in told["alarms"]}
        assert told["unacknowledged"] == sum(state in OWED for state in found.values())
        assert told["meters_in_alarm"] == len({tag for (tag, _), state in found.items() if state in ACTIVE})
        return found

    def journal(self) -> list[dict[str, Any]]:
        """What the exported journal has of alarms, oldest first."""
        lines = self.command("export", self.folder, "--as", "json", "--journal").stdout.splitlines()
        return [row for row in map(json.loads, lines) if row["event"].startswith("alarm ")]

    def by_journal(self) -> dict[Key, int]:
        """The last state of each alarm; normal for one that the journal does not name."""
        found = {(tag, name): NUMBERS["normal"] for tag in TAGS for name in NAMES}
        return found | {(row["tag"], row["facts"]["alarm"]): NUMBERS[row["facts"]["state"]] for row in self.journal()}

    def agrees(self, *, first: tuple[str, str], second: tuple[str, str], until: Callable[..., Any]) -> None:
        """Hold all three against what is expected: of each meter the states of flow high and flow high-high."""
        words = dict(zip(TAGS, (first, second), strict=True))
        expected = {(t, n): NUMBERS[word] for t in TAGS for n, word in zip(NAMES, words[t], strict=True)}
        assert self.by_registers() == expected
        assert self.by_command() == expected
        until(lambda: self.by_journal() == expected, what="the journal to say the same")


@pytest.fixture
def library_of() -> Iterator[Callable[[int], ModbusTcpClient]]:
    clients: list[ModbusTcpClient] = []

    def connect(port: int) -> ModbusTcpClient:
        clients.append(ModbusTcpClient("127.0.0.1", port=port))
        assert clients[-1].connect()  # type: ignore[no-untyped-call]
        return clients[-1]

    yield connect
    for each in clients:
        each.close()  # type: ignore[no-untyped-call]


def test_registers_command_and_journal_tell_the_same_through_a_shift(
    small_shift: tuple[Path, int, Publisher],
    live: Callable[..., Life],
    library_of: Callable[[int], ModbusTcpClient],
    uplink: Callable[..., bytes],
    command: Command,
    until: Callable[..., Any],
) -> None:
    folder, port, publisher = small_shift
    shift = Shift(folder, live(folder, port), library_of(port), command)
    until(lambda: shift.life.client.figure("state") & 1, what="the broker")
    counter = iter(range(1, 100))
    quiet = ("normal", "normal")

    def send(meter: int, flow: float) -> None:
        heard = shift.life.heard()
        publisher.send(uplink(next(counter), meter=meter, flow=flow, volume=7))
        until(lambda: shift.life.heard() == heard + 1, what="the uplink")

    def agree(first: tuple[str, str], second: tuple[str, str] = quiet) -> None:
        shift.agrees(first=first, second=second, until=until)

    send(0, 10)
    send(1, 10)
    agree(quiet)
    send(0, 160)  # the leak
    send(1, 120)
    agree(("unacknowledged", "unacknowledged"), ("unacknowledged", "normal"))
    assert not shift.room.write_coil(POINT, True).isError()  # the room has read it, and takes note of the first meter
    agree(("acknowledged", "acknowledged"), ("unacknowledged", "normal"))

    told = len(shift.journal())
    shift.life.kill()
    shift.life, shift.room = live(folder, port), library_of(port)
    agree(("acknowledged", "acknowledged"), ("unacknowledged", "normal"))
    assert len(shift.journal()) == told  # a start raises and acknowledges nothing

    until(lambda: shift.life.client.figure("state") & 1, what="the broker")
    assert shift.room.write_coil(POINT + 1, True).exception_code == 3  # no reset while the gas is there
    send(0, 10)  # the gas has gone
    send(1, 10)
    agree(("normal", "latched, acknowledged"), ("returned, unacknowledged", "normal"))
    assert not shift.room.write_coil(POINT + 1, True).isError()
    agree(quiet, ("returned, unacknowledged", "normal"))
    assert not shift.room.write_coil(POINT + 2, True).isError()
    agree(quiet)

    line = ("shelve", "FT-102", "flow high", "--site", folder, "--for", "2 h", "--why", "pig run")
    assert command(*line, environment={"SUDO_USER": "operator"}).stdout == "FT-102 flow high: shelved\n"
    send(1, 120)  # announces nothing
    agree(quiet, ("shelved", "normal"))
    assert command("unshelve", "FT-102", "flow high", "--site", folder).returncode == 0
    agree(quiet, ("unacknowledged", "normal"))
    who = [(row["event"], row["tag"], row["who"].rpartition(":")[0] or row["who"]) for row in shift.journal()]
    assert ("alarm acknowledged", "FT-101", "127.0.0.1") in who
    assert ("alarm reset", "FT-101", "127.0.0.1") in who
    assert ("alarm shelved", "FT-102", "operator") in who


@pytest.fixture
def small_shift(
    broker: Callable[..., Any],
    site: Callable[..., Path],
    publisher: Callable[..., Publisher],
    new_port: Callable[[], int],
) -> tuple[Path, int, Publisher]:
    """The small site whose alarms are mapped, its port, and what publishes to its broker."""
    there, port = broker(), new_port()
    allow = "allow: [{from: any, may: [read, acknowledge, command]}]"
    folder = site(there.port, tcp=f"127.0.0.1:{port}", alarms=ALARMS, allow=allow)
    text = (folder / "map.yaml").read_text().replace("devices:\n", LAYOUT).replace("    place:\n", PLACE)
    (folder / "map.yaml").write_text(text)
    return folder, port, publisher(there)
