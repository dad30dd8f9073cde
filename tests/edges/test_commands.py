"""What the command line asks of a running service: its state, and a meter into test."""

from __future__ import annotations

import json
import os
import pwd
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.control import Refused, ask
from aggregator.core.gateway import FIGURE_NAMES

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
UNDER_TEST = 1 << 13  # bit 13 of the status word, as config/README.md has it


def test_a_meter_goes_into_test_and_out_of_it_and_the_journal_says_who(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site()
    client = caller(service(folder).port)
    name = pwd.getpwuid(os.getuid()).pw_name
    plain = {**os.environ, "SUDO_USER": ""}
    ended = command("test", "FT-102", "on", "--site", folder, environment=plain)
    assert (ended.returncode, ended.stdout) == (0, "FT-102 is in test\n")
    assert client.registers(116, 1)[0] & UNDER_TEST
    assert not client.registers(100, 1)[0] & UNDER_TEST
    assert client.ask(bytes.fromhex("01 00 64 00 02")) == bytes.fromhex("01 01 02")  # coils 100 and 101
    command("test", "FT-102", "on", "--site", folder, environment=plain)  # a level, no toggle
    assert (
        command("test", "FT-102", "off", "--site", folder, environment={"SUDO_USER": "fitter"}).stdout
        == "FT-102 is out of test\n"
    )
    assert not client.registers(116, 1)[0] & UNDER_TEST
    journal = command("export", folder, "--journal", "--as", "json").stdout.splitlines()
    events = [(event["event"], event["tag"], event["who"]) for event in map(json.loads, journal)]
    assert events == [("meter taken into test", "FT-102", name), ("meter taken out of test", "FT-102", "fitter")]


def test_a_meter_stays_in_test_over_a_restart(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site()
    running = service(folder)
    command("test", "FT-101", "on", "--site", folder)
    running.stop()
    assert caller(service(folder).port).registers(100, 1)[0] & UNDER_TEST


@pytest.mark.parametrize(
    "request_",
    [
        {"tag": "FT-999", "on": True, "who": "fitter"},
        {"tag": ["FT-101"], "on": True, "who": "fitter"},
        {"tag": "FT-101", "on": 1, "who": "fitter"},
        {"tag": "FT-101", "who": "fitter"},
        {"tag": "FT-101", "on": True},
        {"tag": "FT-101", "on": True, "who": " "},
        {"tag": "FT-101", "on": True, "who": "x" * 65},
        {"tag": "FT-101", "on": True, "who": "a\nb"},
        {},
    ],
    ids=str,
)
def test_a_request_that_says_too_little_changes_nothing(
    request_: dict[str, object],
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
) -> None:
    folder = site()
    client = caller(service(folder).port)
    with pytest.raises(Refused):
        ask(folder / "data", {"do": "test", **request_})
    assert not (client.registers(100, 1)[0] | client.registers(116, 1)[0]) & UNDER_TEST


def test_a_tag_that_is_none_ends_with_code_2_and_no_service_with_code_3(
    site: Callable[..., Path], command: Command
) -> None:
    folder = site()
    assert command("total", "FT-999", "volume", "1", "--site", folder).returncode == 2
    ended = command("test", "FT-101", "on", "--site", folder)
    assert (ended.returncode, ended.stdout) == (3, "")
    assert ended.stderr.startswith("no service answers at ")


@pytest.mark.peer("mosquitto")
def test_the_status_says_what_the_registers_say(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    running = rig(meters=3)
    running.publisher.send(uplink(1), uplink(1), uplink(5, meter=1), uplink(9, meter=7), b"no JSON")
    until(lambda: running.client.figure("uplinks_rejected") == 2)
    told = json.loads(command("status", running.folder, "--json").stdout)
    figures = ("meters_good", "uplinks_accepted", "uplinks_duplicate", "uplinks_late", "uplinks_rejected")
    assert {name: told[name] for name in figures} == {name: running.client.figure(name) for name in figures}
    assert {name for name in FIGURE_NAMES if name.startswith(("meters_", "uplinks_"))} < set(told)
    assert (told["broker_connected"], told["broker_trouble"], told["store_problem"]) == (True, None, None)
    assert told["refused"] == {"unknown node": 1, "bad JSON": 1}
    until(lambda: ask(running.folder / "data", {"do": "status"})["store_waiting"] == 0)
    assert ask(running.folder / "data", {"do": "status"})["store_committed"] == 4
    lines = command("status", running.folder).stdout.splitlines()
    assert lines[0] == "Alder Fen biogas works"
    names = ["service", "broker", "files", "clock", "meters", "uplinks", "store"]
    assert [line.split()[0] for line in lines[1:]] == names
    assert "2 taken, 1 doubled, 0 late, 0 lost, 2 refused" in lines[6]
    assert "connected" in lines[2]


@pytest.mark.peer("mosquitto")
def test_the_status_says_whose_uplinks_get_lost_worst_first_and_a_restart_forgets_none_of_the_day(
    rig: Callable[..., Rig],
    service: Callable[..., Service],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
) -> None:
    running = rig(meters=5)
    heard = ((0, (1, 2)), (1, (1, 3)), (2, (1, 5)), (3, (1, 4)), (4, (1, 3)))  # counters of each meter
    running.publisher.send(*(uplink(counter, meter=meter) for meter, counters in heard for counter in counters))
    until(lambda: running.client.figure("uplinks_accepted") == 10)
    told = json.loads(command("status", running.folder, "--json").stdout)["losses"]
    assert [(each["tag"], each["over_a_day"], each["since_start"]) for each in told] == [
        ("FT-103", 60.0, 3),
        ("FT-104", 50.0, 2),
        ("FT-102", pytest.approx(100 / 3), 1),
        ("FT-105", pytest.approx(100 / 3), 1),
    ]
    lines = [line for line in command("status", running.folder).stdout.splitlines() if line.split()[0] == "loss"]
    assert lines[0] == "  loss     FT-103: 60.0 % of a day's uplinks; 3 since the start"
    assert len(lines) == 3
    assert running.service.stop() == 0
    service(running.folder)
    again = json.loads(command("status", running.folder, "--json").stdout)["losses"]
    assert [(each["tag"], each["over_a_day"]) for each in again] == [(each["tag"], each["over_a_day"]) for each in told]
    assert {each["since_start"] for each in again} == {0}


def test_the_status_says_why_there_is_no_broker(
    site: Callable[..., Path], service: Callable[..., Service], until: Callable[..., Any], port: int, command: Command
) -> None:
    folder = site(port)
    service(folder)
    until(lambda: ask(folder / "data", {"do": "status"})["broker_trouble"])
    told = command("status", folder).stdout
    assert "away (the broker cannot be reached: " in told
    assert "last uplink never" in told
