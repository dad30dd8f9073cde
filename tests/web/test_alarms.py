"""The interface about alarms: what is told of them, who may act, and what becomes of an act that comes late."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import httpx
import pytest

from aggregator.core.alarm_state import State
from aggregator.web.people import Role
from tests.web.conftest import House

Build = Callable[..., House]
HIGH = {"tag": "AT-101", "alarm": "methane high"}
HIGHEST = {"tag": "AT-101", "alarm": "methane high-high"}
ALARMS = "/api/v1/alarms"


@pytest.fixture
def calm(house: Build) -> House:
    """The plant with every detector heard and nothing the matter: one that was never heard would not count as quiet."""
    home = house()
    for at in range(3):
        home.plant.send(at, 1.0)
    return home


async def post(client: httpx.AsyncClient, path: str, **body: Any) -> dict[str, Any]:
    answer = await client.post(f"{ALARMS}/{path}", json=body)
    told: dict[str, Any] = answer.json()
    return {"status": answer.status_code, **told}


async def alarms(client: httpx.AsyncClient, **query: Any) -> dict[str, Any]:
    answer = await client.get(ALARMS, params=query)
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


async def test_an_alarm_is_told_with_all_that_an_operator_needs(calm: House) -> None:
    home = calm
    home.plant.send(0, 25.0)
    home.plant.send(0, 30.0)
    home.plant.send(0, 22.0)
    async with home.with_key(Role.LOOK) as program:
        told = await alarms(program)
    assert told["sounder"] is True
    assert told["first_up"] == {"hall": ["AT-101", "methane high"]}
    assert told["suppressions"] == [{"name": "overhaul", "on": False, "by_hand": True}]
    first = told["alarms"][0]
    assert {key: first[key] for key in ("tag", "name", "area", "alarm", "state", "owed", "aside", "latches")} == {
        **HIGH,
        "name": "Point AT-101",
        "area": "hall",
        "state": "unacknowledged",
        "owed": True,
        "aside": False,
        "latches": False,
    }
    assert (first["value"], first["peak"], first["unit"], first["setpoint"]) == (25.0, 30.0, "%LEL", 20.0)
    assert (first["may_be"], first["action"]) == ([10.0, 30.1], "Keep out.")


async def test_the_worst_comes_first_and_what_is_owed_before_all(calm: House) -> None:
    home = calm
    home.plant.send(0, 45.0)
    home.plant.send(1, 25.0)
    async with home.with_key(Role.OPERATE) as program:
        first = (await alarms(program))["alarms"][0]
        assert (first["tag"], first["priority"]) == ("hall", "critical")
        numbers = [each["sequence"] for each in (await alarms(program))["alarms"] if each["tag"] != "AT-102"]
        assert (await post(program, "acknowledge", sequences=numbers))["acknowledged"] == 3
        first = (await alarms(program))["alarms"][0]
        assert (first["tag"], first["priority"], first["owed"]) == ("AT-102", "high", True)


async def test_a_button_pressed_late_does_no_harm_and_the_answer_says_what_became_of_it(calm: House) -> None:
    """The control room was quicker with one, another has gone and come again since: that one is owed anew."""
    home = calm
    home.plant.send(0, 25.0)
    home.plant.send(1, 25.0)
    async with home.with_key(Role.OPERATE) as program:
        numbers = [each["sequence"] for each in (await alarms(program))["alarms"]]
        assert len(numbers) == 3  # with the vote of the two
        client = home.plant.client()
        client.bits(100, 2)
        client.read(100, 3)
        client.coil(100)
        home.plant.send(1, 1.0)
        home.plant.send(1, 25.0)
        told = await post(program, "acknowledge", sequences=numbers)
    assert {key: told[key] for key in ("status", "acknowledged", "already", "raised_anew", "unacknowledged")} == {
        "status": 200,
        "acknowledged": 0,
        "already": 1,
        "raised_anew": 2,
        "unacknowledged": 2,
    }


async def test_a_number_that_nobody_can_have_seen_is_refused(calm: House) -> None:
    home = calm
    home.plant.send(0, 25.0)
    async with home.with_key(Role.OPERATE) as program:
        told = await post(program, "acknowledge", sequences=[1, 2])
    assert (told["status"], home.site.annunciator.owed) == (409, 1)
    assert "sequence number 2" in told["wrong"]


async def test_a_reset_is_refused_in_words_while_the_condition_stands(calm: House) -> None:
    home = calm
    home.plant.send(0, 45.0)
    async with home.with_key(Role.OPERATE) as program:
        told = await post(program, "reset", **HIGHEST)
        assert (told["status"], "its condition still stands" in told["wrong"]) == (409, True)
        home.plant.send(0, 1.0)
        await post(program, "acknowledge", sequences=[each["sequence"] for each in (await alarms(program))["alarms"]])
        assert (await post(program, "reset", **HIGHEST))["state"] == "normal"
        assert (await alarms(program))["alarms"] == []


async def test_a_shelved_alarm_is_told_with_until_when_by_whom_and_why(calm: House) -> None:
    home = calm
    home.plant.send(0, 25.0)
    async with home.with_key(Role.OPERATE) as program:
        assert (await post(program, "shelve", **HIGH, lasts=3600, why="painting"))["state"] == "shelved"
        told = (await alarms(program))["alarms"][0]
        assert (told["aside"], told["owed"], told["condition"]) == (True, False, True)
        assert told["shelf"] == {"until": home.now.utc + 3600, "who": "operate", "why": "painting"}
        assert (await post(program, "unshelve", **HIGH))["state"] == "unacknowledged"


async def test_a_setpoint_is_changed_within_its_limits_only(calm: House) -> None:
    home = calm
    async with home.with_key(Role.ENGINEER) as program:
        assert (await post(program, "setpoint", **HIGH, value=25))["setpoint"] == 25.0
        beyond = await post(program, "setpoint", **HIGH, value=31)
        assert (beyond["status"], "may be 10 to 30.1" in beyond["wrong"]) == (409, True)
        assert (await post(program, "setpoint", **HIGH, value=None))["setpoint"] == 20.0


async def test_the_alarms_of_one_meter_are_told_with_their_limits_while_they_are_normal(calm: House) -> None:
    home = calm
    async with home.with_key(Role.LOOK) as program:
        told = await alarms(program, all=True, of="AT-102")
        assert {each["tag"] for each in told["alarms"]} == {"AT-102"}
        assert sorted(each["alarm"] for each in told["alarms"]) == ["methane high", "methane high-high", "stale"]
        of_group = await alarms(program, all=True, of="hall")
        assert {each["tag"] for each in of_group["alarms"]} == {"hall", "AT-101", "AT-102"}
        unknown = await program.get(ALARMS, params={"of": "AT-999"})
        assert (unknown.status_code, "no meter or group AT-999" in unknown.text) == (409, True)


@pytest.mark.parametrize(
    ("path", "body", "least"),
    [
        ("acknowledge", {"sequences": [1]}, Role.OPERATE),
        ("reset", HIGHEST, Role.OPERATE),
        ("shelve", {**HIGH, "lasts": 60, "why": "x"}, Role.OPERATE),
        ("unshelve", HIGH, Role.OPERATE),
        ("silence", {}, Role.OPERATE),
        ("service", {**HIGH, "on": False}, Role.ENGINEER),
        ("setpoint", {**HIGH, "value": 25}, Role.ENGINEER),
        ("suppress", {"name": "overhaul", "on": True}, Role.ENGINEER),
    ],
)
async def test_whoever_may_less_than_an_act_needs_is_refused(
    calm: House, path: str, body: dict[str, Any], least: Role
) -> None:
    home = calm
    home.plant.send(0, 25.0)
    before = home.site.annunciator.alarms["AT-101", "methane high"].state
    for role in Role:
        if role >= least:
            continue
        async with home.with_key(role) as program:
            told = await post(program, path, **body)
            assert (told["status"], f"needs the role {least.words}" in told["wrong"]) == (403, True), role
    assert home.site.annunciator.alarms["AT-101", "methane high"].state is before is State.UNACKNOWLEDGED
    assert [name for name, _ in home.asked] == []


async def test_an_act_is_on_record_with_the_name_of_who_did_it(calm: House) -> None:
    home = calm
    home.plant.send(0, 25.0)
    async with home.with_key(Role.OPERATE) as program:
        await post(program, "silence")
        await post(program, "acknowledge", sequences=[1])
    assert [each.who for each in home.plant.journal("sounder silenced")] == ["operate"]
    assert [each.who for each in home.plant.journal("alarm acknowledged")] == ["operate"]
