"""Alarms as an operator on the command line, the journal and the next start of the service see them."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.control import Refused, ask

if TYPE_CHECKING:
    from tests.edges.conftest import Rig, Service

Command = Callable[..., subprocess.CompletedProcess[str]]
OPERATOR = {"SUDO_USER": "operator"}
ALARMS = (
    "{field: flow, high: 100 m3/h, deadband: 5 m3/h, priority: high, may_be: 50 .. 200 m3/h, message: Flow high, "
    "action: Close the valve}, {field: flow, high_high: 150 m3/h, priority: critical, latches: yes}, "
    "{when: stale, priority: medium}"
)
GROUPS = """\
groups:
  - {group: line, alarm: flow high, members: [FT-101, FT-102], vote: {needed: 2, priority: critical}}
suppressions:
  - {suppression: overhaul, meters: [FT-102]}
"""


def standing(folder: Path, *, every: bool = False) -> dict[tuple[str, str], dict[str, Any]]:
    told = ask(folder / "data", {"do": "alarms", "all": every})
    return {(each["tag"], each["alarm"]): each for each in told["alarms"]}


def events(command: Command, folder: Path) -> list[tuple[str, str, str]]:
    lines = command("export", folder, "--as", "json", "--journal").stdout.splitlines()
    rows = [json.loads(line) for line in lines]
    return [(row["event"], row["tag"], row["who"]) for row in rows if "alarm" in row["event"] or "setp" in row["event"]]


@pytest.fixture
def leaking(rig: Callable[..., Rig], uplink: Callable[..., bytes], until: Callable[..., Any]) -> Rig:
    """A service whose first meter reads 160 m3/h, above both of its limits."""
    running = rig(alarms=ALARMS, groups=GROUPS)
    running.publisher.send(uplink(1, meter=1, flow=10, volume=7))  # a meter never heard would not count as quiet
    running.publisher.send(uplink(1, flow=160, volume=7))
    until(lambda: running.accepted() == 2)
    return running


@pytest.mark.peer("mosquitto")
def test_a_shift_goes_on_over_a_kill_exactly(
    leaking: Rig, command: Command, service: Callable[..., Service], until: Callable[..., Any]
) -> None:
    folder = leaking.folder
    assert command("acknowledge", "FT-101", "--site", folder, environment=OPERATOR).stdout.splitlines() == [
        "FT-101 flow high-high",
        "FT-101 flow high",
        "2 alarms acknowledged, 0 left",
    ]
    shelved = command(
        "shelve", "FT-102", "flow high", "--site", folder, "--for", "2 h", "--why", "pig run", environment=OPERATOR
    )  # fmt: skip
    assert shelved.stdout == "FT-102 flow high: shelved\n"
    changed = command("setpoint", "FT-102", "flow high", "2 m3/min", "--site", folder, environment=OPERATOR)
    assert changed.stdout == "FT-102 flow high: the limit is 120 m3/h; shelved\n"
    assert command("suppress", "overhaul", "on", "--site", folder, environment=OPERATOR).returncode == 0
    before = standing(folder, every=True)
    until(lambda: ask(folder / "data", {"do": "status"})["store_waiting"] == 0)
    leaking.service.kill()

    service(folder)
    after = standing(folder, every=True)
    for each in (*before.values(), *after.values()):
        each.pop("now")  # what was read before a restart tells nothing of the present
        if each["shelf"]:
            each["shelf"].pop("until")
    assert after == before
    assert after["FT-101", "flow high-high"]["state"] == "acknowledged"
    assert after["FT-102", "flow high"]["state"] == "suppressed by design"
    assert after["FT-102", "flow high"]["setpoint"] == 120
    assert events(command, folder) == [
        ("alarm raised", "FT-101", ""),
        ("alarm raised", "FT-101", ""),
        ("alarm acknowledged", "FT-101", "operator"),
        ("alarm acknowledged", "FT-101", "operator"),
        ("alarm shelved", "FT-102", "operator"),
        ("setpoint changed", "FT-102", "operator"),
        ("alarm suppressed by design", "FT-102", "operator"),
        ("alarm raised", "line", ""),  # with one of two out, the other decides
        *[("alarm suppressed by design", "FT-102", "operator")] * 2,
    ]


@pytest.mark.peer("mosquitto")
def test_the_table_says_what_stands_and_what_to_do(leaking: Rig, command: Command) -> None:
    lines = command("alarms", leaking.folder, environment={"COLUMNS": "200"}).stdout.splitlines()
    assert lines[0].split() == ["tag", "alarm", "priority", "state", "value", "now", "raised", "what", "to", "do"]
    assert " ".join(lines[1].split()).startswith("FT-101 flow high-high critical unacknowledged 160 m3/h 160 m3/h")
    assert lines[2].endswith("Flow high. Close the valve")
    assert lines[3:] == ["2 unacknowledged, 1 meters in alarm, sounder asked for", "first up in line: FT-101 flow high"]
    every = command("alarms", leaking.folder, "--all", environment={"COLUMNS": "200"}).stdout
    assert "100 m3/h" in every
    assert "30 min" in every  # two intervals of 15 min: a report lost, and the next one


@pytest.mark.peer("mosquitto")
def test_a_latched_alarm_is_reset_by_hand_and_only_then(
    leaking: Rig, command: Command, uplink: Callable[..., bytes], until: Callable[..., Any]
) -> None:
    folder = leaking.folder
    refused = command("reset", "FT-101", "flow high-high", "--site", folder)
    assert (refused.returncode, refused.stdout) == (3, "")
    assert "its condition still stands" in refused.stderr
    leaking.publisher.send(uplink(2, flow=10, volume=8))
    until(lambda: leaking.accepted() == 3)
    assert "acknowledge it first" in command("reset", "FT-101", "flow high-high", "--site", folder).stderr
    command("acknowledge", "--all", "--site", folder)
    assert command("reset", "FT-101", "flow high-high", "--site", folder).stdout == "FT-101 flow high-high: normal\n"


@pytest.mark.peer("mosquitto")
def test_what_comes_after_the_look_stays_unacknowledged(leaking: Rig, command: Command) -> None:
    """Nobody acknowledges what they cannot have seen: a sequence number that was not shown yet is refused."""
    folder = leaking.folder / "data"
    numbers = [each["sequence"] for each in standing(leaking.folder).values()]
    with pytest.raises(Refused, match="no alarm that is known now has the sequence number"):
        ask(folder, {"do": "acknowledge", "sequences": [max(numbers) + 1], "who": "x"})
    assert ask(folder, {"do": "acknowledge", "sequences": numbers[:1], "who": "x"})["unacknowledged"] == 1


@pytest.mark.peer("mosquitto")
def test_silencing_the_sounder_acknowledges_nothing(leaking: Rig, command: Command) -> None:
    assert command("silence", leaking.folder).stdout == "the sounder is silent\n"
    told = ask(leaking.folder / "data", {"do": "alarms"})
    assert (told["sounder"], told["unacknowledged"]) == (False, 2)


@pytest.mark.peer("mosquitto")
def test_the_journal_of_alarms_says_what_changed_with_value_limit_and_who(leaking: Rig, command: Command) -> None:
    folder = leaking.folder
    command("acknowledge", "FT-101", "--site", folder, environment=OPERATOR)
    command("setpoint", "FT-101", "flow high", "120 m3/h", "--site", folder, environment=OPERATOR)
    told = json.loads(command("alarms", folder, "--since", "1 h", "--json").stdout)["events"]
    assert [(each["event"], each["alarm"], each["state"], each["who"]) for each in told] == [
        ("alarm raised", "flow high", "unacknowledged", ""),
        ("alarm raised", "flow high-high", "unacknowledged", ""),
        ("alarm acknowledged", "flow high-high", "acknowledged", "operator"),
        ("alarm acknowledged", "flow high", "acknowledged", "operator"),
        ("setpoint changed", "flow high", "acknowledged", "operator"),
    ]
    lines = command("alarms", folder, "--since", "1 h", environment={"COLUMNS": "200"}).stdout.splitlines()
    assert lines[0].split() == ["time", "tag", "alarm", "event", "state", "value", "limit", "who", "about"]
    assert "160 m3/h  100 m3/h  -" in lines[1]
    assert lines[-1].endswith("120 m3/h  operator  was 100 m3/h")
    assert json.loads(command("alarms", folder, "--since", "2100-01-01", "--json").stdout)["events"] == []


@pytest.mark.peer("mosquitto")
def test_the_figures_of_the_alarms_stand_beside_their_targets(leaking: Rig, command: Command) -> None:
    lines = command("alarms", leaking.folder, "--figures", environment={"COLUMNS": "200"}).stdout.splitlines()
    assert lines[0].split() == ["figure", "value", "target", "source"]
    assert lines[1].split() == ["alarms", "announced", "2"]
    assert "worst ten: FT-101 flow high, 1 times" in lines
    told = json.loads(command("alarms", leaking.folder, "--figures", "--json").stdout)
    assert (told["announced"], told["priorities"]["critical"], told["most_in_period"]) == (2, 1, 2)
    assert len(told["figures"]) == 12


def test_where_nothing_was_ever_stored_it_is_said(site: Callable[..., Path], command: Command) -> None:
    folder = site(alarms=ALARMS)
    for line in (("--since", "1 h"), ("--figures",)):
        ended = command("alarms", folder, *line)
        assert ended.returncode == 3
        assert "there is no history at" in ended.stderr
    assert command("alarms", folder, "--figures", "--all").returncode == 2
    assert command("alarms", folder, "--since", "soon").returncode == 2


@pytest.mark.parametrize(
    ("line", "code", "sentence"),
    [
        (("acknowledge", "FT-999"), 3, "there is no meter or group FT-999"),
        (("acknowledge", "FT101"), 3, "Write `FT-101`, if that is what was meant."),
        (("setpoint", "FT101", "flow high", "90"), 2, "Write `FT-101`, if that is what was meant."),
        (("reset", "FT101", "flow high"), 3, "there is no meter FT101. Write `FT-101`, if that is what was meant."),
        (("acknowledge",), 2, "name whose alarms, or write --all"),
        (("reset", "FT-101", "level high"), 3, "FT-101 has no alarm `level high`; it has flow high, flow high-high"),
        (("shelve", "FT-101", "flow high", "--why", "x", "--for", "48 h"), 3, "shelved for at most 24 h"),
        (("setpoint", "FT-101", "flow high", "5 mbar"), 2, "mbar cannot be turned into m3/h"),
        (("setpoint", "FT-101", "flow high", "500"), 3, "may be 50 to 200 m3/h"),
        (("setpoint", "FT-101", "flow high-high", "140"), 3, "is fixed in meters.yaml"),
        (("suppress", "holiday", "on"), 3, "there is no suppression `holiday`; there is overhaul"),
    ],
)
def test_what_cannot_be_done_is_refused_with_a_sentence(
    site: Callable[..., Path],
    service: Callable[..., Service],
    command: Command,
    line: tuple[str, ...],
    code: int,
    sentence: str,
) -> None:
    folder = site(alarms=ALARMS, groups=GROUPS)
    service(folder)
    ended = command(*line, "--site", folder)
    assert ended.returncode == code
    assert sentence in " ".join(ended.stderr.replace("│", " ").split())


@pytest.mark.peer("mosquitto")
def test_whoever_must_act_can_do_so_while_the_files_are_wrong(leaking: Rig, command: Command) -> None:
    """The service goes on with the files it has, and so must the operator."""
    (leaking.folder / "meters.yaml").write_text("meters: [")
    (leaking.folder / "map.yaml").unlink()
    assert "flow high" in command("alarms", leaking.folder).stdout
    assert command("acknowledge", "line", "--site", leaking.folder).stdout.endswith("2 alarms acknowledged, 0 left\n")
    assert command("test", "FT-102", "on", "--site", leaking.folder).returncode == 0
    assert command("status", leaking.folder).returncode == 0


def test_a_rate_is_shown_in_the_unit_in_which_it_was_written(
    site: Callable[..., Path], service: Callable[..., Service], command: Command
) -> None:
    folder = site(alarms="{field: flow, rising: 60 m3/h/min, priority: low, may_be: 30 .. 120 m3/h/min}")
    running = service(folder)
    wide = {"COLUMNS": "200"}
    assert " 60 m3/h/min " in command("alarms", folder, "--all", environment=wide).stdout
    told = command("setpoint", "FT-101", "flow rising", "90 m3/h/min", "--site", folder).stdout
    assert told == "FT-101 flow rising: the limit is 90 m3/h/min; normal\n"
    alarms = json.loads(command("alarms", folder, "--all", "--json").stdout)["alarms"]
    alarm = next(each for each in alarms if each["tag"] == "FT-101")
    assert (alarm["setpoint"], alarm["unit"]) == (pytest.approx(1.5), "m3/h/s")  # as registers show it
    assert alarm["written"] == {"unit": "m3/h/min", "times": 60.0}
    refused = command("setpoint", "FT-101", "flow rising", "90", "--site", folder)
    assert refused.returncode == 2
    assert "is no rate" in refused.stderr
    refused = command("setpoint", "FT-101", "flow rising", "150 m3/h/min", "--site", folder)
    assert "may be 30 to 120 m3/h/min" in " ".join(refused.stderr.split())
    running.stop()
    journal = command("alarms", folder, "--since", "1 h", environment=wide).stdout
    assert " 90 m3/h/min " in journal
    assert "was 60 m3/h/min" in journal
