"""A setting of the site, set by a panel and from the command line, over a kill of the service."""

from __future__ import annotations

import csv
import io
import struct
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from subprocess import CompletedProcess

    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

Command = Callable[..., "CompletedProcess[str]"]
ITEMS = "    holding: {0: {setting: gas_limit, as: float32}}\n    discrete: {0: stale, 1: bad}\n"
SETTINGS = "settings:\n  gas_limit: {label: gas for the boilers, unit: m3/h, may_be: 0 .. 900, default: 600 m3/h}\n"
SET, HOLDS = 200, 110  # registers: to set, and what holds


@pytest.fixture
def folder(site: Callable[..., Path]) -> Path:
    """The small site with a setting, to be set at holding register 200 and read at input register 110."""
    folder = site()
    meters = folder / "meters.yaml"
    meters.write_text(SETTINGS + meters.read_text())
    text = (folder / "map.yaml").read_text()
    text = text.replace("    discrete: {0: stale, 1: bad}\n", ITEMS)
    text = text.replace("      10: {field: quad, as: uint64}\n", "      10: {setting: gas_limit, as: float32}\n")
    text = text.replace(
        "        coil: {from: 100, every: 1}\n", "        coil: {from: 100, every: 1}\n        holding: {from: 200}\n"
    )
    (folder / "map.yaml").write_text(text)
    return folder


def held(client: Caller, function: int, address: int) -> float:
    answer = client.ask(struct.pack(">BHH", function, address, 2))
    assert answer[0] == function, answer.hex()
    return float(struct.unpack(">f", answer[2:])[0])


def journal(command: Command, folder: Path) -> list[dict[str, str]]:
    told = command("export", folder, "--journal")
    assert told.returncode == 0, told.stderr
    return [row for row in csv.DictReader(io.StringIO(told.stdout)) if row["event"] == "setting changed"]


def test_a_setting_is_set_by_register_and_by_command_and_outlives_a_kill(
    folder: Path,
    service: Callable[[Path], Service],
    caller: Callable[[int], Caller],
    command: Command,
    until: Callable[..., Any],
) -> None:
    running = service(folder)
    client = caller(running.port)
    assert held(client, 4, HOLDS) == 600.0
    assert client.ask(struct.pack(">BHHBf", 16, SET, 2, 4, 250.5)) == struct.pack(">BHH", 16, SET, 2)
    assert held(client, 3, SET) == held(client, 4, HOLDS) == 250.5
    assert client.ask(struct.pack(">BHHBf", 16, SET, 2, 4, 901.0)) == bytes.fromhex("9003")
    assert held(client, 4, HOLDS) == 250.5
    told = command("set", "gas_limit", "10 m3/min", "--site", folder)
    assert (told.returncode, told.stdout) == (0, "gas_limit is 600 m3/h\n")
    assert held(client, 4, HOLDS) == 600.0
    command("set", "gas_limit", "300", "--site", folder)
    until(lambda: len(journal(command, folder)) == 3, 20, "the three changes in the journal")
    running.kill()
    client = caller(service(folder).port)
    assert held(client, 3, SET) == held(client, 4, HOLDS) == 300.0
    listed = command("settings", folder).stdout
    assert "gas_limit" in listed
    assert "300 m3/h" in listed
    assert "0 .. 900 m3/h" in listed
    assert command("set", "gas_limit", "--from-file", "--site", folder).stdout == "gas_limit is 600 m3/h\n"
    assert "meters.yaml" in command("settings", folder).stdout


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("gas_limits", "1"), 2, "there is no setting gas_limits; there is gas_limit"),
        (("gas_limit",), 2, "write a value, or --from-file"),
        (("gas_limit", "1", "--from-file"), 2, "write a value, or --from-file"),
        (("gas_limit", "5 mbar"), 2, "mbar cannot be turned into m3/h"),
        (("gas_limit", "901"), 3, "gas_limit may be 0 to 900 m3/h, not 901"),
        (("gas_limit", "-1"), 3, "gas_limit may be 0 to 900 m3/h, not -1"),
    ],
)
def test_what_cannot_be_set_is_said_and_changes_nothing(
    folder: Path, service: Callable[[Path], Service], command: Command, arguments: tuple[str, ...], code: int, said: str
) -> None:
    service(folder)
    told = command("set", *arguments, "--site", folder)
    assert told.returncode == code
    assert said in " ".join(told.stderr.replace("│", " ").split())
    assert "600 m3/h" in command("settings", folder).stdout


def test_after_a_reload_a_command_sets_what_plant_software_reads(
    folder: Path, service: Callable[[Path], Service], caller: Callable[[int], Caller], command: Command
) -> None:
    client = caller(service(folder).port)
    assert command("set", "gas_limit", "300", "--site", folder).returncode == 0
    assert command("reload", folder).returncode == 0
    assert held(client, 3, SET) == held(client, 4, HOLDS) == 300.0
    assert command("set", "gas_limit", "200", "--site", folder).returncode == 0
    assert held(client, 3, SET) == held(client, 4, HOLDS) == 200.0
