"""What could not be taken is set aside, and comes back after the fix: through the service, or on its files."""

from __future__ import annotations

import json
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.config.configuration import load
from aggregator.control import Refused, ask
from aggregator.core.keeping import KeptAside, KeptUplink
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.recording import Recorded, line_of
from aggregator.replay import NotStored, Replayed, replay_files, set_aside
from aggregator.store import AsideRow, Limits, Store, StoreError

if TYPE_CHECKING:
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
TOPIC = "lns/alder-fen/node/up"


def rows(command: Command, folder: Path, *arguments: str) -> list[dict[str, Any]]:
    ended = command("export", folder, "--as", "json", *arguments)
    assert ended.returncode == 0, ended.stderr
    return [json.loads(line) for line in ended.stdout.splitlines()]


@pytest.mark.peer("mosquitto")
def test_set_aside_then_mended_then_replayed_shows_and_keeps_what_was_sent(
    rig: Callable[..., Rig],
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Any],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
) -> None:
    running = rig()
    profile = running.folder / "profiles" / "gas-point.yaml"
    right = profile.read_text()
    assert running.service.stop() == 0
    profile.write_text(right.replace("binary: {items: [{field: flow, at: 0,", "binary: {items: [{field: flow, at: 6,"))
    wrong = service(running.folder)
    until(lambda: running.broker.subscriptions() == 2)
    sent_at = time.time()
    payload = {"frame": {"counter": 1, "port": 2, "data": "AHsAAABk"}}  # 12.3 m3/h, 100 m3
    for counter in range(1, 6):
        message = json.loads(uplink(counter, ago=1.0 * (6 - counter)))
        del message["decoded"]
        message["frame"] = {**payload["frame"], "counter": counter}
        running.publisher.send(json.dumps(message).encode())
    running.publisher.send(b"no JSON")
    refusing = caller(wrong.port)
    until(lambda: refusing.figure("uplinks_rejected") == 6)
    until(lambda: len(rows(command, running.folder, "--aside")) == 6)
    assert rows(command, running.folder) == []

    still = command("replay", "--site", running.folder, "--aside")  # before the fix
    assert still.stdout.splitlines()[0] == "0 shown, 0 only kept in the history, 0 known already"
    assert len(rows(command, running.folder, "--aside")) == 6

    assert wrong.stop() == 0
    profile.write_text(right)
    mended = service(running.folder)
    client = caller(mended.port)
    assert client.registers(100, 2)[0] & 0x0007 == 0x0007  # bad, never seen
    ended = command("replay", "--site", running.folder, "--aside")
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.splitlines() == [
        "5 shown, 0 only kept in the history, 0 known already",
        "1 still refused and still set aside: bad JSON",
    ]
    status, age = client.registers(100, 2)
    assert status == 0x0001
    assert abs(age - (time.time() - sent_at)) < 5  # as old as it is, not as young as its replay
    kept = rows(command, running.folder, "--field", "flow")
    assert [(row["counter"], row["value"], row["late"]) for row in kept] == [(at, 12.3, False) for at in range(1, 6)]
    assert all(abs(_seconds(row["arrived"]) - sent_at) < 30 for row in kept)
    assert [row["message"] for row in rows(command, running.folder, "--aside")] == ["no JSON"]

    again = command("replay", "--site", running.folder, "--aside")
    assert again.stdout.splitlines()[0] == "0 shown, 0 only kept in the history, 0 known already"
    assert rows(command, running.folder, "--field", "flow") == kept


def _seconds(text: str) -> float:
    from datetime import datetime

    return datetime.fromisoformat(text).timestamp()


# On the files


@pytest.fixture
def aside(site: Callable[..., Path], uplink: Callable[..., bytes]) -> Callable[..., Path]:
    """A small site without a service, with messages set aside `ago` s before now: `aside((b"...", 600), ...)`."""

    def fill(*messages: tuple[bytes, float], broker: int = 9) -> Path:
        folder = site(broker)
        store = Store.open(folder / "data" / "history.db", Limits())
        store.put([KeptAside(time.time() - ago, "unknown node", "x", TOPIC, None, each) for each, ago in messages])
        assert store.close() == 0
        return folder

    return fill


def test_without_a_service_the_files_are_enough(
    aside: Callable[..., Path], uplink: Callable[..., bytes], command: Command
) -> None:
    folder = aside(*((uplink(at, ago=600 - at, flow=at), 600 - at) for at in range(40)), (b"{", 5), (uplink(1, 7), 1))
    ended = command("replay", "--site", folder, "--aside")
    assert ended.returncode == 0
    assert ended.stderr == "no service runs on this site; replaying on its files\n"
    assert ended.stdout.splitlines() == [
        "40 shown, 0 only kept in the history, 0 known already",
        "1 still refused and still set aside: bad JSON",
        "1 still refused and still set aside: unknown node",
    ]
    assert [row["counter"] for row in rows(command, folder)] == list(range(40))
    assert len(rows(command, folder, "--aside")) == 2


def test_what_is_replayed_on_the_files_shows_after_the_start(
    aside: Callable[..., Path],
    uplink: Callable[..., bytes],
    command: Command,
    service: Callable[..., Service],
    caller: Callable[[int], Any],
) -> None:
    folder = aside((uplink(7, ago=100, flow=12.5), 100))
    command("replay", "--site", folder, "--aside")
    status, age = caller(service(folder).port).registers(100, 2)
    assert status & 0x0400  # restored
    assert 100 <= age < 160


def test_one_that_was_taken_meanwhile_is_kept_once(
    aside: Callable[..., Path], uplink: Callable[..., bytes], command: Command
) -> None:
    message = uplink(7, ago=100, flow=12.5)
    folder = aside((message, 100), (message, 99))
    assert command("replay", "--site", folder, "--aside").stdout.splitlines() == [
        "1 shown, 0 only kept in the history, 1 known already"
    ]
    assert [row["value"] for row in rows(command, folder)] == [12.5]
    assert rows(command, folder, "--aside") == []


def test_an_old_one_is_only_kept_where_a_newer_one_is_shown(
    aside: Callable[..., Path], uplink: Callable[..., bytes], command: Command
) -> None:
    folder = aside((uplink(8, ago=100, flow=8), 100))
    command("replay", "--site", folder, "--aside")
    store = Store.open(folder / "data" / "history.db", Limits())
    store.put([KeptAside(time.time() - 1000, "bad payload", "x", TOPIC, None, uplink(7, ago=1000, flow=7))])
    store.close()
    assert "0 shown, 1 only kept in the history" in command("replay", "--site", folder, "--aside").stdout
    assert [(row["value"], row["late"]) for row in rows(command, folder)] == [(7, True), (8, False)]


def test_where_nothing_was_ever_stored_nothing_is_made(site: Callable[..., Path], command: Command) -> None:
    folder = site()
    ended = command("replay", "--site", folder, "--aside")
    assert ended.returncode == 3
    assert "there is no history at" in ended.stderr
    assert not (folder / "data").exists()


def test_a_file_that_another_store_writes_is_left_alone(
    aside: Callable[..., Path], uplink: Callable[..., bytes]
) -> None:
    folder = aside((uplink(7, ago=10), 10))
    path = folder / "data" / "history.db"
    declared = load(folder).declared
    store = Store.open(path, Limits())
    with pytest.raises(NotStored, match="another store is writing this file"):
        replay_files(declared, path, Limits(), Now(0.0, time.time()), clock_trusted=True)
    assert len(list(store.aside())) == 1
    store.close()


def test_a_message_is_forgotten_only_once_what_it_brought_is_safe(
    site: Callable[..., Path], uplink: Callable[..., bytes]
) -> None:
    small = Site(load(site()).declared, Now(0.0, time.time()))
    message = KeptAside(time.time() - 10, "unknown node", "x", TOPIC, None, uplink(7, ago=10))
    dones: list[Callable[[], None]] = []

    def put(_kept: object, done: Callable[[], None] | None) -> None:
        assert done is not None
        dones.append(done)

    replayed = Replayed()
    replayed.take(small, set_aside([AsideRow(3, message)]), Now(0.0, time.time()), put)
    assert (replayed.shown, replayed.safe) == (1, [])
    dones[0]()
    assert replayed.safe == [3]


def test_a_disk_that_takes_nothing_loses_no_message(
    aside: Callable[..., Path], uplink: Callable[..., bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = aside((uplink(7, ago=10), 10))
    path = folder / "data" / "history.db"
    monkeypatch.setattr("aggregator.replay.WRITTEN_WITHIN", 0.3)

    def full(*_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr("aggregator.store.rows.Rows._put_uplinks", full)
    with pytest.raises(NotStored, match="the disk is full"):
        replay_files(load(folder).declared, path, Limits(), Now(0.0, time.time()), clock_trusted=True)
    monkeypatch.undo()
    store = Store.open(path, Limits())
    assert len(list(store.aside())) == 1
    store.close()


# Through the socket


def test_two_replays_at_once_take_each_message_once(
    aside: Callable[..., Path], uplink: Callable[..., bytes], service: Callable[..., Service], command: Command
) -> None:
    import threading

    folder = aside(*((uplink(at, ago=900 - at, flow=at), 900 - at) for at in range(100)))
    service(folder)
    answers: list[dict[str, Any]] = []
    threads = [
        threading.Thread(target=lambda: answers.append(ask(folder / "data", {"do": "replay aside"}))) for _ in range(3)
    ]
    for each in threads:
        each.start()
    for each in threads:
        each.join(30)
    assert sorted(answer["shown"] for answer in answers) == [0, 0, 100]
    assert {answer["known"] for answer in answers} == {0}
    assert len(rows(command, folder, "--field", "flow")) == 100
    assert rows(command, folder, "--aside") == []


def test_what_a_replay_keeps_is_the_store_s_word_for_an_uplink(
    site: Callable[..., Path], uplink: Callable[..., bytes]
) -> None:
    now = Now(1000.0, time.time())
    small = Site(load(site()).declared, now)
    put: list[object] = []
    message = KeptAside(now.utc - 500, "unknown node", "x", TOPIC, None, uplink(7, ago=500))
    Replayed().take(small, set_aside([AsideRow(1, message)]), now, lambda kept, _: put.extend(kept))
    (kept,) = [each for each in put if isinstance(each, KeptUplink)]
    assert (kept.arrived, kept.late) == (now.utc - 500, False)


# A recording


@pytest.fixture
def day(tmp_path: Path, uplink: Callable[..., bytes]) -> Path:
    """A recording of eight uplinks a minute apart, two of them of a node that is nobody's, and one retained."""
    path = tmp_path / "day.jsonl"
    now = time.time()
    uplinks = [
        Recorded(now - ago, TOPIC, uplink(counter, meter, ago=ago, flow=counter, volume=1))
        for counter, (meter, ago) in enumerate(((0, 480.0), (7, 420.0), (0, 360.0), (1, 300.0), (0, 240.0), (7, 180.0)))
    ]
    retained = Recorded(now, TOPIC, uplink(9, flow=999, volume=1), retained=True)
    path.write_text("".join(map(line_of, [*uplinks, retained])))
    return path


def flows(command: Command, folder: Path) -> list[tuple[str, float, bool]]:
    return [(row["tag"], row["value"], row["late"]) for row in rows(command, folder, "--field", "flow")]


@pytest.mark.peer("mosquitto")
def test_a_recording_is_taken_as_of_when_it_was_recorded(
    rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any], command: Command, day: Path
) -> None:
    running = rig()
    running.publisher.send(uplink(4, meter=1, ago=100.0, flow=7, volume=1))
    until(lambda: running.accepted() == 1)
    ended = command("replay", "--site", running.folder, day)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.splitlines() == [
        "3 shown, 1 only kept in the history, 0 known already",
        "2 refused: unknown node",
        "left out 1 that the broker had retained: they would pass for fresh",
    ]
    status, age = running.client.registers(100, 2)
    assert status == 1
    assert 240 <= age <= 300
    assert running.client.registers(102, 2) == (0x4080, 0)  # 4.0, the newest that was recorded of FT-101
    assert running.client.registers(118, 2) == (0x40E0, 0)  # 7.0, which came since
    kept = [("FT-101", 0, False), ("FT-101", 2, False), ("FT-102", 3, True), ("FT-101", 4, False), ("FT-102", 7, False)]
    assert flows(command, running.folder) == kept
    assert command("replay", "--site", running.folder, day).stdout.startswith("0 shown, ")
    assert flows(command, running.folder) == kept


def test_a_recording_fills_the_files_of_a_site_that_does_not_run(
    site: Callable[..., Path], command: Command, day: Path
) -> None:
    folder = site()
    ended = command("replay", "--site", folder, day)
    assert ended.returncode == 0
    assert ended.stderr == "no service runs on this site; replaying on its files\n"
    assert ended.stdout.startswith("4 shown, 0 only kept in the history, 0 known already\n")
    assert [value for _, value, _ in flows(command, folder)] == [0, 2, 3, 4]


@pytest.mark.parametrize("runs", [True, False])
def test_a_recording_with_a_wrong_line_changes_nothing(
    runs: bool, site: Callable[..., Path], service: Callable[..., Service], command: Command, day: Path
) -> None:
    folder = site()
    if runs:
        service(folder)
    day.write_text(day.read_text() + "{}\n")
    ended = command("replay", "--site", folder, day)
    assert (ended.returncode, ended.stdout) == (3, "")
    assert ended.stderr.startswith(f"{day}:8: this is no recorded message: no `topic`")
    gone = command("replay", "--site", folder, day.parent / "none.jsonl")
    assert (gone.returncode, gone.stderr.startswith("cannot read ")) == (3, True)
    if runs:
        assert rows(command, folder) == []
        with pytest.raises(Refused, match=r"none\.jsonl cannot be read by the service"):
            ask(folder / "data", {"do": "replay file", "file": str(day.parent / "none.jsonl")})
