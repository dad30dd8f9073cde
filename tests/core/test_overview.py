"""A line about a meter says what it shows, and how much it is in need of somebody."""

from __future__ import annotations

from dataclasses import replace

from aggregator.core import response
from aggregator.core.meter import MeterState
from aggregator.core.overview import Line, line_of
from aggregator.core.reading import Grade, Reason
from tests.core.alarmed import Plant


def line(plant: Plant, at: int = 0) -> Line:
    state = list(plant.site.states.values())[at]
    return line_of(state, plant.site.annunciator, plant.now)


def test_a_meter_that_is_well_has_no_trouble() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    found = line(plant)
    assert (found.tag, found.area, found.grade, found.trouble) == ("AT-101", "hall", 1, 0)
    assert [(each.name, each.value, each.unit) for each in found.fields] == [
        ("flow", 1.0, "m3/h"),
        ("volume", 1.0, "m3"),
        ("methane", 3.0, "%LEL"),
    ]
    assert found.heard == plant.now.utc


def test_a_field_is_told_with_the_label_that_its_profile_gives_it() -> None:
    plant = Plant(lambda _: {})
    meter = next(iter(plant.site.states.values())).meter
    first, *others = meter.profile.fields
    fields = (replace(first, label="flow at line conditions"), *others)
    labelled = MeterState(replace(meter, profile=replace(meter.profile, fields=fields)))
    found = line_of(labelled, plant.site.annunciator, plant.now)
    assert [each.label for each in found.fields] == ["flow at line conditions", "volume", "methane"]


def test_trouble_grows_from_silence_over_bad_to_alarms_that_nobody_has_noted() -> None:
    plant = Plant(lambda _: {})
    never = line(plant, 2).trouble
    plant.send(0, 3.0)
    plant.wait(1801)
    silent = line(plant, 0)
    assert silent.stale
    plant.send(1, 25.0)
    high = line(plant, 1)
    plant.send(1, 45.0)
    critical = line(plant, 1)
    assert high.alarm is not None
    assert critical.alarm is not None
    assert (high.alarm.priority, critical.alarm.priority, critical.alarm.more) == ("high", "critical", 1)
    assert 0 < never < high.trouble < critical.trouble


def names(found: Line) -> list[str]:
    return [each.name for each in found.fields]


def test_the_first_value_is_of_the_field_that_the_alarm_is_about() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 25.0)
    assert names(line(plant)) == ["methane", "flow", "volume"]
    plant.send(0, 3.0)  # returned, and owed
    assert names(line(plant)) == ["methane", "flow", "volume"]
    sequence = plant.site.annunciator.alarms["AT-101", "methane high"].sequence
    plant.site.respond(lambda site: response.acknowledge_number(site, sequence, "operator", plant.now))
    assert names(line(plant)) == ["flow", "volume", "methane"]


def test_a_field_is_in_doubt_only_for_reasons_of_its_own() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 3.0)
    state = next(iter(plant.site.states.values()))
    state.readings[2] = state.readings[2]._replace(reasons=int(Reason.SENSOR_FAULT))
    state.sum_up()
    found = line(plant)
    assert found.grade == Grade.BAD
    assert [(each.name, each.grade) for each in found.fields] == [("flow", 1), ("volume", 1), ("methane", 3)]


def test_a_meter_in_test_tells_which_alarm_would_stand() -> None:
    plant = Plant(lambda _: {})
    plant.send(0, 25.0)
    before = line(plant)
    plant.site.hold_in_test("AT-101", on=True, who="fitter", now=plant.now)
    found = line(plant)
    assert before.alarm is not None
    assert found.alarm is not None
    assert (before.alarm.in_test, found.alarm.in_test, found.alarm.alarm) == (False, True, "methane high")
    assert before.alarm.says == f"methane high: {before.alarm.state}"
    assert found.alarm.says == "under test, methane high stands"
    assert names(found) == ["methane", "flow", "volume"]
