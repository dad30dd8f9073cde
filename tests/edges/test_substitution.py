"""A value entered by hand as plant software, the history and the next start of the service see it."""

from __future__ import annotations

import asyncio
import json
import os
import struct
import subprocess
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import pytest

from aggregator.archive import Archive
from aggregator.commands import Commands
from aggregator.config.configuration import load
from aggregator.control import Refused, ask
from aggregator.core.account import Accounts
from aggregator.core.errors import CannotSubstitute
from aggregator.core.reading import Now
from aggregator.core.site import Site
from aggregator.keeper import Keeper
from aggregator.photos import Photos

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
SUBSTITUTED, UNDER_TEST, STALE, RESTORED = 1 << 11, 1 << 13, 1 << 3, 1 << 10  # as config/README.md has them
UNCERTAIN = 2
FITTER = {"SUDO_USER": "fitter"}


def flow(client: Caller) -> float:
    """The first meter's flow, a float32 at input register 102."""
    return float(struct.unpack(">f", client.ask(struct.pack(">BHH", 4, 102, 2))[2:])[0])


def rows(command: Command, folder: Path, *more: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in command("export", folder, "--as", "json", *more).stdout.splitlines()]


@pytest.mark.peer("mosquitto")
def test_a_kill_leaves_a_substituted_value_and_a_test_as_they_were(
    rig: Callable[..., Rig],
    uplink: Callable[..., bytes],
    until: Callable[..., Any],
    command: Command,
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
) -> None:
    running = rig()
    running.publisher.send(uplink(1, flow=12.5, volume=7))
    until(lambda: running.accepted() == 1)
    ended = command(
        "substitute", "FT-101", "flow", "2 m3/min", "--site", running.folder, "--until", "8 h", "--why", "bypass open",
        environment=FITTER,
    )  # fmt: skip
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.startswith("FT-101 flow shows 120 m3/h until 20")
    assert ended.stdout.endswith(" UTC\n")
    command("test", "FT-102", "on", "--site", running.folder)
    assert flow(running.client) == 120.0
    assert running.client.registers(100, 1)[0] == SUBSTITUTED | UNCERTAIN
    running.publisher.send(uplink(2, flow=13.5, volume=8))
    until(lambda: running.accepted() == 2)
    assert flow(running.client) == 120.0
    told = json.loads(command("status", running.folder, "--json").stdout)["substituted"]
    until(lambda: ask(running.folder / "data", {"do": "status"})["store_waiting"] == 0)
    running.service.kill()

    client = caller(service(running.folder).port)
    assert flow(client) == 120.0
    assert client.registers(100, 1)[0] == SUBSTITUTED | RESTORED | UNCERTAIN
    assert client.registers(116, 1)[0] & UNDER_TEST
    status = json.loads(command("status", running.folder, "--json").stdout)
    (before,), (after,) = told, status["substituted"]
    assert (status["fields_substituted"], status["meters_under_test"]) == (1, 1)
    assert before.pop("until") == pytest.approx(after.pop("until"), abs=0.1)
    assert before == after == {
        "tag": "FT-101", "field": "flow", "value": 120.0, "unit": "m3/h", "who": "fitter", "why": "bypass open",
    }  # fmt: skip
    line = command("status", running.folder).stdout.splitlines()[-1]
    assert line.startswith("  by hand  FT-101 flow 120 m3/h, until 20")
    assert line.endswith(" UTC (fitter: bypass open)")

    ended = command("withdraw", "FT-101", "flow", "--site", running.folder, environment=FITTER)
    assert (ended.returncode, ended.stdout) == (0, "FT-101 flow shows its readings again\n")
    assert flow(client) == 13.5
    assert client.registers(100, 1)[0] == RESTORED | UNCERTAIN
    found = [(row["value"], row["reasons"], row["counter"]) for row in rows(command, running.folder, "--field", "flow")]
    entered = (120.0, ["substituted"], None)
    assert found == [(12.5, [], 1), entered, (13.5, [], 2), entered]
    events = [(row["event"], row["who"]) for row in rows(command, running.folder, "--journal", "--meter", "FT-101")]
    assert events == [("value substituted", "fitter"), ("substitution withdrawn", "fitter")]


def test_it_ends_by_itself_and_what_was_never_read_is_so_again(
    site: Callable[..., Path],
    service: Callable[..., Service],
    caller: Callable[[int], Caller],
    command: Command,
    until: Callable[..., Any],
) -> None:
    folder = site()
    running = service(folder)
    client = caller(running.port)
    assert command("substitute", "FT-101", "flow", "5", "--site", folder, "--until", "2 s").returncode == 0
    assert flow(client) == 5.0
    until(lambda: client.registers(100, 1)[0] == 7, what="the end")  # never seen, bad
    (said,) = running.log("substitution ended")
    assert (said["tag"], said["field"], said["value"]) == ("FT-101", "flow", 5.0)


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("FT-999", "flow", "5", "--until", "8 h"), "there is no meter FT-999"),
        (("FT-101", "level", "5", "--until", "8 h"), "FT-101 has no field level; it has flow, volume, pair, quad"),
        (("FT-101", "flow", "5 mbar", "--until", "8 h"), "mbar cannot be turned into m3/h"),
        (("FT-101", "flow", "five", "--until", "8 h"), "`five` is no quantity"),
        (("FT-101", "flow", "5", "--until", "soon"), "`soon` is neither a length of time (8 h) nor a time"),
        (("FT-101", "flow", "5"), "Missing option '--until'"),
        (("FT-101", "flow", "--wy", "--until", "8 h"), "there is no option --wy"),
    ],
)
def test_a_line_that_says_no_value_or_no_end_is_refused_with_a_sentence(
    site: Callable[..., Path], command: Command, arguments: tuple[str, ...], sentence: str
) -> None:
    ended = command("substitute", *arguments[:3], "--site", site(), *arguments[3:])
    assert ended.returncode == 2
    assert sentence in " ".join(ended.stderr.replace("│", " ").split())


def test_the_service_refuses_what_the_field_cannot_measure(
    site: Callable[..., Path], service: Callable[..., Service], caller: Callable[[int], Caller], command: Command
) -> None:
    folder = site()
    client = caller(service(folder).port)
    for value, until, sentence in (
        ("1001", "8 h", "1001 m3/h is outside what flow can measure, 0 to 1000 m3/h."),
        ("-5 m3/h", "8 h", "-5 m3/h is outside what flow can measure, 0 to 1000 m3/h."),
        ("5", "91 d", "a substituted value holds for 90 d at most, and ends in the future."),
    ):
        ended = command("substitute", "FT-101", "flow", value, "--site", folder, "--until", until)
        assert (ended.returncode, ended.stdout, ended.stderr) == (3, "", sentence + "\n")
    ended = command("withdraw", "FT-101", "flow", "--site", folder)
    assert (ended.returncode, ended.stderr) == (3, "FT-101 flow is not substituted.\n")
    assert client.registers(100, 1)[0] == 7
    assert os.listdir(folder / "data")  # noqa: PTH208 - the service runs there
    assert rows(command, folder) == []


WELL = {"tag": "FT-101", "field": "flow", "value": 5, "unit": "m3/h", "lasts": 60, "who": "fitter"}


@pytest.fixture
def commands(site: Callable[..., Path]) -> tuple[Site, Commands]:
    """The commands of a site that nothing runs."""
    now = Now(100.0, 1_800_000_000.0)
    still = Site(load(site()).declared, now)
    keeper = cast("Keeper", None)  # asked by none of the two commands that are tried here

    async def reload(_who: str) -> Mapping[str, object]:
        raise NotImplementedError

    accounts = Accounts(still.refusals)
    photos = Photos(Path("nowhere"), 0)
    return still, Commands(
        lambda: still,
        keeper,
        lambda: now,
        lambda _: None,
        lambda: None,
        lambda: None,
        accounts,
        lambda _: [],
        reload,
        photos,
        cast("Archive", None),
    )


def asked(commands: Commands, request: Mapping[str, object]) -> Mapping[str, object]:
    return asyncio.run(cast("Any", commands.substitute(request)))


@pytest.mark.parametrize(
    "change",
    [
        {"field": 5},
        {"field": None},
        {"value": "5"},
        {"value": True},
        {"value": None},
        {"unit": "m3/min"},  # the files have changed since the service read them
        {"lasts": None},
        {"lasts": "8 h"},
        {"lasts": -1},
        {"lasts": 60, "until": 1_800_000_060},
        {"lasts": None, "until": 1_800_000_060},  # a date, where the clock is not to be trusted
        {"why": "x" * 201},
        {"why": "a\nb"},
        {"who": None},
    ],
    ids=str,
)
def test_a_request_that_says_too_little_changes_nothing(
    commands: tuple[Site, Commands], change: dict[str, object]
) -> None:
    site, table = commands
    with pytest.raises((Refused, CannotSubstitute), match=r"\.$"):
        asked(table, {**WELL, **change})
    assert site.states["FT-101"].substitutes == {}
    assert asked(table, WELL)["until"] == 1_800_000_060.0


def test_a_date_is_taken_where_the_clock_can_be_trusted(commands: tuple[Site, Commands]) -> None:
    site, table = commands
    site.set_clock_trusted(True)
    asked(table, {**WELL, "lasts": None, "until": 1_800_000_300})
    assert site.states["FT-101"].substitutes[0].ends == 400.0


def test_a_status_tells_a_hundred_one_by_one_and_how_many_there_are(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site(meters=101)
    service(folder)
    for at in range(101):
        ask(folder / "data", {"do": "substitute", **WELL, "tag": f"FT-{101 + at}"})
    told = json.loads(command("status", folder, "--json").stdout)
    assert (told["fields_substituted"], len(told["substituted"])) == (101, 100)
    assert command("status", folder).stdout.endswith("           and 1 more\n")
