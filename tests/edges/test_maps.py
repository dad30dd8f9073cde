"""The commands about a map: freeze, thaw, compare, plan, and the list on paper."""

from __future__ import annotations

import csv
import io
import json
import re
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from aggregator.config.configuration import load
from aggregator.config.frozen import FILE
from aggregator.core.gateway import FIGURES
from aggregator.freezing import LIFTED

if TYPE_CHECKING:
    from tests.edges.caller import Caller
    from tests.edges.conftest import Service

Command = Callable[..., subprocess.CompletedProcess[str]]
SiteOf = Callable[..., Path]
DONE, FILES_WRONG, LINE_WRONG, OUTSIDE, DIFFERENT = 0, 1, 2, 3, 4
ITEMS = len(FIGURES) + 12 + 8 + 8 + 8 + 3 * (8 + 2 + 1)  # gateway block, test block in four tables, three meters


@pytest.fixture
def folder(site: SiteOf) -> Path:
    return site(meters=3)


def change(folder: Path, old: str, new: str) -> None:
    text = (folder / "map.yaml").read_text(encoding="utf-8")
    assert text.count(old) == 1
    (folder / "map.yaml").write_text(text.replace(old, new), encoding="utf-8")


# Freeze and thaw


def test_a_frozen_map_is_refused_once_it_moves_and_taken_again_once_that_is_thawed(
    folder: Path, command: Command
) -> None:
    assert command("freeze", folder).stdout == f"{ITEMS} items are frozen in {folder / FILE}, {ITEMS} of them new\n"
    assert f"{ITEMS} of {ITEMS} items frozen" in command("check", folder).stdout
    change(folder, "[FT-101, FT-102, FT-103]", "[FT-101, spare, FT-102, FT-103]")
    for refuses in ("check", "run", "map", "freeze"):
        ended = command(refuses, folder)
        assert ended.returncode == FILES_WRONG
        assert "FT-102 would move from input registers 116-131 of unit 1 to input registers 132-147" in ended.stderr
        assert "aggregator thaw FT-103" in ended.stderr
        assert f"{folder}/map.yaml:23:33: " in ended.stderr
        assert ended.stderr.endswith("6 problems; nothing was changed.\n")
    thawed = command("thaw", "FT-102", "FT-103", "--site", folder)
    assert thawed.stdout == f"22 items are thawed, {ITEMS - 22} stay frozen in {folder / FILE}\n"
    assert f"{ITEMS - 22} of {ITEMS} items frozen" in command("check", folder).stdout
    assert command("freeze", folder).stdout == f"{ITEMS} items are frozen in {folder / FILE}, 22 of them new\n"


def test_some_meters_are_frozen_and_the_others_may_move(folder: Path, command: Command) -> None:
    assert command("freeze", folder, "--tag", "FT-101", "--tag", "gateway").returncode == DONE
    change(folder, "[FT-101, FT-102, FT-103]", "[FT-101, FT-103, FT-102]")
    assert command("check", folder).returncode == DONE
    change(folder, "gateway_block: 0", "gateway_block: 1000")
    ended = command("check", folder)
    assert ended.returncode == FILES_WRONG
    assert "gateway block would move from input registers 0-39" in ended.stderr
    assert command("thaw", "gateway", "--unit", "1", "--site", folder).returncode == DONE
    assert command("check", folder).returncode == DONE


def test_one_item_is_thawed_by_its_name_and_all_may_be(folder: Path, command: Command) -> None:
    command("freeze", folder, "--unit", "1", "--tag", "FT-101")
    change(folder, "2: {field: flow, as: float32}", "2: {field: flow, as: uint32}")
    assert command("check", folder).returncode == FILES_WRONG
    assert command("thaw", "FT-101/flow", "--site", folder).returncode == DONE
    assert command("check", folder).returncode == DONE
    assert (
        command("thaw", "FT-101", "--site", folder).stdout == f"10 items are thawed, 0 stay frozen in {folder / FILE}\n"
    )
    assert "none of" in command("check", folder).stdout


def test_a_map_is_swapped_whole_or_not_at_all_so_a_refused_one_is_never_served(
    folder: Path, command: Command, service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    command("freeze", folder)
    served = caller(service(folder).port)
    assert served.registers(100, 1)[0] & 3 == 3
    change(folder, "{from: 100, every: 16}", "{from: 200, every: 16}")
    assert command("run", folder).returncode == FILES_WRONG
    assert served.registers(100, 1)[0] & 3 == 3
    assert served.ask(struct.pack(">BHH", 4, 200, 1)) == bytes.fromhex("8402")


@pytest.mark.parametrize("while_it_runs", [True, False], ids=["at a reload", "at a start"])
def test_a_freeze_that_is_lifted_by_taking_its_file_away_is_on_record(
    folder: Path, command: Command, service: Callable[[Path], Service], while_it_runs: bool
) -> None:
    command("freeze", folder)
    running = service(folder)
    assert not running.log(LIFTED)
    if not while_it_runs:
        assert running.stop() == 0
    (folder / FILE).unlink()
    if while_it_runs:
        assert command("reload", folder).returncode == DONE
    else:
        running = service(folder)
    [line] = running.log(LIFTED)
    assert (line["level"], line["items"]) == ("warning", ITEMS)
    assert running.stop() == 0
    assert LIFTED in command("export", folder, "--journal").stdout
    assert not service(folder).log(LIFTED)  # once is enough


def test_thawing_everything_by_command_is_no_lifted_freeze(
    folder: Path, command: Command, service: Callable[[Path], Service]
) -> None:
    command("freeze", folder, "--tag", "FT-101")
    running = service(folder)
    assert command("thaw", "FT-101", "--site", folder).returncode == DONE
    assert command("reload", folder).returncode == DONE
    assert not running.log(LIFTED)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["freeze", "SITE", "--tag", "FT-109"], "the map has no FT-109"),
        (["freeze", "SITE", "--unit", "9"], "the map has no 9"),
        (["thaw", "FT-101", "--site", "SITE"], "nothing is frozen"),
        (["thaw", "FT-101", "SITE"], "is a site's folder. Write --site"),
        (["plan", "SITE", "--tag", "FT-109"], "the map has no FT-109"),
        (["plan", "SITE", "--area", "sites"], "Write `site`, if that is what was meant"),
        (["plan", "SITE", "--item", "flows"], "Write `flow`, if that is what was meant"),
        (["plan", "SITE", "--unit", "9"], "It has 1"),
        (["plan", "SITE", "--most", "2"], "none is split"),
        (["plan", "SITE", "--most", "126"], "--most"),
    ],
    ids=str,
)
def test_a_choice_that_nothing_answers_to_is_said(
    folder: Path, command: Command, arguments: list[str], says: str
) -> None:
    ended = command(*(str(folder) if each == "SITE" else each for each in arguments))
    assert ended.returncode == LINE_WRONG
    assert says in re.sub(r"[\s│]+", " ", ended.stderr)


def test_a_name_that_is_not_frozen_is_said_with_the_near_one_and_nothing_is_thawed(
    folder: Path, command: Command
) -> None:
    command("freeze", folder)
    before = (folder / FILE).read_bytes()
    ended = command("thaw", "FT-101", "FT-103/flows", "--site", folder)
    assert ended.returncode == LINE_WRONG
    assert "Write `FT-103/flow`" in re.sub(r"[\s│]+", " ", ended.stderr)
    assert (folder / FILE).read_bytes() == before


def test_a_folder_that_cannot_be_written_is_said(folder: Path, command: Command) -> None:
    (folder / f"{FILE}.new").mkdir()  # where the new file would be written before it takes the old one's place
    ended = command("freeze", folder)
    assert ended.returncode == OUTSIDE
    assert re.fullmatch(r"cannot write .+\. .+\.\n", ended.stderr)
    assert not (folder / FILE).exists()


# Compare


def test_two_maps_are_compared_and_the_exit_code_says_whether_they_are_alike(
    site: SiteOf, command: Command, tmp_path: Path
) -> None:
    old, new = site(meters=3, name="old"), site(meters=3, name="new")
    saved = tmp_path / "saved.json"
    command("map", old, "--as", "json", "--output", saved)
    command("freeze", old)
    for before in (old, saved, old / FILE):
        same = command("compare", before, new)
        assert (same.returncode, same.stdout) == (DONE, f"0 differences; {ITEMS} items are as before\n"), before
    change(new, "[FT-101, FT-102, FT-103]", "[FT-101, FT-103]")
    change(new, "2: {field: flow, as: float32}", "2: {field: flow, as: uint32, scale: 0.1}\n      6: {age_of: flow}")
    change(new, "4: {field: volume, as: float64}", "")
    listed = []
    for before in (old, saved, old / FILE):
        told = command("compare", before, new, "--as", "json")
        assert told.returncode == DIFFERENT
        listed.append(json.loads(told.stdout)["differences"])
    assert listed[0] == listed[1]
    assert [each for each in listed[0] if each["was"]] == listed[2]
    by_name = {(each["tag"], each["item"]): each for each in listed[0]}
    assert by_name["FT-101", "flow"]["what"] == ["changed"]
    assert by_name["FT-101", "flow"]["changes"]["type"] == {"was": "float32", "is": "uint32"}
    assert by_name["FT-101", "volume"]["what"] == ["gone", "replaced"]
    assert by_name["FT-101", "flow age"]["what"] == ["new"]
    assert by_name["FT-102", "status"]["what"] == ["gone", "replaced"]
    assert by_name["FT-102", "status"]["in its place"]["tag"] == "FT-103"
    assert {"moved", "changed"} <= set(by_name["FT-103", "flow"]["what"])
    assert by_name["FT-103", "status"]["is"]["PDU address"] == 116
    table = command("compare", old, new).stdout
    assert re.search(r"(?m)^moved +unit 1 +FT-103 +status +input 132: uint16 +input 116 *$", table)


def test_gaps_that_can_no_longer_be_read_over_are_a_difference(site: SiteOf, command: Command, tmp_path: Path) -> None:
    """Nothing stands in them, and yet a block read that runs over them would answer exception 02."""
    old, new = site(meters=2, name="old"), site(meters=2, name="new")
    for folder in (old, new):
        change(folder, "meters: [FT-101, FT-102]", "meters: [FT-101, FT-102, spare]")
    saved = tmp_path / "saved.json"
    command("map", old, "--as", "json", "--output", saved)
    command("freeze", old)
    change(new, "meters: [FT-101, FT-102, spare]", "meters: [FT-101, FT-102]")
    for before in (old, saved, old / FILE):
        told = command("compare", before, new)
        assert told.returncode == DIFFERENT, before
        text = r"(?m)^unreadable +unit 1 +input 132-147: gaps read as zero +answers exception 02 *$"
        assert re.search(text, told.stdout), told.stdout
    reach = json.loads(command("compare", saved, new, "--as", "json").stdout)["reach"]
    assert {"unit id": 1, "device": "1", "table": "input register", "from": 132, "to": 147, "is": "unreadable"} in reach
    back = command("compare", new, old).stdout
    assert re.search(r"(?m)^readable +unit 1 +input 132-147: answers exception 02 +gaps read as zero *$", back), back


def test_what_is_no_map_cannot_be_compared(folder: Path, command: Command, tmp_path: Path) -> None:
    (tmp_path / "list.json").write_text('{"registers": [{"table": "input register"}]}', encoding="utf-8")
    for other in (tmp_path / "list.json", tmp_path / "nothing.json"):
        ended = command("compare", other, folder)
        assert ended.returncode == OUTSIDE
        assert re.fullmatch(r".+\. .+\.\n", ended.stderr)
    assert command("compare", tmp_path / "nothing", folder).returncode == FILES_WRONG


# Poll plan


def plan(command: Command, folder: Path, *arguments: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(command("plan", folder, "--as", "csv", *arguments).stdout)))


def test_a_plan_s_reads_are_answered_and_give_every_chosen_item(
    folder: Path, command: Command, service: Callable[..., Service], caller: Callable[[int], Caller]
) -> None:
    reads = plan(command, folder, "--most", "40")
    asked = caller(service(folder).port)
    given = set()
    for read in reads:
        start, count = int(read["PDU address"]), int(read["count"])
        assert int(read["PDU hex"], 16) == start
        assert int(read["data number"]) == start + 1
        answer = asked.ask(struct.pack(">BHH", int(read["function"]), start, count))
        assert answer[0] == int(read["function"])
        given |= {(read["table"], at) for at in range(start, start + count)}
    for device in load(folder).declared.devices:
        for entry in device.entries():
            if entry.owner != "test block":
                assert (entry.table.words, entry.address) in given
                assert (entry.table.words, entry.end - 1) in given


def test_a_plan_covers_what_is_chosen_and_says_what_it_costs(folder: Path, command: Command) -> None:
    flows = plan(command, folder, "--item", "flow")
    assert [(read["PDU address"], read["count"], read["covers"]) for read in flows] == [
        ("102", "34", "FT-101, FT-102, FT-103")
    ]
    strict = plan(command, folder, "--item", "flow", "--tag", "FT-102", "--tag", "FT-103", "--strict")
    assert [(read["PDU address"], read["count"]) for read in strict] == [("118", "18")]
    told = command("plan", folder, "--area", "site", "--item", "flow").stdout
    assert told.splitlines()[-1] == "1 read; 34 registers, 18 % of them used"


def test_a_plan_names_what_refuses_to_be_read_while_it_is_stale(folder: Path, command: Command) -> None:
    change(folder, "2: {field: flow, as: float32}", "2: {field: flow, as: float32, stale: refuse}")
    [read] = plan(command, folder, "--item", "status", "--tag", "FT-101", "--tag", "FT-102")
    assert read["note"] == "answers exception 0B while FT-101 flow is stale"


def test_a_plan_goes_into_a_file(folder: Path, command: Command, tmp_path: Path) -> None:
    target = tmp_path / "plan.csv"
    assert command("plan", folder, "--output", target).returncode == DONE
    assert target.read_text(encoding="utf-8") == command("plan", folder, "--as", "csv").stdout


# The list on paper


def test_the_printed_list_draws_every_block_and_names_the_map(folder: Path, command: Command) -> None:
    change(folder, "[FT-101, FT-102, FT-103]", "[FT-101, spare, FT-103]")
    change(folder, "devices:\n", "revision: for the flare\ndevices:\n")
    page = command("map", folder, "--as", "html").stdout
    assert re.search(r"Map revision for the flare, fingerprint [0-9a-f]{8}", page)
    device = load(folder).declared.devices[0]
    for block in device.blocks:
        assert f"<title>{block.owner}: {block}</title>" in page
    for entry in device.entries():
        assert f"<title>{entry.owner} {entry.item.title}: {entry.address}</title>" in page
    assert page.count("class='spare'") == 3  # in each of its tables
    for free in ("200-65535 free", "9100-65535 free"):
        assert f">{free}</text>" in page
    assert not re.search(r"(?i)<script|src=|href=|http", page)
    colours = {*re.findall(r"#[0-9a-f]{3,6}\b", page)}
    assert all(len(set(colour[1:])) == 1 for colour in colours), "greys only"


def test_a_list_is_in_the_order_of_unit_and_address_whatever_the_order_of_the_file(
    folder: Path, command: Command
) -> None:
    other = "  - unit: 9\n    test_block: {input: 0}\n"
    text = (folder / "map.yaml").read_text(encoding="utf-8")
    (folder / "map.yaml").write_text(text.replace("devices:\n", f"devices:\n{other}"), encoding="utf-8")
    first = command("map", folder, "--as", "csv").stdout
    (folder / "map.yaml").write_text(text + other, encoding="utf-8")
    second = command("map", folder, "--as", "csv").stdout
    # The lines of the file move with the order; nothing else of a row does.
    assert rows_of(first) == rows_of(second)
    units = [row["unit id"] for row in rows_of(first)]
    assert units == sorted(units)


def rows_of(text: str) -> list[dict[str, Any]]:
    return [{**row, "declared at": ""} for row in csv.DictReader(io.StringIO(text))]


def test_a_doubt_is_told_with_its_line_and_the_site_is_in_order(folder: Path, command: Command) -> None:
    profile = folder / "profiles" / "gas-point.yaml"
    profile.write_text(
        profile.read_text(encoding="utf-8").replace("volume: {unit: m3}", "volume: {unit: m3, counts: {}}")
    )
    change(folder, "4: {field: volume, as: float64}", "4: {field: volume, as: float32}")
    ended = command("check", folder)
    assert ended.returncode == DONE
    assert f"warning: {folder}/map.yaml:7:7: volume counts on and on, and a float32 loses single units" in ended.stderr
    assert ended.stderr.endswith("1 warning; the site can be run as it is.\n")
