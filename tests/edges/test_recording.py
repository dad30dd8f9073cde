"""Recording a broker's traffic beside the service, and playing it again."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from aggregator.mqtt import Broker as BrokerKeys
from aggregator.mqtt import NotPublished
from aggregator.recording import CannotRecord, Recorded, WrongRecording, line_of, messages_of, publish, record

if TYPE_CHECKING:
    from tests.edges.broker import Broker, Publisher
    from tests.edges.conftest import Rig

Command = Callable[..., subprocess.CompletedProcess[str]]
TOPICS = ("lns/alder-fen/+/up", "radio/alder-fen/+/up")


@given(
    st.builds(
        Recorded,
        st.integers(-(10**12), 10**13).map(lambda milliseconds: milliseconds / 1000),
        st.text(st.characters(exclude_characters="+#\0", exclude_categories=["Cs"]), min_size=1),
        st.binary() | st.text(st.characters(exclude_categories=["Cs"])).map(str.encode),
        st.booleans(),
    )
)
def test_any_message_comes_back_from_its_line(tmp_path_factory: pytest.TempPathFactory, message: Recorded) -> None:
    path = tmp_path_factory.getbasetemp() / "one.jsonl"
    line = line_of(message)
    assert line.count("\n") == 1
    path.write_text(line, encoding="utf-8")
    (found,) = messages_of(path)
    assert found[1:] == message[1:]
    assert abs(found.at - message.at) < 0.001


GOOD = {"at": "2027-01-15T08:00:00Z", "topic": "a/b", "message": "x", "retained": False}


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("{", "Expecting"),
        ("[]", "not a JSON object"),
        (json.dumps({"topic": "a", "message": "x"}), "no `at`"),
        (json.dumps({**GOOD, "topic": ""}), "no topic"),
        (json.dumps({**GOOD, "topic": "a/+"}), "no topic"),
        (json.dumps({**GOOD, "topic": 7}), "no topic"),
        (json.dumps({**GOOD, "topic": "x" * 65536}), "no topic"),
        (json.dumps({**GOOD, "message": 7}), "neither text nor base64"),
        (json.dumps({**GOOD, "message": {"base64": "?"}}), "base64"),
        (json.dumps({**GOOD, "message": {}}), "no `base64`"),
        (json.dumps({**GOOD, "retained": "no"}), "neither true nor false"),
        (json.dumps({**GOOD, "at": "noon"}), "noon"),
        ("[" * 100_000, "recursion"),
    ],
    ids=lambda text: text[:40],
)
def test_a_line_that_is_no_message_is_named_with_file_and_line(line: str, what: str, tmp_path: Path) -> None:
    path = tmp_path / "recording.jsonl"
    path.write_text(f"{json.dumps(GOOD)}\n\n{line}\n")
    found = messages_of(path)
    assert next(found).topic == "a/b"
    with pytest.raises(WrongRecording, match=rf"recording\.jsonl:3: this is no recorded message: .*{what}"):
        next(found)


def keys(port: int, version: str = "5") -> BrokerKeys:
    return BrokerKeys("127.0.0.1", port, version, "alder-fen-desk", keeps=0.0)


@pytest.fixture
def recording(tmp_path: Path, until: Callable[..., Any]) -> Iterator[Callable[..., subprocess.Popen[bytes]]]:
    """Start `aggregator record` in a process, and return once the broker has its subscription."""
    started: list[subprocess.Popen[bytes]] = []

    def start(broker: Broker, folder: Path, *arguments: str) -> subprocess.Popen[bytes]:
        before = (broker.folder / "broker.log").read_text().count("1 lns/alder-fen/+/up")
        line = [sys.executable, "-m", "aggregator", "record", str(folder), *arguments]
        started.append(subprocess.Popen(line, stderr=subprocess.PIPE))
        until(lambda: (broker.folder / "broker.log").read_text().count("1 lns/alder-fen/+/up") > before, 20)
        return started[-1]

    yield start
    for each in started:
        if each.poll() is None:
            each.kill()
        each.communicate()


def flows(command: Command, folder: Path) -> list[tuple[str, str]]:
    """Frame counter and flow of all that is in the history."""
    ended = command("export", folder, "--field", "flow")
    return [(row["counter"], row["value"]) for row in csv.DictReader(ended.stdout.splitlines())]


@pytest.mark.peer("mosquitto")
def test_a_recording_is_not_written_over_unasked(
    rig: Callable[..., Rig],
    recording: Callable[..., subprocess.Popen[bytes]],
    uplink: Callable[..., bytes],
    command: Command,
    tmp_path: Path,
) -> None:
    running = rig()
    target = tmp_path / "day.jsonl"
    target.write_text("what cannot be had again\n")
    refused = command("record", running.folder, "--output", target, "--count", "1")
    assert (refused.returncode, refused.stdout) == (3, "")
    assert refused.stderr == f"{target} holds something already. Name another file, or say --overwrite.\n"
    assert target.read_text() == "what cannot be had again\n"
    process = recording(running.broker, running.folder, "--output", str(target), "--count", "1", "--overwrite")
    running.publisher.send(uplink(1))
    assert process.wait(30) == 0
    assert process.stderr
    assert f"wrote 1 message into {target}\n".encode() in process.stderr.read()
    assert len(list(messages_of(target))) == 1


@pytest.mark.peer("mosquitto")
@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_what_was_recorded_and_replayed_is_the_same_history(
    version: str,
    rig: Callable[..., Rig],
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    service: Callable[..., Any],
    recording: Callable[..., subprocess.Popen[bytes]],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
    tmp_path: Path,
) -> None:
    """One desk records beside a running service; another, with a broker of its own, plays it."""
    running = rig(version=version)
    target = tmp_path / "day.jsonl"
    process = recording(running.broker, running.folder, "--output", str(target), "--count", "301")
    sent = [uplink(number, flow=number, volume=number) for number in range(300)]
    running.publisher.send(*sent)
    running.publisher.send(b"\xff no text", topic="radio/alder-fen/odd/up")
    assert process.wait(30) == 0
    assert process.stderr
    assert f"wrote 301 messages into {target}\n".encode() in process.stderr.read()
    until(lambda: running.accepted() == 300)  # the recorder took none of the service's messages
    lines = [json.loads(line) for line in target.read_text().splitlines()]
    assert [line["message"].encode() for line in lines[:300]] == sent
    assert lines[300]["message"] == {"base64": "/yBubyB0ZXh0"}
    assert {line["retained"] for line in lines} == {False}
    assert all(abs(time.time() - messages.at) < 600 for messages in messages_of(target))

    other = broker()
    folder = site(other.port, name="desk", client="alder-fen-desk", extra=f'  version: "{version}"')
    second = service(folder)
    until(lambda: other.subscriptions("alder-fen-desk"))
    for _ in range(2):  # the second time changes nothing
        ended = command("replay", "--site", folder, target, "--publish")
        assert (ended.returncode, ended.stderr) == (0, "")
        assert ended.stdout == "published 301 messages\n"
    assert second.stop() == 0
    assert running.service.stop() == 0
    assert flows(command, folder) == flows(command, running.folder) == [(str(at), str(at)) for at in range(300)]


@pytest.mark.peer("mosquitto")
def test_what_the_broker_had_retained_is_recorded_and_never_played(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    publisher: Callable[..., Publisher],
    command: Command,
    tmp_path: Path,
) -> None:
    there = broker()
    publisher(there).send(b"old", topic="lns/alder-fen/a/up", retain=True)
    folder = site(there.port)
    target = tmp_path / "day.jsonl"
    ended = command("record", folder, "--output", target, "--count", "1")
    assert ended.returncode == 0, ended.stderr
    (line,) = target.read_text().splitlines()
    assert json.loads(line)["retained"] is True
    ended = command("replay", "--site", folder, target, "--publish")
    assert ended.stdout.splitlines()[0] == "published 0 messages"
    assert "left out 1" in ended.stdout


@pytest.mark.peer("mosquitto")
def test_a_recording_ends_at_its_time_and_at_ctrl_c(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    publisher: Callable[..., Publisher],
    recording: Callable[..., subprocess.Popen[bytes]],
    until: Callable[..., Any],
    command: Command,
    tmp_path: Path,
) -> None:
    there = broker()
    folder = site(there.port)
    ended = command("record", folder, "--output", tmp_path / "none.jsonl", "--lasts", "0.5")
    assert ended.returncode == 0
    assert "wrote 0 messages" in ended.stderr
    target = tmp_path / "some.jsonl"
    process = recording(there, folder, "--output", str(target))
    publisher(there).send(b"one", b"two")
    until(lambda: target.read_text().count("\n") == 2)  # each is in the file as it comes
    process.send_signal(signal.SIGINT)
    assert process.wait(20) == 0


@pytest.mark.peer("mosquitto")
def test_a_recording_goes_on_when_the_broker_comes_back(
    broker: Callable[..., Broker],
    site: Callable[..., Path],
    publisher: Callable[..., Publisher],
    recording: Callable[..., subprocess.Popen[bytes]],
    until: Callable[..., Any],
    tmp_path: Path,
) -> None:
    there = broker()
    target = tmp_path / "day.jsonl"
    process = recording(there, site(there.port), "--output", str(target), "--count", "2")
    publisher(there).send(b"one")
    until(lambda: target.read_text().count("\n") == 1)
    there.kill()
    there.start()
    until(lambda: (there.folder / "broker.log").read_text().count("1 lns/alder-fen/+/up") == 2, 30)
    publisher(there).send(b"two")
    assert process.wait(30) == 0
    assert [each.message for each in messages_of(target)] == [b"one", b"two"]


@pytest.mark.peer("mosquitto")
def test_the_recorded_pace_can_be_kept_or_quickened(broker: Callable[..., Broker]) -> None:
    there = broker()
    messages = [Recorded(1000.0 + at, "lns/alder-fen/a/up", b"x") for at in (0.0, 0.2, 0.1, 0.6)]
    for speed, least in ((1.0, 0.6), (3.0, 0.2)):
        began = time.monotonic()
        assert publish(keys(there.port), messages, speed=speed).messages == 4
        assert time.monotonic() - began >= least
    began = time.monotonic()
    publish(keys(there.port), [message._replace(at=1e6 * message.at) for message in messages])
    assert time.monotonic() - began < 30


def test_without_a_broker_both_say_why(site: Callable[..., Path], port: int, command: Command, tmp_path: Path) -> None:
    folder = site(port)
    ended = command("record", folder, "--output", tmp_path / "day.jsonl")
    assert ended.returncode == 3
    assert ended.stderr.splitlines()[-1].startswith("nothing was recorded: the broker cannot be reached: ")
    (tmp_path / "day.jsonl").write_text(json.dumps(GOOD) + "\n")
    ended = command("replay", "--site", folder, tmp_path / "day.jsonl", "--publish")
    assert ended.returncode == 3
    assert ended.stderr.startswith("nothing was published: the broker cannot be reached: ")


@pytest.mark.peer("mosquitto")
def test_a_broker_that_refuses_is_quoted(broker: Callable[..., Broker], tmp_path: Path) -> None:
    there = broker("allow_anonymous false")
    with pytest.raises(NotPublished, match="the broker refuses the connection: Not authorized"):
        publish(keys(there.port), [])
    with pytest.raises(CannotRecord, match="nothing was recorded: the broker refuses the connection: Not authorized"):
        asyncio.run(record(keys(there.port), TOPICS, io.StringIO(), asyncio.Event()))


@pytest.mark.peer("mosquitto")
def test_a_message_that_may_not_be_published_is_no_success(broker: Callable[..., Broker], tmp_path: Path) -> None:
    """MQTT 5.0 section 3.4.2.1: reason code 0x87, Not authorized. MQTT 3.1.1 has no such word."""
    access = tmp_path / "acl"
    access.write_text("topic read #\n")
    access.chmod(0o700)
    there = broker("allow_anonymous true", f"acl_file {access}")
    with pytest.raises(NotPublished, match="the broker refuses a message of an unnamed user: Not authorized"):
        publish(keys(there.port), [Recorded(0.0, "lns/alder-fen/a/up", b"x")])


@pytest.mark.peer("mosquitto")
def test_a_full_disk_ends_the_recording_with_a_sentence(
    broker: Callable[..., Broker], site: Callable[..., Path], publisher: Callable[..., Publisher], command: Command
) -> None:
    there = broker()
    publisher(there).send(b"kept", topic="lns/alder-fen/a/up", retain=True)
    ended = command("record", site(there.port), "--output", "/dev/full")
    assert ended.returncode == 3
    assert ended.stderr.splitlines()[-1].startswith("cannot write /dev/full: No space left on device. ")


@pytest.mark.peer("mosquitto")
def test_a_recording_that_is_not_there_or_wrong_is_a_sentence(
    broker: Callable[..., Broker], site: Callable[..., Path], command: Command, tmp_path: Path
) -> None:
    folder = site(broker().port)
    ended = command("replay", "--site", folder, tmp_path / "none.jsonl", "--publish")
    assert ended.returncode == 3
    assert ended.stderr == f"cannot read {tmp_path / 'none.jsonl'}: No such file or directory. Name another file.\n"
    (tmp_path / "day.jsonl").write_text("no message\n")
    ended = command("replay", "--site", folder, tmp_path / "day.jsonl", "--publish")
    assert ended.returncode == 3
    assert "day.jsonl:1: this is no recorded message" in ended.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ["replay"],
        ["replay", "--publish"],
        ["replay", "day.jsonl", "--speed", "2"],
        ["replay", "day.jsonl", "--aside"],
        ["replay", "day.jsonl", "--aside", "--publish"],
        ["replay", "a.jsonl", "b.jsonl", "--publish"],
        ["replay", "day.jsonl", "--publish", "--speed", "0"],
        ["record"],
        ["record", "--output", "x", "--count", "0"],
        ["test", "FT-101"],
        ["test", "FT-101", "maybe"],
    ],
    ids=" ".join,
)
def test_a_wrong_line_ends_with_code_2(arguments: list[str], command: Command) -> None:
    ended = command(*arguments)
    assert (ended.returncode, ended.stdout) == (2, "")
