"""A node linked on the spot, from its first uplink to its meter's registers, over kills, reloads and exchanges."""

from __future__ import annotations

import json
import signal
import struct
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.control import ask
from tests.edges.conftest import node_of

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
FITTER = {"SUDO_USER": "fitter"}
SECOND = node_of(1)  # the node that the file would put on the second meter, and here does not
THIRD = node_of(2)
QR = f"lw:d0:1122334455667788:{SECOND}:aabb1122:s0042"  # after TR005's example, as a scanner in small letters reads it
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 64  # ISO/IEC 15948 clause 5.2: what a PNG file begins with

pytestmark = pytest.mark.peer("mosquitto")


@pytest.fixture
def rig_of_two(rig: Callable[..., Rig]) -> Rig:
    """Two meters, of which the file links the first only; the second's block begins at input register 116."""
    return rig(linked=1)


def flow(client: Caller) -> float:
    """The second meter's flow, a float32 at input register 118."""
    return float(struct.unpack(">f", client.ask(struct.pack(">BHH", 4, 118, 2))[2:])[0])


def told(command: Command, *words: str | Path) -> str:
    """What a command prints; it must not complain."""
    ended = command(*words, environment=FITTER)
    assert (ended.returncode, ended.stderr) == (0, "")
    return ended.stdout


def of_json(command: Command, *words: str | Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(told(command, *words, "--json"))
    return found


def started_anew(
    rig: Rig, service: Callable[..., Service], caller: Callable[[int], Caller], until: Callable[..., Any]
) -> Rig:
    """Kill the service as a power cut does, and start it once more."""
    seen = rig.broker.subscriptions()
    rig.service.kill()
    running = service(rig.folder)
    until(lambda: rig.broker.subscriptions() > seen, what="the subscription")
    return replace(rig, service=running, client=caller(running.port))


def test_an_unknown_node_is_linked_and_stays_linked_over_a_kill_and_a_reload(
    rig_of_two: Rig,
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    rig.publisher.send(uplink(1, 1, flow=12.5, volume=7))
    until(lambda: rig.client.figure("uplinks_rejected") == 1)
    heard = of_json(command, "nodes", folder)["nodes"]
    assert [(each["node"], each["count"], each["fits"][0]["profile"]) for each in heard] == [(SECOND, 1, "gas-point")]
    assert SECOND in told(command, "nodes", folder)
    assert "as gas-point: flow 12.5 m3/h, volume 7 m3" in told(command, "nodes", folder, "--node", SECOND)
    assert "meters of profile gas-point without a node: FT-102" in told(command, "nodes", folder, "--node", SECOND)

    photo = folder.parent / "photo.png"
    photo.write_bytes(PNG)
    words = ("--shows", "flow=12.6", "--place", "north wall", "--antenna", "on the roof", "--photo", photo)
    said = told(command, "link", "FT-102", QR, "--site", folder, *words)
    assert said.splitlines()[:2] == [
        f"node {SECOND} sits on FT-102: verified",
        "flow: the display shows 12.6 m3/h, the node reads 12.5 m3/h; they agree",
    ]
    assert "1 earlier uplink of this node stay set aside" in said
    (kept,) = (folder / "data" / "photos").iterdir()
    assert kept.read_bytes() == PNG
    rig.publisher.send(uplink(2, 1, flow=13.5, volume=8))
    until(lambda: rig.accepted() == 1)
    assert flow(rig.client) == 13.5
    assert rig.client.registers(116, 1) == (1,)  # good
    until(lambda: ask(folder / "data", {"do": "status"})["store_waiting"] == 0)

    rig = started_anew(rig, service, caller, until)
    assert flow(rig.client) == 13.5  # as restored
    rig.publisher.send(uplink(3, 1, flow=14.5, volume=9))
    until(lambda: rig.accepted() == 1)
    assert flow(rig.client) == 14.5
    told(command, "reload", folder)
    rig.publisher.send(uplink(4, 1, flow=15.5, volume=10))
    until(lambda: flow(rig.client) == 15.5)

    record = told(command, "links", folder, "--meter", "FT-102")
    for part in (f"node        {SECOND}, join 1122334455667788", "linked by   fitter", "north wall", "on the roof"):
        assert part in record
    assert "had sent    flow 12.5 m3/h, volume 7 m3" in record
    assert f"photo       {kept.name}" in record
    assert "2 meters: 2 linked, 1 heard, 1 verified, 0 not linked" in told(command, "links", folder)
    assert [each["tag"] for each in of_json(command, "links", folder, "--stage", "not heard")["meters"]] == ["FT-101"]
    journal = [json.loads(line) for line in told(command, "export", folder, "--journal", "--as", "json").splitlines()]
    assert [each["who"] for each in journal if each["event"] == "node linked"] == ["fitter"]


def test_after_a_restart_nodes_are_known_by_what_was_set_aside_and_what_is_theirs_is_taken(
    rig_of_two: Rig,
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    rig.publisher.send(uplink(1, 1, flow=12.5, volume=7), uplink(1, 2, flow=99.0, volume=7))
    until(lambda: rig.client.figure("uplinks_rejected") == 2)
    until(lambda: ask(folder / "data", {"do": "status"})["store_waiting"] == 0)
    rig = started_anew(rig, service, caller, until)
    assert {each["node"] for each in of_json(command, "nodes", folder)["nodes"]} == {SECOND, THIRD}
    said = told(command, "link", "FT-102", SECOND, "--site", folder, "--since", "1 h")
    assert "from before: 1 shown, 0 only kept in the history" in said
    assert flow(rig.client) == 12.5

    def set_aside() -> list[str]:
        lines = told(command, "export", folder, "--aside", "--as", "json").splitlines()
        return [json.loads(line)["node"] for line in lines]

    until(lambda: set_aside() == [THIRD], what="what was taken leaves the messages set aside")


def test_what_was_set_aside_before_the_link_is_no_reading_of_the_meter(
    rig_of_two: Rig, uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    rig.publisher.send(uplink(1, 1, flow=12.5, volume=7))
    until(lambda: rig.client.figure("uplinks_rejected") == 1)
    told(command, "link", "FT-102", SECOND, "--site", folder)
    assert "1 still refused and still set aside: unknown node" in told(command, "replay", "--site", folder, "--aside")
    told(command, "unlink", "FT-102", "--site", folder, "--why", "not yet mounted then")
    told(command, "link", "FT-102", SECOND, "--site", folder, "--since", "1 h")
    assert flow(rig.client) == 12.5


def test_nodes_and_meters_are_exchanged_and_taken_off(
    rig_of_two: Rig, uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    told(command, "link", "FT-102", SECOND, "--site", folder, "--place", "pit 3")
    rig.publisher.send(uplink(7, 1, flow=12.5, volume=7))
    until(lambda: rig.accepted() == 1)
    done = command("verify", "FT-102", "--site", folder, "--shows", "flow=80 m3/h", "--note", "display cracked")
    assert done.returncode == 5, done.stderr  # so that a script can tell
    compared, stands = done.stdout.splitlines()
    assert compared.startswith("flow: the display shows 80 m3/h, the node reads 12.5 m3/h; off by 67.5 m3/h, and up")
    assert stands == "FT-102: does not agree"
    swapped = told(command, "swap", "FT-102", "--site", folder, "--node", THIRD)
    assert f"node {THIRD} sits on FT-102: not heard" in swapped
    rig.publisher.send(uplink(1, 2, flow=13.5, volume=8))
    until(lambda: flow(rig.client) == 13.5)
    assert "FT-102 is another meter now, on node" in told(command, "swap", "FT-102", "--site", folder, "--meter")
    assert f"node {THIRD} is free" in told(command, "unlink", "FT-102", "--site", folder)
    record = of_json(command, "links", folder, "--meter", "FT-102")
    assert record["stage"] == "not linked"
    assert [(each["node"], each["place"], each["end"]["why"]) for each in record["past"]] == [
        (THIRD, "pit 3", ""),
        (THIRD, "pit 3", "meter exchanged"),
        (SECOND, "pit 3", "node exchanged"),
    ]
    assert record["past"][-1]["note"] == "display cracked"


def test_where_the_file_comes_to_link_the_meter_the_file_wins(
    rig_of_two: Rig, uplink: Callable[..., bytes], until: Callable[..., Any], command: Command
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    told(command, "link", "FT-102", SECOND, "--site", folder)
    meters = folder / "meters.yaml"
    meters.write_text(meters.read_text().replace("Point FT-102,", f"Point FT-102, node: {THIRD},"))
    rig.service.process.send_signal(signal.SIGHUP)
    until(lambda: rig.client.figure("generation") == 1)
    rig.publisher.send(uplink(1, 1, flow=12.5, volume=7), uplink(1, 2, flow=13.5, volume=7))
    until(lambda: rig.accepted() == 1)
    assert (flow(rig.client), rig.client.figure("uplinks_rejected")) == (13.5, 1)
    record = of_json(command, "links", folder, "--meter", "FT-102")
    assert (record["node"], record["by_file"]) == (THIRD, True)
    assert record["past"][0]["end"]["why"] == f"meters.yaml puts {THIRD} on FT-102"


WRONG: tuple[tuple[tuple[str, ...], int, str], ...] = (
    (("link", "FT-101", SECOND), 3, "FT-101 is linked to node 0a1def0000000101 by its file (meters.yaml:"),
    (("link", "FT-102", node_of(0)), 3, "node 0a1def0000000101 is on FT-101, by its file"),
    (("link", "FT-103", SECOND), 3, "there is no meter FT-103. Write `FT-10"),
    (("link", "FT-102", "0a1def"), 3, "`0a1def` is no DevEUI"),
    (("link", "FT-102", f"{QR.upper()}:C0000"), 3, "the QR code's checksum does not fit"),
    (("link", "FT-102", SECOND, "--shows", "flow=1"), 3, "has sent no flow for FT-102 yet"),
    (("link", "FT-102", SECOND, "--shows", "flow"), 2, "`flow` is not of the form flow=12.5"),
    (("link", "FT-102", SECOND, "--shows", "gas=1"), 2, "FT-102 has no field gas"),
    (("link", "FT-102", SECOND, "--shows", "flow=1 bar"), 2, "bar cannot be turned into m3/h"),
    (("link", "FT-102", SECOND, "--since", "soon"), 2, "`soon` is not a time"),
    (("link", "FT-102", SECOND, "--photo", "nowhere.jpg"), 3, "cannot be read by the service"),
    (("link", "FT-102", SECOND, "--place", "x" * 101), 3, "`place` is a text of up to 100 characters"),
    (("unlink", "FT-102"), 3, "no node sits on FT-102"),
    (("verify", "FT-102"), 2, "say what the display shows"),
    (("verify", "FT-102", "--place", "here"), 3, "no node sits on FT-102. Link one first."),
    (("swap", "FT-102"), 2, "say what was exchanged"),
    (("swap", "FT-102", "--node", SECOND), 3, "FT-102 has no node to exchange"),
    (("swap", "FT-102", "--meter", "--counter", "volume"), 2, "`volume` is not of the form volume=OLD:NEW"),
    (("swap", "FT-102", "--meter", "--counter", "volume=1:0"), 3, "FT-102 volume does not count"),
    (("swap", "FT-102", "--meter", "--shows", "flow=1"), 2, "the new meter has no reading yet"),
    (("nodes", "--node", SECOND), 3, f"node {SECOND} was not heard"),
    (("links", "--meter", "FT-109"), 3, "there is no meter FT-109"),
)


def test_what_cannot_be_is_refused_with_a_sentence(rig_of_two: Rig, command: Command) -> None:
    """All of it on one service, to which nothing must happen."""
    folder = rig_of_two.folder
    for words, code, says in WRONG:
        ended = command(*words, "--site", folder)
        assert ended.returncode == code, (words, ended.stderr)
        assert says in " ".join(ended.stderr.replace("│", " ").split()), (words, ended.stderr)
    assert ask(folder / "data", {"do": "links"})["counts"]["linked"] == 1


def test_a_photo_that_is_none_leaves_nothing_behind(rig_of_two: Rig, command: Command, tmp_path: Path) -> None:
    folder = rig_of_two.folder
    text, photo = tmp_path / "notes.png", tmp_path / "photo.png"
    text.write_text("no picture")
    photo.write_bytes(PNG)
    ended = command("link", "FT-102", SECOND, "--site", folder, "--photo", text)
    assert (ended.returncode, "that is no photo" in ended.stderr) == (3, True)
    ended = command("link", "FT-101", SECOND, "--site", folder, "--photo", photo)
    assert ended.returncode == 3
    assert [*(folder / "data" / "photos").iterdir()] == []


def test_a_photo_in_place_of_another_is_the_only_one_kept_while_no_ended_link_names_that(
    rig_of_two: Rig, command: Command, tmp_path: Path, until: Callable[..., Any]
) -> None:
    folder, photo = rig_of_two.folder, tmp_path / "photo.png"
    kept = folder / "data" / "photos"

    def take(which: bytes, *words: str) -> None:
        photo.write_bytes(PNG + which)
        told(command, *words, "--site", folder, "--photo", photo)

    def endings() -> list[bytes]:
        return sorted(path.read_bytes()[len(PNG) :] for path in kept.iterdir())

    take(b"first", "link", "FT-102", SECOND)
    take(b"second", "verify", "FT-102")
    until(lambda: endings() == [b"second"], what="the first photo to go")
    take(b"third", "swap", "FT-102", "--node", THIRD)
    take(b"fourth", "verify", "FT-102")
    until(lambda: endings() == [b"fourth", b"second"], what="the third photo to go")


def test_an_exchange_dated_into_the_past_is_the_same_after_a_kill(
    rig_of_two: Rig,
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
) -> None:
    rig, folder = rig_of_two, rig_of_two.folder
    profile = folder / "profiles" / "gas-point.yaml"
    profile.write_text(profile.read_text().replace("  volume: {", "  volume: {counts: {wraps_at: 10000 m3}, "))
    told(command, "reload", folder)

    def total() -> float | None:
        fields = ask(folder / "data", {"do": "meter", "tag": "FT-102"})["fields"]
        found: float | None = {each["field"]: each["total"] for each in fields}["volume"]
        return found

    told(command, "link", "FT-102", SECOND, "--site", folder, "--since", "3 h")
    rig.publisher.send(uplink(1, 1, 7200.0, flow=1.0, volume=100), uplink(2, 1, 5400.0, flow=2.0, volume=110))
    until(lambda: total() == 110.0, what="what the first node counted")
    rig.publisher.send(uplink(1, 2, 1800.0, flow=3.0, volume=115), uplink(2, 2, 60.0, flow=4.0, volume=120))
    until(lambda: rig.client.figure("uplinks_rejected") == 2)
    said = told(command, "swap", "FT-102", "--site", folder, "--node", THIRD, "--since", "1 h")
    assert "from before: 2 shown" in said
    assert (flow(rig.client), total()) == (4.0, 120.0)  # the meter is the same: its counter goes on

    def record() -> dict[str, Any]:
        said = told(command, "links", folder, "--meter", "FT-102", "--json")
        found = json.loads(said, parse_float=lambda text: round(float(text), 3))  # the store keeps milliseconds
        return {name: found[name] for name in ("node", "since", "who", "link", "past")}

    before = record()
    until(lambda: ask(folder / "data", {"do": "status"})["store_waiting"] == 0)
    rig = started_anew(rig, service, caller, until)
    assert record() == before
    assert before["past"][0]["end"]["at"] == before["since"]
    assert (flow(rig.client), total()) == (4.0, 120.0)
    rig.publisher.send(uplink(3, 1, 30.0, flow=9.0, volume=111), uplink(3, 2, 20.0, flow=5.0, volume=125))
    until(lambda: total() == 125.0, what="what the second node counts on")
    assert (flow(rig.client), rig.client.figure("uplinks_rejected")) == (5.0, 1)  # the first node sits nowhere
