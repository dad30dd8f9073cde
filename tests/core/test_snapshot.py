"""One meter as plain data: all that is known of it, and nothing that JSON has no word for."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from aggregator.core.alarm import Alarms
from aggregator.core.annunciator import Annunciator
from aggregator.core.meter import Meter, MeterState
from aggregator.core.outbox import Outbox
from aggregator.core.profile import Profile
from aggregator.core.reading import Now, Times
from aggregator.core.snapshot import meter_told
from aggregator.core.uplink import NO_RADIO
from tests.core.alarmed import Plant


def told(plant: Plant, at: int = 0) -> dict[str, Any]:
    state = list(plant.site.states.values())[at]
    found = meter_told(state, plant.site.annunciator, plant.now)
    json.dumps(found, allow_nan=False)
    return found


def test_a_meter_is_told_with_its_fields_radio_and_alarms() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 25.0)
    plant.wait(20)
    found = told(plant)
    assert (found["tag"], found["area"], found["grade"], found["reasons"], found["age"]) == (
        "AT-101", "hall", "good", [], 20.0,
    )  # fmt: skip
    methane = next(each for each in found["fields"] if each["field"] == "methane")
    assert (methane["value"], methane["unit"], methane["grade"], methane["age"]) == (25.0, "%LEL", "good", 20.0)
    assert methane["arrived"] == found["heard"] == plant.now.utc - 20
    assert (methane["substitute"], methane["read"]) == (None, 25.0)
    high = next(each for each in found["alarms"] if each["alarm"] == "methane high")
    assert (high["state"], high["priority"], high["value"], high["setpoint"], high["unit"]) == (
        "unacknowledged", "high", 25.0, 20.0, "%LEL",
    )  # fmt: skip
    assert found["trouble"] > 200
    assert found["loss"] == {"over_a_day": 0.0, "since_start": 0}
    assert set(found["radio"]) == {"rssi", "snr", "spreading_factor"}


def test_what_was_never_heard_is_none_and_not_zero() -> None:
    found = told(Plant(lambda _: {}), 2)
    assert (found["heard"], found["age"], found["counter"], found["grade"]) == (None, None, None, "bad")
    assert found["loss"] == {"over_a_day": None, "since_start": 0}
    assert {each["value"] for each in found["fields"]} == {None}
    assert {each["age"] for each in found["fields"]} == {None}
    assert found["says"] == "bad: never heard, expected every 15 min"


def test_a_value_entered_by_hand_is_told_with_who_and_until_and_what_the_meter_reads() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    plant.site.substitute("AT-101", "methane", 1.5, lasts=3600, who="fitter", why="span gas", now=plant.now)
    plant.wait(60)
    found = told(plant)
    methane = next(each for each in found["fields"] if each["field"] == "methane")
    assert (methane["value"], methane["read"], methane["grade"]) == (1.5, 3.0, "uncertain")
    assert methane["substitute"] == {"value": 1.5, "who": "fitter", "why": "span gas", "until": plant.now.utc + 3540}
    assert "substituted" in found["says"]


def test_an_alarm_tells_what_raised_it_and_what_the_field_reads_now() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 25.0)
    plant.send(0, 21.0)
    high = told(plant)["alarms"][0]
    assert (high["alarm"], high["value"], high["now"]) == (
        "methane high",
        25.0,
        {"value": 21.0, "unit": "%LEL", "grade": "good", "reasons": []},
    )
    plant.wait(1801)
    by_name = {each["alarm"]: each for each in told(plant)["alarms"]}
    stale, high = by_name["stale"], by_name["methane high"]
    assert stale["now"] is None
    assert (high["now"]["value"], high["now"]["reasons"]) == (None, ["stale"])


def test_a_meter_in_test_says_so() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    assert told(plant)["test"] is None
    plant.site.hold_in_test("AT-101", on=True, who="fitter", why="bump test", now=plant.now)
    found = told(plant)
    assert (found["under_test"], found["grade"], found["reasons"]) == (True, "uncertain", ["under test"])
    assert found["test"] == {"who": "fitter", "why": "bump test", "since": plant.now.utc}
    plant.site.hold_in_test("AT-101", on=False, who="fitter", now=plant.now)
    assert told(plant)["test"] is None
    assert [each.facts for each in plant.journal("meter taken into test")] == [{"why": "bump test"}]


def test_the_battery_told_is_that_of_the_node_that_sits_there(
    meter_of: Callable[..., Meter], profile: Profile, start: Now
) -> None:
    state = MeterState(meter_of(profile=profile, node="70b3d57ed0000001"))
    times = Times(None, None, start.utc, start.monotonic)
    state.take(state.judge([(3, 3.6)], times, 0), times, NO_RADIO, 1)
    alarms = Annunciator(Alarms(), {"FT-101": state}, Outbox())
    battery = {"field": "battery", "unit": "V", "low_below": None}
    assert meter_told(state, alarms, start)["battery"] == {**battery, "value": 3.6}
    state.seat(None, start.utc)
    found = meter_told(state, alarms, start)
    assert found["battery"] == {**battery, "value": None}
    assert found["says"].startswith("bad: no node sits on it, last heard 0 s ago")


def test_only_a_field_that_counts_has_a_total_to_be_set(
    meter_of: Callable[..., Meter], watchful: Profile, start: Now
) -> None:
    state = MeterState(meter_of(profile=watchful))
    found = meter_told(state, Annunciator(Alarms(), {"FT-101": state}, Outbox()), start)
    assert {each["field"]: each["counts"] for each in found["fields"]} == {
        "flow": False,
        "volume": True,
        "methane": False,
        "battery": False,
    }
