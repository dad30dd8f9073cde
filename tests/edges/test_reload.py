"""A site's files taken anew under a running service: polls go on, and wrong files change nothing."""

from __future__ import annotations

import json
import signal
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from pymodbus.client import ModbusTcpClient

from aggregator.control import ask

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
FILES_REFUSED = 8  # bit 3 of the gateway's state


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


def test_a_meter_more_appears_and_nothing_else_moves(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site(meters=2)
    running = service(folder)
    client = caller(running.port)
    command("test", "FT-101", "on", "--site", folder, "--why", "calibration")
    before = client.registers(100, 32)
    site(meters=3, tcp=f"127.0.0.1:{running.port}")
    site_file = (folder / "site.yaml").read_text()
    (folder / "site.yaml").write_text(site_file.replace(f"127.0.0.1:{running.port}", "127.0.0.1:0"))
    told = command("reload", folder)
    assert (told.returncode, told.stderr) == (0, "")
    assert told.stdout.startswith("taken, 1 time since the start; map ")
    after = client.registers(100, 48)
    assert after[:32] == before
    assert after[32] == 7  # never seen, bad
    assert client.figure("meters_total") == 3
    (event,) = running.log("files taken anew")
    assert event["meters_new"] == ["FT-103"]
    assert "meters_gone" not in event  # there are none


def test_wrong_files_change_nothing_and_are_shown(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    folder = site(meters=2)
    running = service(folder)
    client = caller(running.port)
    before = client.registers(100, 32)
    good = (folder / "map.yaml").read_text()
    (folder / "map.yaml").write_text(good[: len(good) // 2] + "\n  devices: [")  # as an editor may leave it
    running.process.send_signal(signal.SIGHUP)
    until(lambda: client.figure("state") & FILES_REFUSED, what="the bit")
    assert client.registers(100, 32) == before
    (line, *_) = running.log("file wrong")
    assert "map.yaml:" in line["problem"]
    (folder / "map.yaml").write_text(good)
    running.process.send_signal(signal.SIGHUP)
    until(lambda: not client.figure("state") & FILES_REFUSED, what="the end of the bit")
    assert client.figure("generation") == 1


def test_a_command_says_what_is_wrong_with_the_files(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site()
    running = service(folder)
    change(folder / "meters.yaml", "profile: gas-point", "profile: gas-pont")
    ended = command("reload", folder)
    assert ended.returncode == 1
    assert "there is no profile `gas-pont`" in ended.stderr
    assert "there is no profile `gas-pont`" in running.log("file wrong")[0]["problem"]
    told = ask(folder / "data", {"do": "status"})
    assert (told["files_refused"], told["generation"]) == (True, 0)
    assert "the last change was refused" in command("status", folder).stdout
    change(folder / "meters.yaml", "profile: gas-pont", "profile: gas-point")
    assert command("reload", folder).returncode == 0
    told = ask(folder / "data", {"do": "status"})
    assert (told["files_refused"], told["generation"]) == (False, 1)
    assert "the last change was refused" not in command("status", folder).stdout


def test_a_meter_that_a_client_polls_and_is_taken_out_is_answered_as_the_new_map_says(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site(meters=2)
    running = service(folder)
    client = caller(running.port)
    with (folder / "map.yaml").open("a") as file:
        file.write("  - {unit: 7, gateway_block: 0}\n")
    assert client.ask(b"\4\0\0\0\1", unit=7).hex() == "840b"
    assert command("reload", folder).returncode == 0
    assert client.ask(b"\4\0\0\0\1", unit=7)[0] == 4
    change(folder / "map.yaml", "  - {unit: 7, gateway_block: 0}\n", "")
    change(folder / "map.yaml", "[FT-101, FT-102]", "[FT-101]")
    text = (folder / "meters.yaml").read_text()
    kept = [line for line in text.splitlines() if "FT-102" not in line]
    (folder / "meters.yaml").write_text("\n".join(kept) + "\n")
    assert command("reload", folder).returncode == 0
    assert client.ask(b"\4\0\0\0\1", unit=7).hex() == "840b"
    assert client.ask(b"\4\0\x74\0\x10").hex() == "8402"  # the block of FT-102
    assert client.registers(100, 16)[0] == 7


def test_reloads_that_come_at_once_are_taken_one_after_the_other(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    folder = site(meters=20)
    client = caller(service(folder).port)
    told: list[int] = []

    def reload() -> None:
        told.append(ask(folder / "data", {"do": "reload", "who": "test"})["generation"])

    threads = [threading.Thread(target=reload) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == [1, 2, 3, 4]
    assert client.figure("generation") == 4


def test_files_are_followed_where_the_site_wants_that(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    until: Callable[..., Any],
) -> None:
    folder = site()
    with (folder / "site.yaml").open("a") as file:
        file.write("follow_files: yes\n")
    client = caller(service(folder).port)
    change(folder / "meters.yaml", "name: Point FT-101", "name: Another name")
    until(lambda: client.figure("generation") == 1, 20, "the change")


@pytest.mark.peer("mosquitto")
def test_readings_totals_and_alarms_go_on(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    running = rig(alarms="{field: flow, high: 100 m3/h, priority: high}")
    running.publisher.send(uplink(1, flow=160, volume=7))
    until(lambda: running.accepted() == 1)
    before = running.client.registers(100, 16)
    change(running.folder / "meters.yaml", "name: Point FT-102", "name: Another name")
    assert command("reload", running.folder).returncode == 0
    after = running.client.registers(100, 16)
    assert (after[0], after[2:]) == (before[0], before[2:])  # the age in between counts on
    standing = ask(running.folder / "data", {"do": "alarms"})["alarms"]
    assert [(each["tag"], each["state"]) for each in standing] == [("FT-101", "unacknowledged")]
    running.publisher.send(uplink(1, flow=160, volume=7))  # the same frame once more
    running.publisher.send(uplink(2, flow=10, volume=8))
    until(lambda: running.accepted() == 2)
    assert running.client.figure("uplinks_duplicate") == 1


@pytest.mark.peer("mosquitto")
def test_other_topics_are_subscribed_to(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    running = rig()
    change(running.folder / "site.yaml", "lns/alder-fen/+/up", "lns/other/+/up")
    assert command("reload", running.folder).returncode == 0
    until(running.connected)

    def arrived() -> bool:
        running.publisher.send(uplink(1, flow=160, volume=7), topic="lns/other/a/up")
        return running.accepted() == 1

    until(arrived, what="an uplink on the new topic")


def test_listeners_come_and_go(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    command: Command,
    port: int,
) -> None:
    folder = site()
    running = service(folder)
    stays = caller(running.port)
    with (folder / "site.yaml").open("a") as file:
        file.write(f"  - {{tcp: 127.0.0.1:{port}, allow: [{{from: any}}]}}\n")
    assert command("reload", folder).returncode == 0
    assert caller(port).figure("meters_total") == 2
    assert stays.figure("meters_total") == 2
    change(folder / "site.yaml", f"  - {{tcp: 127.0.0.1:{port}, allow: [{{from: any}}]}}\n", "")
    assert command("reload", folder).returncode == 0
    assert stays.figure("generation") == 2
    with pytest.raises(OSError, match="refused"):
        caller(port)


def test_twenty_reloads_disturb_no_poll(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    """A client of another make polls throughout; every answer is whole, its own and right."""
    folder = site(meters=20)
    running = service(folder)
    known = caller(running.port).registers(40, 16)  # the test block
    ended = threading.Event()
    wrong: list[object] = []
    polls = [0, 0.0]

    def poll() -> None:
        with ModbusTcpClient("127.0.0.1", port=running.port, timeout=5) as client:
            while not ended.is_set():
                began = time.monotonic()
                answer = client.read_input_registers(40, count=16, device_id=1)
                polls[0] += 1
                polls[1] = max(polls[1], time.monotonic() - began)
                if answer.isError() or tuple(answer.registers) != tuple(known):
                    wrong.append(answer)

    thread = threading.Thread(target=poll)
    thread.start()
    try:
        for at in range(20):
            change(folder / "meters.yaml", f"name: Point {at}" if at else "name: Point FT-101", f"name: Point {at + 1}")
            assert ask(folder / "data", {"do": "reload", "who": "test"})["generation"] == at + 1
    finally:
        ended.set()
        thread.join()
    assert wrong == []
    assert polls[0] > 20
    print(json.dumps({"polls": polls[0], "longest_s": round(polls[1], 3)}))
