"""The day on which plant software is connected: who polls, what it asked wrongly, what a register is, who may write.

The clients are foreign ones: mbpoll, pymodbus and plain sockets.
"""

from __future__ import annotations

import asyncio
import json
import random
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest
from pymodbus.client import ModbusTcpClient

from aggregator.commands.connecting import ConnectingCommands
from aggregator.config.configuration import load
from aggregator.control import LONGEST_ANSWER
from aggregator.core.access import Party, Right
from aggregator.core.account import MOST_ACCOUNTS, MOST_WRONG, Accounts
from aggregator.core.modbus import Conversation
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.core.units import who_answers

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

Run = Callable[..., subprocess.CompletedProcess[str]]
NOW = Now(5000.0, 1_795_600_000.0)
READ_ONLY = "allow: [127.0.0.0/8]"
READ_ONE = bytes.fromhex("04 00 28 00 01")


def clients_of(command: Run, folder: Path) -> dict[str, Any]:
    ended = command("clients", folder, "--json")
    assert ended.returncode == 0, ended.stderr
    told: dict[str, Any] = json.loads(ended.stdout)
    return told


def journal(command: Run, folder: Path, event: str) -> list[dict[str, Any]]:
    ended = command("export", folder, "--journal", "--as", "json")
    assert ended.returncode == 0, ended.stderr
    rows = [json.loads(line) for line in ended.stdout.splitlines()]
    return [row for row in rows if row["event"] == event]


@pytest.mark.peer("mbpoll")
def test_a_foreign_client_s_slips_are_told_with_what_was_meant(
    site: Callable[..., Path], service: Callable[..., Service], command: Run, peer: dict[str, str]
) -> None:
    folder = site()
    port = service(folder).port

    def ask(*arguments: str) -> None:
        line = [peer["mbpoll"], "-m", "tcp", "-p", str(port), "-0", "-1", *arguments, "127.0.0.1"]
        subprocess.run(line, capture_output=True, check=False, timeout=20)

    ask("-t", "3", "-r", "40", "-c", "4")
    ask("-t", "4", "-r", "40041", "-c", "4")  # a reference as it is written
    ask("-t", "4", "-r", "9001", "-c", "40")  # a data number
    ask("-t", "3", "-r", "40", "-c", "4", "-a", "9")
    [client] = clients_of(command, folder)["clients"]
    assert client["host"] == "127.0.0.1"
    assert (client["requests"], client["connected"], client["connections"]) == (4, 4, 0)
    assert client["reads"] == [{"unit": 1, "function": 4, "addresses": [[40, 43]]}]
    assert client["exceptions"] == {"02": 2, "0B": 1}
    meant = {(each["unit"], each["start"]): each["meant"] for each in client["wrong"]}
    assert meant == {
        (1, 40041): "a reference was sent as written: without 40001 it is address 40, which is there",
        (1, 9001): "a data number was sent as an address: holding registers 9000-9039 are there",
        (9, 40): "no device is unit 9; there is 1",
    }
    printed = command("clients", folder).stdout
    assert "unit 1, function 03 for 40041-40044: exception 02, once" in printed
    assert "a data number was sent as an address" in printed
    assert "unit 1, function 04: 40-43" in printed


def test_a_client_that_may_only_read_writes_nothing_and_that_is_on_record(
    site: Callable[..., Path], service: Callable[..., Service], command: Run
) -> None:
    """Exception 01: MODBUS/TCP Security v21, role-based authorization, from memory."""
    folder = site(allow=READ_ONLY)
    running = service(folder)
    client = ModbusTcpClient("127.0.0.1", port=running.port)
    assert client.connect()  # type: ignore[no-untyped-call]
    for _ in range(20):
        assert client.write_coil(100, value=True, device_id=1).exception_code == 1
        assert client.write_register(9000, 7, device_id=1).exception_code == 1
    assert client.read_coils(100, count=1, device_id=1).bits[0] is False
    assert client.read_holding_registers(9000, count=1, device_id=1).registers == [0]
    client.close()  # type: ignore[no-untyped-call]
    told = clients_of(command, folder)
    assert told["refused"] == {"write refused": 40}
    assert {each["meant"] for each in told["clients"][0]["wrong"]} == {
        "this client may not write that: `allow` of the listener in site.yaml gives the right"
    }
    assert running.stop() == 0
    [row] = journal(command, folder, "write refused")
    assert row["who"] == "127.0.0.1"


def test_without_a_word_about_it_everybody_may_read_and_nobody_may_write(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    client = caller(service(site(allow="idle: 5 min")).port)
    assert client.ask(READ_ONE) == bytes.fromhex("04 02 12 34")
    assert client.ask(bytes.fromhex("06 23 28 00 07")) == bytes.fromhex("86 01")


def test_each_write_is_in_the_journal_with_who_where_old_new_and_result(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Run
) -> None:
    folder = site()
    running = service(folder)
    client = caller(running.port)
    assert client.ask(bytes.fromhex("05 00 64 FF 00")) == bytes.fromhex("05 00 64 FF 00")
    name = "{}:{}".format(*client.sock.getsockname())
    assert running.stop() == 0
    [row] = journal(command, folder, "register written")
    assert (row["who"], row["tag"]) == (name, "FT-101")
    facts = row["facts"]
    assert (facts["register"], facts["old"], facts["new"], facts["result"]) == ("1: coil 100", False, True, "done")


def test_a_host_that_may_not_connect_is_closed_counted_and_journalled_once(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[..., Caller], command: Run
) -> None:
    folder = site(allow="allow: [127.0.0.1]")
    running = service(folder)
    for _ in range(5):
        assert caller(running.port, "127.0.0.2").is_closed()
    assert caller(running.port).ask(READ_ONE) == bytes.fromhex("04 02 12 34")
    told = clients_of(command, folder)
    assert told["refused"] == {"connection refused": 5}
    assert [client["host"] for client in told["clients"]] == ["127.0.0.1"]
    assert running.stop() == 0
    [row] = journal(command, folder, "connection refused")
    assert row["who"] == "127.0.0.2"


def explained(command: Run, folder: Path, *arguments: str) -> dict[str, str]:
    ended = command("explain", *arguments[:1], "--site", folder, *arguments[1:])
    assert ended.returncode == 0, ended.stderr
    pairs = (line.split("  ", 1) for line in ended.stdout.splitlines() if line)
    told: dict[str, str] = {}
    for label, text in pairs:
        told.setdefault(label, text.strip())
    return told


def test_a_register_is_explained_with_what_the_running_service_holds(
    site: Callable[..., Path], service: Callable[..., Service], command: Run
) -> None:
    folder = site()
    running = service(folder)
    told = explained(command, folder, "30045")
    assert told["register"] == "input register 44 (data number 45, reference 300045), of device 1, unit 1"
    assert told["shows"] == "test block: constant -2 (1 of 2 registers)"
    assert told["functions"] == "04, 03"
    assert told["holds"] == "-2 (FFFF FFFE)"  # two's complement
    flow = explained(command, folder, "input:103")
    assert flow["shows"] == "FT-101: flow (2 of 2 registers)"
    assert (flow["unit"], flow["stands as"]) == ("m3/h", "float32, words high-first, bytes high-first")
    assert flow["declared"].startswith("map.yaml:")
    assert flow["holds"] == "no value (7FC0 0000)"  # a quiet NaN, IEEE 754
    assert flow["quality"].startswith("bad: never seen")
    assert running.stop() == 0
    assert explained(command, folder, "input:103")["holds"] == "not known: no service runs on this site"


def test_where_nothing_stands_the_nearest_is_told(site: Callable[..., Path], command: Run) -> None:
    folder = site()
    free = explained(command, folder, "60000")
    assert free["shows"] == "nothing: no block stands there, and a read gets exception 02"
    assert free["before it"] == "input register 131, FT-102: quad status"
    gap = explained(command, folder, "input:70")
    assert gap["shows"].startswith("no item, reads as zero: it is kept free in input registers 40-79 of test block")
    seen = explained(command, folder, "holding:102")
    assert seen["shows"] == "nothing to write; function 03 shows input register 102, FT-101: flow"


@pytest.mark.parametrize("wrong", ["inpt:3", "70000", "flow"])
def test_what_is_no_register_is_refused_with_the_forms(site: Callable[..., Path], command: Run, wrong: str) -> None:
    ended = command("explain", wrong, "--site", site())
    assert ended.returncode == 2
    assert "input:122" in ended.stderr


def test_the_longest_answer_about_clients_fits_the_control_socket(site: Callable[..., Path]) -> None:
    """As many hosts as are remembered, each with as many odd requests and scattered reads as are kept of one."""
    small = Site(load(site()).declared, NOW)
    accounts, devices = Accounts(small.refusals), small.declared.devices
    units = who_answers(devices, {device.name: device for device in devices})
    scattered = random.Random(31)
    for host in range(MOST_ACCOUNTS):
        account = accounts.open("192.168.100.100:502", f"2001:db8:ffff:ffff:ffff:ffff:ffff:{host:04x}", NOW)
        client = Conversation(small.units(), Party(account.host, Right.READ), account)
        for function in (1, 2, 3, 4, 6) * 100:
            unit, start = scattered.choice((0, 1, 9, 255)), scattered.randrange(40, 140)
            start += scattered.choice((0, 40001, 60000 - 140))
            client.receive(struct.pack(">HHHBBHH", 1, 0, 6, unit, function, start % 65536, 1), NOW)
    commands = ConnectingCommands(lambda: small, lambda: NOW, accounts, lambda _: units)
    told: dict[str, Any] = dict(asyncio.run(cast("Any", commands.clients({}))))
    assert len(told["clients"]) == MOST_ACCOUNTS
    assert all(len(client["wrong"]) == MOST_WRONG for client in told["clients"])
    assert len(json.dumps({"done": told})) < LONGEST_ANSWER


def test_a_service_that_does_not_run_is_said_not_to(site: Callable[..., Path], command: Run) -> None:
    ended = command("clients", site())
    assert ended.returncode == 3
    assert "no service answers" in ended.stderr
