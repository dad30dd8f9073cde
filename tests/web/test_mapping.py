"""The interface about the map: what stands where, and the files to take along."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from typing import Any

import pytest

from aggregator.core.address_map import Table
from aggregator.core.freeze import chosen
from aggregator.core.promise import promises_of
from aggregator.register_list import RegisterList, csv_text, html_text, json_text, markdown_text
from tests.core.alarmed import EVERY, POINT, TAGS
from tests.web.conftest import House

Build = Callable[..., House]
ONLY_INPUT = POINT + 9  # no holding register stands in its place


async def told(home: House, path: str, **parameters: Any) -> dict[str, Any]:
    async with home.client() as browser:
        answer = await browser.get(f"/api/v1/map{path}", params=parameters)
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


async def refused(home: House, path: str, **parameters: Any) -> tuple[int, str]:
    async with home.client() as browser:
        answer = await browser.get(f"/api/v1/map{path}", params=parameters)
    return answer.status_code, answer.text


async def test_every_table_says_what_of_it_is_used_and_free(house: Build) -> None:
    home = house(open_to_look=True)
    site = await told(home, "")
    [device] = site["devices"]
    assert site["map_fingerprint"] == f"{home.site.figures.fingerprint:08x}"
    for each in device["tables"]:
        assert each["used"] + each["spare"] + each["kept_free"] + each["free"] == 65536
        table = next(table for table in Table if table.key == each["table"])
        entries = [entry for entry in home.site.declared.devices[0].entries() if entry.table is table]
        assert each["used"] == sum(entry.item.size for entry in entries)
        assert all(any(first <= entry.address <= last for first, last in each["taken"]) for entry in entries)


async def test_a_stretch_of_a_table_has_its_blocks_and_items_and_no_others(house: Build) -> None:
    home = house(open_to_look=True)
    part = await told(home, "/strip", table="input", **{"from": POINT + EVERY, "to": POINT + 2 * EVERY - 1})
    [[start, size, owner, layout, frozen]] = part["blocks"]
    assert (start, size, owner, frozen) == (POINT + EVERY, EVERY, TAGS[1], 0)
    assert part["layouts"][layout][0][:2] == [0, 1]
    assert (await told(home, "/strip", table="input", **{"from": 60000, "to": 60100}))["blocks"] == []


async def test_no_more_of_a_table_is_told_at_once_than_is_looked_at(house: Build) -> None:
    home = house(open_to_look=True)
    status, said = await refused(home, "/strip", table="input", **{"from": 0, "to": 65535})
    assert (status, "2000 addresses" in said) == (409, True)
    assert (await refused(home, "/strip", table="inputs", **{"from": 0, "to": 5}))[0] == 422


@pytest.mark.parametrize(
    "text", [f"3{POINT + 11:04d}", f"input:{POINT + 10}", f"3{POINT + 11:05d}", f"input:0x{POINT + 10:X}"]
)
async def test_an_address_is_found_in_every_notation(house: Build, text: str) -> None:
    found = await told(house(open_to_look=True), "/find", text=text)
    assert (found["places"][0]["table"], found["places"][0]["address"]) == ("input", POINT + 10)
    assert found["places"][0]["item"]["owner"] == TAGS[0]


async def test_a_reference_of_the_wrong_table_leads_to_what_function_03_shows_there(house: Build) -> None:
    [place, *_] = (await told(house(open_to_look=True), "/find", text=f"4{ONLY_INPUT + 1:04d}"))["places"]
    assert (place["table"], place["address"], place["item"]) == ("holding", ONLY_INPUT, None)
    assert (place["seen"]["table"], place["seen"]["address"]) == ("input", ONLY_INPUT)


async def test_a_meter_s_item_is_found_by_its_words(house: Build) -> None:
    home = house(open_to_look=True)
    found = await told(home, "/find", text="at-102 PEAK")
    assert {(each["owner"], each["title"]) for each in found["items"]} == {("AT-102", "methane high peak")}
    nothing = await told(home, "/find", text="at-102 pressure")
    assert (nothing["items"], nothing["said"]) == ([], "nothing on this map is called `at-102 pressure`.")
    assert "30123" in (await told(home, "/find", text="70000"))["said"]


async def test_of_many_that_are_found_some_are_told_and_that_there_are_more(house: Build) -> None:
    found = await told(house(open_to_look=True), "/find", text="a")
    assert (len(found["items"]), found["more"]) == (50, True)


async def test_a_register_is_told_with_what_it_holds_and_what_a_wrong_reading_shows(house: Build) -> None:
    home = house(open_to_look=True)
    register = await told(home, "/register", at=f"input:{POINT + 10}")
    assert register["item"]["title"] == "methane high setpoint in force"
    setpoint = next(each for each in home.site.declared.alarms.alarms if each.name == "methane high").setpoint
    assert (register["value"], register["unit"]) == (setpoint, "%LEL")
    assert register["before"]["address"] == POINT + 9
    assert dict(register["about"])["stands as"].startswith("float32")
    assert any(each["way"].startswith("words low-first") for each in register["misread"])
    assert "no register" in (await refused(home, "/register", at="abc"))[1]


async def test_a_block_is_told_item_by_item_with_what_each_holds(house: Build) -> None:
    home = house(open_to_look=True)
    block = await told(home, "/block", at=f"input:{POINT + 11}")
    assert block["owner"] == TAGS[0]
    entries = [each for each in home.site.declared.devices[0].entries() if each.owner == TAGS[0]]
    assert [each["address"] for each in block["items"]] == [
        each.address for each in entries if each.table is Table.INPUT
    ]
    assert all("raw" in each for each in block["items"])
    assert "no block stands" in (await refused(home, "/block", at="input:60000"))[1]


async def test_what_is_frozen_is_told_of_items_blocks_and_devices(house: Build) -> None:
    home = house(open_to_look=True)
    assert (await told(home, ""))["frozen"] == 0
    home.frozen = chosen(promises_of(home.site.declared.devices), [TAGS[0]], ())
    items = sum(len(each.terms) for each in home.frozen)
    site = await told(home, "")
    assert (site["frozen"], site["devices"][0]["frozen"]) == (items, items)
    assert (await told(home, "/register", at=f"input:{POINT}"))["frozen"] is True
    assert (await told(home, "/register", at=f"input:{POINT + EVERY}"))["frozen"] is False
    part = await told(home, "/strip", table="input", **{"from": POINT, "to": POINT + 2 * EVERY - 1})
    assert [each[4] for each in part["blocks"]] == [2, 0]


@pytest.mark.parametrize(
    ("form", "text"), [("csv", csv_text), ("html", html_text), ("json", json_text), ("md", markdown_text)]
)
async def test_a_register_list_comes_as_the_command_writes_it(
    house: Build, form: str, text: Callable[[RegisterList], str]
) -> None:
    home = house(open_to_look=True)
    async with home.client() as browser:
        answer = await browser.get(f"/api/v1/map/list.{form}")
        unknown = await browser.get(f"/api/v1/map/list.{form}", params={"device": "9"})
    assert answer.content == text(RegisterList.of(home.site.declared)).encode()
    assert f"register-list.{form}" in answer.headers["content-disposition"]
    assert unknown.status_code == 404


async def test_a_plan_comes_by_parts_and_as_a_file_whole(house: Build) -> None:
    home = house(open_to_look=True)
    asked: dict[str, Any] = {"tag": [TAGS[0], TAGS[1]], "most": 4}
    first = await told(home, "/plan", **asked)
    async with home.client() as browser:
        rows = list(csv.DictReader(io.StringIO((await browser.get("/api/v1/map/plan.csv", params=asked)).text)))
    assert len(rows) == first["reads"] > 2
    assert first["rows"] == rows[:100]
    assert all(int(row["count"]) <= 4 for row in rows if "register" in row["table"])
    assert (await told(home, "/plan", **asked, after=2))["rows"] == rows[2:102]
    assert "no tag FT-9" in (await refused(home, "/plan", tag="FT-9"))[1]
    assert "none is split" in (await refused(home, "/plan", most=1))[1]


async def test_who_may_not_look_gets_no_list(house: Build) -> None:
    home = house()
    for path in ("", "/list.csv", "/plan.csv", "/find?text=1"):
        assert (await refused(home, path))[0] == 401
